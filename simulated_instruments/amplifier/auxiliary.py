"""The auxiliary rails: a dropper resistor from each main rail and a zener diode across the small-signal stages."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchtest.instruments.protocols import FloatArray


@dataclass(frozen=True)
class Auxiliary:
    """Per polarity. An open dropper or zener is an infinite resistance; a shorted zener has zener_v = 0."""

    zener_v: float = 15.0
    zener_ohm: float = 8.0
    dropper_ohm: float = 820.0
    load_a: float = 0.015

    def volts(self, rail: FloatArray | float) -> FloatArray:
        """Output for this rail voltage (magnitudes), so with what is left of the rail's ripple.

        >>> float(Auxiliary().volts(42.0).round(1))
        15.1
        """
        starved = np.asarray(rail) - self.dropper_ohm * self.load_a if np.isfinite(self.dropper_ohm) else np.array(0.0)
        share = 1.0 / (1.0 + self.dropper_ohm / self.zener_ohm)  # 0 with the dropper open, 1 with the zener open
        if not np.isfinite(self.zener_ohm):
            share = 1.0
        regulated = self.zener_v + share * (starved - self.zener_v)
        return np.maximum(np.where(starved > self.zener_v, regulated, starved), 0.0)

    def drawn(self, rail: float) -> float:
        """Current taken from the main rail, A."""
        # the same as ``volts``, for a single number: asked for at every step of the supply
        starved = rail - self.dropper_ohm * self.load_a if math.isfinite(self.dropper_ohm) else 0.0
        share = 1.0 / (1.0 + self.dropper_ohm / self.zener_ohm) if math.isfinite(self.zener_ohm) else 1.0
        regulated = self.zener_v + share * (starved - self.zener_v)
        volts = max(regulated if starved > self.zener_v else starved, 0.0)
        return max(0.0, (rail - volts) / self.dropper_ohm)
