"""Levels of tone bursts: what the amplifier delivers for 20 ms before its supply sags. For dynamic headroom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from benchtest.analysis.harmonics import harmonic_fit
from benchtest.analysis.records import check_rate, one_channel
from benchtest.analysis.timing import running_amplitude


@dataclass(frozen=True)
class Burst:
    """One burst: where it begins (frame), rms of its fundamental, its THD (plain ratio) and its highest sample."""

    first: int
    level: float
    thd: float
    peak: float


def burst_levels(
    samples: ArrayLike,
    sample_rate: float,
    frequency_hz: float,
    *,
    on_s: float = 0.020,
    settle_s: float = 0.002,
) -> tuple[Burst, ...]:
    """Find bursts of a tone above a lower level of the same tone (or silence) and measure the inside of each.

    Parameters
    ----------
    samples : array_like, shape (n,)
    frequency_hz : float, Hz, of the tone
    on_s : float, seconds, how long a burst lasts
    settle_s : float, seconds, left out at either end of a burst, where filters ring

    Returns
    -------
    tuple of Burst
        In their order; empty where there is none. A burst that the record cuts off is left out.

    Raises
    ------
    ValueError
        If fewer than three cycles are left of a burst, or the input is malformed.

    Examples
    --------
    >>> from benchtest.signals import bursts
    >>> found = burst_levels(bursts(1000.0, 1.0, 48000, count=2), 48000, 1000.0)
    >>> [round(burst.level, 4) for burst in found]
    [0.7071, 0.7071]
    """
    x = one_channel(samples)
    rate = check_rate(sample_rate)
    inside = on_s - 2 * settle_s
    if not (0.0 < frequency_hz < rate / 2 and inside * frequency_hz >= 3.0):
        raise ValueError(
            f"bursts of {on_s!r} s of {frequency_hz!r} Hz, {settle_s!r} s left out at either end. Expected three cycles or "
            "more inside, below half the sample rate."
        )
    window = max(4, round(rate / frequency_hz))
    if len(x) < 4 * window or not float(np.max(np.abs(x))) > 0.0:
        return ()
    amplitude = np.abs(running_amplitude(x / float(np.max(np.abs(x))), rate, frequency_hz, window))
    above = amplitude > 0.5 * float(np.quantile(amplitude, 1.0 - 0.5 * min(1.0, on_s * rate / len(x))))
    marks = np.flatnonzero(np.diff(np.concatenate([[False], above, [False]]).astype(np.int8)))
    found = []
    for start, stop in zip(marks[::2], marks[1::2], strict=True):
        # Half amplitude is reached when half the window lies in the burst.
        first, last = int(start) + window // 2, int(stop) + window // 2
        long_enough = abs((last - first) - on_s * rate) <= 0.25 * on_s * rate + window
        if not long_enough or start == 0 or stop == len(amplitude):
            continue
        cut = x[first + round(settle_s * rate) : first + round((on_s - settle_s) * rate)]
        fit = harmonic_fit(cut, rate, frequency_hz=frequency_hz)
        levels = fit.levels
        distortion = float(np.linalg.norm(levels[1:]) / levels[0]) if len(levels) > 1 else 0.0
        found.append(Burst(first, float(levels[0] / np.sqrt(2.0)), distortion, float(np.max(np.abs(cut)))))
    return tuple(found)
