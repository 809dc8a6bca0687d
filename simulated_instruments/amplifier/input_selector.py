"""From the input sockets to the volume control: sockets, screen, selector contacts, tape monitor loop, wiring."""

from __future__ import annotations

from dataclasses import dataclass, field

from .joints import Joint


@dataclass(frozen=True)
class InputPath:
    """One channel from its socket to the volume control.

    resistance_ohm is what the source sees. contact_v and contact_ohm describe an oxidised contact: a drop that grows
    with the current up to contact_v and no further. screen_open lets mains hum in (pickup_v at the volume control's
    top, with the source connected or shorted at the socket). inverted: two wires exchanged in a balanced or
    transformer-coupled path, or an inverting stage replaced by a follower.
    """

    resistance_ohm: float = 33e3
    series_ohm: float = 470.0
    contact_ohm: float = 0.0
    contact_v: float = 0.0
    pickup_v: float = 0.0
    open_pickup_v: float = 3e-3
    """Mains hum at the top of the volume control with nothing plugged in, V rms."""
    inverted: bool = False
    joint: Joint = field(default_factory=Joint)

    def gain(self, source_ohm: float) -> float:
        """What the input resistance leaves of the source's voltage.

        Examples
        --------
        >>> round(InputPath(resistance_ohm=1000.0, series_ohm=0.0).gain(1000.0), 3)
        0.5
        """
        sign = -1.0 if self.inverted else 1.0
        return sign * self.resistance_ohm / (self.resistance_ohm + self.series_ohm + source_ohm + self.contact_ohm)


@dataclass(frozen=True)
class InputSelector:
    """Both channels' paths; ``crossed`` exchanges them, ``monitor_open`` is a tape monitor switch or a pre/main link
    that interrupts both (nothing is broken)."""

    left: InputPath = InputPath()
    right: InputPath = InputPath()
    crossed: bool = False
    monitor_open: bool = False
