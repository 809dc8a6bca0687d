"""The headphone socket: resistors from the outputs, and the switch in it that interrupts the loudspeakers."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class HeadphoneSocket:
    """series_ohm from each output to the headphones. left_open, right_open: the switch contact in that loudspeaker line
    does not close again when the plug is drawn. contact_ohm: of the closed switch, part of the wiring of the output."""

    series_ohm: float = 330.0
    left_open: bool = False
    right_open: bool = False
    contact_ohm: float = 0.01

    def closed(self, channel: int, *, plugged: bool) -> bool:
        """Whether the loudspeaker line (0 left) is made."""
        return not plugged and not (self.left_open if channel == 0 else self.right_open)

    def share(self, headphone_ohm: float) -> float:
        """What the headphones get of the output voltage.

        Examples
        --------
        >>> HeadphoneSocket(series_ohm=330.0).share(330.0)
        0.5
        """
        return 1.0 if math.isinf(headphone_ohm) else headphone_ohm / (headphone_ohm + self.series_ohm)
