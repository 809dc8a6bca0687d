"""Noise reading of ITU-R BS.468-4: the weighting network followed by a quasi-peak detector.

The Recommendation prints no time constants, only eleven windows for tone bursts. The detector here is a full-wave
rectifier, a peak store that rises and falls with unequal time constants, and a symmetrical reading device of one pole,
fitted to the middles of those windows; all readings lie within half of the printed tolerances (tested). How such a meter
reads noise is not pinned down further by the Recommendation: say in a reading's method that it is this fit.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy import fft
from numpy.typing import ArrayLike, NDArray

from benchtest.analysis.records import check_rate, one_channel
from benchtest.analysis.transforms import fast_length
from benchtest.analysis.weighting import itu_r_468_response

FloatArray = NDArray[np.float64]

# Least squares in the logarithms of the time constants, each deviation relative to half the tolerance on its side.
RISE_S = 1.479e-3
FALL_S = 0.2908
READING_S = 0.1401

SETTLE_S = 1.0
"""Of a longer record, so much is left out of the mean reading while the detector settles."""


@dataclass(frozen=True)
class QuasiPeak:
    """What the meter shows, in the unit of the samples, calibrated to read the rms value of a steady 1 kHz sine.

    mean : average of the pointer after it has settled; highest : its highest position.
    """

    mean: float
    highest: float


def detector(samples: FloatArray, sample_rate: float) -> FloatArray:
    """Pointer position of the quasi-peak meter at every sample, not weighted, before calibration.

    One pass in plain Python: the rise and the fall make it non-linear, so there is no filter to call.
    """
    rise = 1.0 - float(np.exp(-1.0 / (sample_rate * RISE_S)))
    keep = float(np.exp(-1.0 / (sample_rate * FALL_S)))
    follow = 1.0 - float(np.exp(-1.0 / (sample_rate * READING_S)))
    store = pointer = 0.0
    shown = []
    for value in np.abs(samples).tolist():
        above = value - store
        if above > 0.0:
            store += rise * above
        else:
            store *= keep
        pointer += follow * (store - pointer)
        shown.append(pointer)
    return np.array(shown)


@lru_cache(maxsize=8)
def _calibration(sample_rate: float) -> float:
    """Steady pointer for a 1 kHz sine of 1 V rms (below 8 kHz sample rate: of an eighth of the rate)."""
    frequency = min(1000.0, sample_rate / 8)
    # Ten time constants of the pointer and nearly as many of the store.
    t = np.arange(round(2.5 * sample_rate)) / sample_rate
    pointer = detector(np.sqrt(2.0) * np.sin(2 * np.pi * frequency * t), sample_rate)
    return float(np.mean(pointer[-round(0.1 * sample_rate) :]))


def quasi_peak(samples: ArrayLike, sample_rate: float, *, weighted: bool = True) -> QuasiPeak:
    """Quasi-peak reading of one channel.

    Parameters
    ----------
    samples : array_like, shape (n,)
        Two seconds or more for a settled reading of noise; one burst and a second for a burst.
    sample_rate : float, Hz
        44100 or more, or the network's top is not in the record.
    weighted : bool
        False leaves the network out ("unweighted", to be band-limited to 22 Hz to 22 kHz by its own means).

    Raises
    ------
    ValueError
        If the shape is wrong or a sample is not finite.

    Examples
    --------
    >>> t = np.arange(2 * 48000) / 48000
    >>> round(quasi_peak(np.sqrt(2) * np.sin(2 * np.pi * 1000 * t), 48000).mean, 3)
    1.0
    """
    x = one_channel(samples)
    rate = check_rate(sample_rate)
    largest = float(np.max(np.abs(x)))
    if not largest > 1e-300:
        return QuasiPeak(0.0, 0.0)
    y = x / largest
    if weighted:
        # Padded by what the network rings: its slowest pole, 4 kHz, is gone within milliseconds.
        size = fast_length(len(y) + round(0.02 * rate))
        frequency = np.arange(size // 2 + 1) * (rate / size)
        y = fft.irfft(fft.rfft(y, size) * itu_r_468_response(frequency), size)[: len(y)]
    pointer = detector(y, rate) * (largest / _calibration(rate))
    settled = pointer[min(round(SETTLE_S * rate), len(pointer) // 2) :]
    return QuasiPeak(float(np.mean(settled)), float(np.max(pointer)))
