"""Between the output devices and the relay: coil, Zobel network, wiring; and the oscillation when they are missing."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property


@dataclass(frozen=True)
class OutputNetwork:
    """series_ohm is coil and wiring. Without its Zobel network the stage has ``margin_lost_deg`` less phase margin.

    When the margin left is below zero it oscillates at oscillation_hz with oscillation_v rms at the output, with idle
    current up by oscillation_a, and offset moved by offset_shift_v.
    """

    series_ohm: float = 0.022
    inductance_h: float = 1.5e-6
    zobel_ohm: float = 10.0
    zobel_f: float = 0.1e-6
    zobel_open: bool = False
    phase_margin_deg: float = 55.0
    margin_lost_deg: float = 45.0
    oscillation_hz: float = 410e3
    oscillation_v: float = 1.6
    oscillation_a: float = 0.12
    offset_shift_v: float = 0.045

    @cached_property
    def margin_deg(self) -> float:
        return self.phase_margin_deg - (self.margin_lost_deg if self.zobel_open else 0.0)

    @cached_property
    def oscillates(self) -> bool:
        return self.margin_deg < 0.0

    @cached_property
    def bursts(self) -> bool:
        """Oscillates on the peaks of a signal only."""
        return 0.0 <= self.margin_deg < 15.0
