"""What every analysis asks of a record before it computes anything: shape, finite values, rate, band."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

MIN_FRAMES = 16
"""Fewer samples than this are not analysed."""

MIN_CYCLES = 3.0
"""Fewer cycles than this do not tell harmonics from one another."""


def one_channel(samples: ArrayLike, *, min_frames: int = MIN_FRAMES) -> FloatArray:
    """The samples of one channel as a contiguous float64 array of shape (n,).

    Raises
    ------
    ValueError
        If there is more than one channel, too few samples, or one that is not finite.
    """
    x = np.ascontiguousarray(samples, dtype=np.float64)
    if x.ndim == 2 and x.shape[1] == 1:
        x = np.ascontiguousarray(x[:, 0])
    if x.ndim != 1:
        raise ValueError(f"samples of shape {x.shape}. Expected one channel, shape (n,): choose one, such as x[:, 0].")
    _check_length_and_values(x, min_frames)
    return x


def all_channels(samples: ArrayLike, *, min_frames: int = MIN_FRAMES) -> FloatArray:
    """The samples as float64, shape (frames, channels); one dimension is taken for a single channel.

    Raises
    ------
    ValueError
        As ``one_channel``, and if there is no channel at all.
    """
    x = np.asarray(samples, dtype=np.float64)
    if x.ndim == 1:
        x = x[:, None]
    if x.ndim != 2 or x.shape[1] == 0:
        raise ValueError(f"samples of shape {x.shape}. Expected (frames, channels), one channel or more.")
    _check_length_and_values(x, min_frames)
    return x


def _check_length_and_values(x: FloatArray, min_frames: int) -> None:
    if len(x) < min_frames:
        raise ValueError(f"a record of {len(x)} samples. Expected {min_frames} or more: record for longer.")
    # The sum of the extremes is finite exactly when all samples are; it saves an array of truth values.
    if not np.isfinite(np.max(x)) or not np.isfinite(np.min(x)):
        bad = int(np.argmax(~np.isfinite(x).reshape(len(x), -1).all(axis=1)))
        raise ValueError(
            f"sample {bad} is not a finite number. Expected finite samples only: the capture is damaged, take it again."
        )


def check_rate(sample_rate: float) -> float:
    """The sample rate as a float above 0; ValueError otherwise."""
    if not (0.0 < sample_rate < np.inf):
        raise ValueError(f"sample rate {sample_rate!r} Hz. Expected a rate above 0 Hz, such as 96000.")
    return float(sample_rate)


def check_band(band_hz: tuple[float, float], sample_rate: float) -> tuple[float, float]:
    """The band with its upper end brought down to half the sample rate.

    Raises
    ------
    ValueError
        If nothing is left of it, or a limit is not a number.
    """
    low, high = float(band_hz[0]), float(band_hz[1])
    top = min(high, sample_rate / 2)
    if not (0.0 <= low < top) or not high < np.inf:
        raise ValueError(
            f"a band from {low:g} to {high:g} Hz at {sample_rate:g} frames per second. Expected 0 or more, rising, and "
            f"beginning below half the sample rate ({sample_rate / 2:g} Hz)."
        )
    return low, top


def check_fundamental(frequency_hz: float, frames: int, sample_rate: float) -> float:
    """A stated fundamental as a float.

    Raises
    ------
    ValueError
        If it is not between 0 and half the sample rate, or the record holds fewer than three cycles of it.
    """
    if not (0.0 < frequency_hz < sample_rate / 2):
        raise ValueError(
            f"a fundamental of {frequency_hz!r} Hz at {sample_rate:g} frames per second. Expected above 0 Hz and below "
            f"half the sample rate ({sample_rate / 2:g} Hz)."
        )
    cycles = frequency_hz * frames / sample_rate
    if not cycles >= MIN_CYCLES - 1e-6:
        raise ValueError(
            f"the record holds {cycles:.2f} cycles of {frequency_hz:g} Hz. Expected three or more: record for "
            f"{MIN_CYCLES / frequency_hz:g} s or longer."
        )
    return float(frequency_hz)
