"""Distortion figures from levels: the formulas alone. Levels come from ``harmonics`` and ``analyse``."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

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
