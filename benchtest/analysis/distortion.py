"""Distortion figures: the formulas, from levels; and THD+N through a named band limit, from samples.

``analyse`` gives THD+N between brick-wall limits together with everything else.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchtest.analysis.band_limits import band_gain
from benchtest.analysis.records import check_fundamental, check_rate, one_channel
from benchtest.analysis.tone import take_apart
from benchtest.analysis.weighting import power_curve

FloatArray = NDArray[np.float64]


def thd(harmonics: ArrayLike) -> float:
    """Total harmonic distortion relative to the fundamental. Noise is not included.

    Parameters
    ----------
    harmonics : array_like, shape (n,), n >= 2
        Amplitudes of harmonics 1..n, V rms (any one linear unit will do).

    Returns
    -------
    float
        Ratio, not percent and not dB: 0.01 means 1 %.

    Raises
    ------
    ValueError
        If the shape is wrong, a value is not finite, or harmonic 1 is not > 0.

    References
    ----------
    .. [1] Blagouchine, Moreau, IEEE Trans. Commun. 59(9), 2011, doi:10.1109/TCOMM.2011.061511.100749

    Examples
    --------
    >>> thd([1.0, 0.03, 0.04])
    0.05
    """
    levels = np.asarray(harmonics, dtype=np.float64)
    if levels.ndim != 1 or len(levels) < 2:
        raise ValueError(f"harmonics of shape {levels.shape}. Expected the amplitudes of orders 1 and up, two or more.")
    if not np.all(np.isfinite(levels)):
        raise ValueError("a harmonic is not a finite number. Expected amplitudes in one linear unit.")
    if not levels[0] > 0.0:
        raise ValueError(
            f"a fundamental of {levels[0]!r}. Expected an amplitude above 0: there is nothing to relate to."
        )
    return float(np.linalg.norm(levels[1:]) / levels[0])


def of_total(of_fundamental: float) -> float:
    """A distortion relative to the fundamental, made relative to the total of fundamental and distortion.

    IEC 60268-3 relates to the total (clause numbers from memory); they part at high distortion: 50 % is 44.7 %.

    Examples
    --------
    >>> round(of_total(0.5), 4)
    0.4472
    """
    return float(of_fundamental / np.hypot(1.0, of_fundamental))


def of_fundamental(of_total: float) -> float:
    """The inverse of ``of_total``; a distortion of the total must be below 1.

    Examples
    --------
    >>> round(of_fundamental(0.4472136), 6)
    0.5
    """
    if not 0.0 <= of_total < 1.0:
        raise ValueError(f"a distortion of {of_total!r} of the total. Expected 0 or more, below 1.")
    return float(of_total / np.sqrt(1.0 - of_total**2))


def decibels(ratio: float) -> float | None:
    """20 lg of a ratio of amplitudes; None for 0, which has no level.

    Examples
    --------
    >>> decibels(0.1), decibels(0.0)
    (-20.0, None)
    """
    return float(20.0 * np.log10(ratio)) if ratio > 0.0 else None


def thd_n(
    samples: ArrayLike, sample_rate: float, *, fundamental_hz: float | None = None, band: str = "20 kHz"
) -> float | None:
    """THD+N relative to the fundamental through a named band limit: harmonics, hum and noise over the fundamental.

    Parameters
    ----------
    samples : array_like, shape (n,)
        One channel.
    fundamental_hz : float, optional
        Which line to look for, as in ``analyse``.
    band : str
        One of ``band_limits.BAND_LIMITS``. The fundamental itself is taken before it, as AES17 relates to the
        unfiltered output (from memory).

    Returns
    -------
    float or None
        A plain ratio; None where no fundamental stands above the noise.

    Raises
    ------
    ValueError
        As ``analyse``, and for an unknown band.

    Examples
    --------
    >>> t = np.arange(48000) / 48000
    >>> x = np.sin(2 * np.pi * 997 * t) + 0.01 * np.sin(2 * np.pi * 1994 * t)
    >>> round(thd_n(x, 48000, band="22 kHz"), 6)
    0.01
    """
    band_gain(band, 1000.0)
    x = one_channel(samples)
    rate = check_rate(sample_rate)
    if fundamental_hz is not None:
        fundamental_hz = check_fundamental(fundamental_hz, len(x), rate)
    parts = take_apart(x, rate, (0.0, rate / 2), fundamental_hz=fundamental_hz)
    if parts.fundamental is None:
        return None
    spectrum = parts.spectrum
    curve = power_curve(lambda f: band_gain(band, f), len(spectrum.power), spectrum.step_hz, spectrum.cycle_hz)
    order = np.arange(2, 2 + len(parts.harmonics))
    through = parts.harmonics / parts.scale * band_gain(band, order * parts.fundamental.frequency_hz)
    total = float(np.sum(through**2)) + spectrum.band(0.0, rate / 2, curve)
    if parts.hum is not None:
        levels = np.nan_to_num(parts.hum.levels) / parts.scale
        lines = parts.hum.mains_hz * np.arange(1, len(levels) + 1)
        total += float(np.sum((levels * band_gain(band, lines)) ** 2))
    return float(np.sqrt(total) / (parts.fundamental.level / parts.scale))
