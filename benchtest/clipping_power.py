"""Power at a stated THD, from power at another one, for an output that clips hard: the forms in which makers quote power.

A sine of amplitude A, clipped symmetrically at 1 (A above 1): mean square and fundamental in closed form. Real outputs clip a
little softer, so a figure from here is computed, is marked computed, and is never driven. Pure.
"""

from __future__ import annotations

import math

HIGHEST_DRIVE = 50.0


def clipped_sine(drive: float) -> tuple[float, float]:
    """Mean square, and THD (ratio to the fundamental), of a sine of amplitude ``drive`` clipped at 1.

    >>> mean_square, thd = clipped_sine(1.0)
    >>> round(mean_square, 6), round(thd, 6)
    (0.5, 0.0)
    """
    if not drive >= 1.0:
        raise ValueError(f"a drive of {drive!r}. Expected 1 (the knee) or more.")
    angle = math.asin(1.0 / drive)
    corner = math.sqrt(1.0 - 1.0 / drive**2) / drive
    mean_square = drive**2 / math.pi * (angle - corner) + 1.0 - 2.0 * angle / math.pi
    fundamental = 2.0 * drive / math.pi * (angle + corner)
    return mean_square, math.sqrt(max(0.0, 2.0 * mean_square - fundamental**2)) / fundamental


def power_over_knee(thd: float) -> float:
    """Power at this THD over power at the knee, for hard clipping.

    >>> round(power_over_knee(0.01), 3), round(power_over_knee(0.10), 2)
    (1.048, 1.29)
    """
    if not 0.0 < thd < 0.4:
        raise ValueError(f"a THD of {thd!r}. Expected a ratio above 0, below 0.4.")
    low, high = 1.0, HIGHEST_DRIVE
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if clipped_sine(middle)[1] < thd else (low, middle)
    return clipped_sine(high)[0] / 0.5


def power_at(thd: float, measured_w: float, measured_thd: float) -> float:
    """Power at ``thd``, computed from the power measured at ``measured_thd`` (both ratios), for hard clipping."""
    return measured_w * power_over_knee(thd) / power_over_knee(measured_thd)
