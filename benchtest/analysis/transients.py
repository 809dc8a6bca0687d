"""Thumps (peak, duration, energy) and the edges of square waves (rise time, overshoot)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchtest.analysis.records import check_rate, one_channel

FloatArray = NDArray[np.float64]

ABOVE_NOISE = 6.0
"""A transient stands this many standard deviations of the quiet part above it; 1e6 samples of noise reach 5."""


@dataclass(frozen=True)
class Transient:
    """A thump, relative to the level before it.

    peak is signed, in the unit of the samples (volts), at peak_s after the first sample; start_s and duration_s bound
    the time in which it stays above a tenth of the peak (or above the noise, where that is more); energy is the
    integral of the square over that time, V^2 s: divide by the load in ohms for joules. settled is False where the
    record ends first.
    """

    peak: float
    peak_s: float
    start_s: float
    duration_s: float
    energy: float
    settled: bool


def transient(samples: ArrayLike, sample_rate: float, *, quiet_s: float = 0.1, share: float = 0.1) -> Transient | None:
    """Measure the largest transient of a record.

    Parameters
    ----------
    samples : array_like, shape (n,), V
    sample_rate : float, Hz
    quiet_s : float, seconds
        The record begins with so much rest, from which the level before the transient and the noise are taken (a
        tenth of the record, where that is less).
    share : float
        The transient lasts while it is above this share of its peak.

    Returns
    -------
    Transient or None
        None where nothing rises above the noise.

    Raises
    ------
    ValueError
        If the shape is wrong or a sample is not finite.

    Notes
    -----
    Own method: no standard at hand defines the duration of a thump. A sound card's input is AC-coupled, so slow parts
    (a drifting offset) are not in the record, and a long thump shows an undershoot that is the input's own.

    Examples
    --------
    >>> x = np.zeros(1000)
    >>> x[500:600] = -2.0
    >>> found = transient(x, 1000.0)
    >>> found.peak, found.start_s, found.duration_s, round(found.energy, 6), found.settled
    (-2.0, 0.5, 0.1, 0.4, True)
    """
    x = one_channel(samples)
    rate = check_rate(sample_rate)
    rest = x[: max(4, min(round(quiet_s * rate), len(x) // 10))]
    level = float(np.median(rest))
    noise = float(np.std(rest))
    y = x - level
    at = int(np.argmax(np.abs(y)))
    peak = float(y[at])
    if not abs(peak) > max(ABOVE_NOISE * noise, 1e-12 * float(np.max(np.abs(x)))):
        return None
    threshold = max(share * abs(peak), min(ABOVE_NOISE * noise, 0.99 * abs(peak)))
    above = np.flatnonzero(np.abs(y) >= threshold)
    first, last = int(above[0]), int(above[-1])
    return Transient(
        peak=peak,
        peak_s=at / rate,
        start_s=first / rate,
        duration_s=(last - first + 1) / rate,
        energy=float(np.sum(y[first : last + 1] ** 2)) / rate,
        settled=last < len(x) - 1,
    )


@dataclass(frozen=True)
class Edges:
    """What a square wave's edges look like.

    low and high are the settled levels; rise_s and fall_s the times from 10 to 90 % of the step (mean over the edges,
    None where there is none); overshoot the largest excursion beyond the settled level after an edge, relative to the
    step; slew the largest slope, in units of the samples per second.
    """

    low: float
    high: float
    rise_s: float | None
    fall_s: float | None
    overshoot: float
    slew: float


def edges(samples: ArrayLike, sample_rate: float) -> Edges:
    """Rise time and overshoot of a square wave of several cycles.

    The settled levels are the medians of the upper and the lower half of the samples, so each half cycle must have
    settled for most of its time. Crossings are interpolated between samples; a rise time below two samples is the
    sound card's.

    Raises
    ------
    ValueError
        If the shape is wrong, a sample is not finite, or the record is constant.

    Examples
    --------
    >>> ramp = np.concatenate([np.zeros(20), np.linspace(0, 1, 11), np.ones(20)])
    >>> found = edges(np.tile(np.concatenate([ramp, ramp[::-1]]), 3), 1000.0)
    >>> round(found.rise_s, 6), round(found.fall_s, 6), found.overshoot, round(found.slew, 6)
    (0.008, 0.008, 0.0, 100.0)
    """
    x = one_channel(samples)
    rate = check_rate(sample_rate)
    middle = (float(np.max(x)) + float(np.min(x))) / 2
    upper, lower = x[x > middle], x[x <= middle]
    if len(upper) == 0 or len(lower) == 0 or not float(np.max(x)) > float(np.min(x)):
        raise ValueError("the record is constant. Expected a square wave of several cycles: check cable and level.")
    high, low = float(np.median(upper)), float(np.median(lower))
    step = high - low
    up_10, up_90 = low + 0.1 * step, low + 0.9 * step
    excess = max(float(np.max(x)) - high, low - float(np.min(x)), 0.0)
    return Edges(
        low=low,
        high=high,
        rise_s=_edge_time(x, up_10, up_90, rate),
        fall_s=_edge_time(-x, -up_90, -up_10, rate),
        overshoot=excess / step,
        slew=float(np.max(np.abs(np.diff(x)))) * rate,
    )


def _edge_time(x: FloatArray, start: float, stop: float, rate: float) -> float | None:
    """Mean time from an upward crossing of ``start`` to the next upward crossing of ``stop``."""
    first, second = _upward(x, start), _upward(x, stop)
    if len(first) == 0 or len(second) == 0:
        return None
    index = np.searchsorted(second, first)
    first, index = first[index < len(second)], index[index < len(second)]
    if len(first) == 0:
        return None
    # Of several crossings of the lower level before one of the upper, the last belongs to the edge.
    last = np.concatenate([index[1:] != index[:-1], [True]])
    return float(np.mean(second[index[last]] - first[last])) / rate


def _upward(x: FloatArray, level: float) -> FloatArray:
    """Fractional sample positions at which x rises through a level."""
    at = np.flatnonzero((x[:-1] < level) & (x[1:] >= level))
    result: FloatArray = at + (level - x[at]) / (x[at + 1] - x[at])
    return result
