"""Kinds of output: direct-coupled, with DC servo, through a capacitor from one supply rail, bridged."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from .filters import FirstOrder

Kind = Literal["direct", "servo", "capacitor", "bridged"]


@dataclass(frozen=True)
class OutputKind:
    """What stands between the output devices and the world, by kind.

    servo: an integrator takes the DC out above servo_tau_s, down to its own servo_offset_v; ``servo_dead`` leaves the
    offset as it is. capacitor: capacitor_f in series (leak_v: the DC that its leakage leaves at the terminal). The
    device side stands at half the supply. bridged: two halves in antiphase; each terminal stands at half the supply;
    minus_stuck holds the minus half of stuck_channel at the supply (+1), at ground (-1), or lets it work (0).
    """

    kind: Kind = "direct"
    servo_tau_s: float = 0.6
    servo_offset_v: float = 1.5e-3
    servo_dead: bool = False
    capacitor_f: float = 2200e-6
    capacitor_leak_v: float = 2e-3
    minus_stuck: int = 0
    stuck_channel: str = ""

    @property
    def single_supply(self) -> bool:
        return self.kind in ("capacitor", "bridged")

    def of(self, channel: str) -> OutputKind:
        """The kind as this channel has it: a dead half is in one channel only."""
        return self if self.stuck_channel in ("", channel) else replace(self, minus_stuck=0)

    def section(self, load_ohm: float) -> FirstOrder | None:
        """The high-pass that the kind puts at the output or round the loop; None for none.

        Examples
        --------
        >>> section = OutputKind("capacitor", capacitor_f=2200e-6).section(8.0)
        >>> round(abs(section.response(9.043)), 3)
        0.707
        """
        if self.kind == "servo" and not self.servo_dead:
            return FirstOrder(0.0, self.servo_tau_s, self.servo_tau_s)
        if self.kind == "capacitor" and math.isfinite(load_ohm):
            tau = max(1e-5, self.capacitor_f * load_ohm)
            return FirstOrder(0.0, tau, tau)
        return None
