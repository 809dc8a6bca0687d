"""The idle current: what the bias circuit sets, and how heat moves it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .output_stage import THERMAL_VOLTAGE

BASE_EMITTER_V_PER_K = 2.1e-3
"""Fall of a base-emitter voltage at constant current per kelvin, V; common practice, no source."""


@dataclass(frozen=True)
class Bias:
    """idle_a is the current of each device when everything stands at the temperatures of a warm idle set.

    trim_v moves the voltage on each base from the right setting (positive: more current). tracking is the share of a
    junction's fall with temperature that the sensor on the heatsink takes back: 1 is perfect, 0 a sensor in the air.
    """

    idle_a: float = 0.05
    trim_v: float = 0.0
    tracking: float = 0.95
    junction_k: float = 18.0
    """Junction above ambient for which idle_a holds."""
    sink_k: float = 15.0
    """Heatsink above ambient for which idle_a holds."""

    def idle(self, junction_k: float, sink_k: float, emitter_ohm: float) -> float:
        """Idle current of one device, A, with junction and heatsink so far above ambient.

        Examples
        --------
        >>> bias = Bias()
        >>> round(bias.idle(bias.junction_k, bias.sink_k, 0.33), 6)
        0.05
        """
        drift = BASE_EMITTER_V_PER_K * ((junction_k - self.junction_k) - self.tracking * (sink_k - self.sink_k))
        return idle_current(self.idle_a, self.trim_v + drift, emitter_ohm)


def idle_current(nominal_a: float, extra_v: float, emitter_ohm: float) -> float:
    """Solve Vt ln(i / nominal) + (i - nominal) R = extra for i."""
    vt = THERMAL_VOLTAGE
    r = max(emitter_ohm, 1e-6)
    target = math.log(nominal_a * r / vt) + (extra_v + nominal_a * r) / vt
    # Wright's omega: w + ln w = target; Newton in w, a few steps
    w = math.exp(target) if target < 0.0 else max(1e-12, target - math.log(max(target, 1.0)) + 1e-9)
    if target < -30.0:
        return w * vt / r
    for _ in range(20):
        step = w * (target - w - math.log(w)) / (1.0 + w)
        w += step
        if abs(step) < 1e-12 * w:
            break
    return w * vt / r
