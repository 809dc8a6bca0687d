"""The slope limit of the compensated stage, and the bend on the way to it.

The first stage charges the compensation capacitor. The error voltage at its input, referred to the output, is
y' / (2 pi f_closed) while it is linear; a pair bends it as the inverse hyperbolic tangent does, and beyond the slew
rate the output is a ramp.
"""

from __future__ import annotations

import math
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from .gain_stage import GainStage

FloatArray = NDArray[np.float64]


def slew_limited(y: FloatArray, before: float, stage: GainStage, noise_gain: float, rate: float) -> FloatArray:
    """``y`` (n,) volts with slope error and limit; ``before`` is the frame before the first.

    Examples
    --------
    >>> step = np.array([0.0, 10.0, 10.0, 10.0])
    >>> slew_limited(step, 0.0, GainStage(slew_v_per_s=4.0, degeneration=0.0), 25.0, 1.0)
    array([ 0.,  4.,  8., 10.])
    """
    most = stage.slew_v_per_s / rate
    change = y[1:] - y[:-1]
    steepest = max(abs(float(y[0]) - before), float(change.max(initial=0.0)), -float(change.min(initial=0.0)))
    if steepest < 0.03 * most:
        return y
    change = np.diff(y, prepend=before)
    if stage.degeneration > 0.0:
        ratio = np.clip(change / most, -0.99, 0.99)
        bend = np.arctanh(ratio) - ratio
        scale = stage.degeneration * stage.slew_v_per_s / (2.0 * math.pi * stage.gain_bandwidth_hz / noise_gain)
        y = y - scale * bend
    if steepest <= most:
        return y

    def follow(previous: float, wanted: float) -> float:
        step = wanted - previous
        return wanted if -most <= step <= most else previous + math.copysign(most, step)

    return np.fromiter(accumulate(y.tolist(), follow, initial=before), dtype=np.float64, count=len(y) + 1)[1:]
