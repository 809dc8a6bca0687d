"""Heat: one heatsink for both channels, a junction rise for each channel, and the air inside the set.

Each is one thermal mass, so that any stretch of constant dissipation advances in closed form.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Thermal:
    """Resistances in K/W, time constants in s, ambient in degrees Celsius."""

    ambient_c: float = 22.0
    sink_k_per_w: float = 0.62
    sink_tau_s: float = 420.0
    junction_k_per_w: float = 0.35
    junction_tau_s: float = 2.0
    inside_k_per_w: float = 0.55
    inside_tau_s: float = 190.0
    rated_c: float = 175.0
    """Junction temperature at which an output device dies."""


@dataclass
class ThermalState:
    """Temperature rises above ambient, K."""

    thermal: Thermal
    sink_k: float = 0.0
    junction_k: list[float] = field(default_factory=lambda: [0.0, 0.0])
    """Of each channel's junctions above the heatsink."""
    inside_k: float = 0.0

    def advance(self, seconds: float, watts: tuple[float, float]) -> None:
        """Exact for constant dissipation ``watts`` per channel."""
        t = self.thermal
        total = watts[0] + watts[1]
        self.sink_k = _toward(self.sink_k, total * t.sink_k_per_w, seconds / t.sink_tau_s)
        self.inside_k = _toward(self.inside_k, total * t.inside_k_per_w, seconds / t.inside_tau_s)
        for c in (0, 1):
            self.junction_k[c] = _toward(self.junction_k[c], watts[c] * t.junction_k_per_w, seconds / t.junction_tau_s)

    def junction_rise(self, channel: int) -> float:
        """Junction above ambient, K."""
        return self.sink_k + self.junction_k[channel]

    @property
    def sink_c(self) -> float:
        return self.thermal.ambient_c + self.sink_k


def _toward(value: float, target: float, times: float) -> float:
    return target + (value - target) * math.exp(-times)
