"""Whether a record was clipped: it rests on one and the same extreme value for longer than a smooth peak can."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

MIN_RUN = 3


def clipped(samples: ArrayLike, *, full_scale: float | None = None) -> bool:
    """True if one channel shows a flat top at its highest or lowest value, or reaches ``full_scale``.

    A converter that clips repeats its last code; so does a coarse converter at the top of a slow, unclipped sine. The
    two are told apart by the curve beside the top: within a step g of its peak A a sine stays for about sqrt(2 g / A)
    / pi of the time, and a clipped one for much longer than the gap to the next value allows. A constant is not
    clipped, and neither is a square wave, which never leaves its tops for a value in between.

    Parameters
    ----------
    samples : array_like, shape (n,)
    full_scale : float, optional
        The converter's limit in the unit of the samples; 0.9999 of it counts as reached.

    Examples
    --------
    >>> x = np.sin(np.arange(1000) / 20)
    >>> clipped(x), clipped(np.clip(x, -0.9, 0.9))
    (False, True)
    """
    x = np.asarray(samples, dtype=np.float64)
    if len(x) == 0:
        return False
    high, low = float(np.max(x)), float(np.min(x))
    if full_scale is not None and max(high, -low) >= 0.9999 * full_scale:
        return True
    return any(_flat_top(x, extreme, (high + low) / 2, (high - low) / 2) for extreme in (high, low))


def _flat_top(x: FloatArray, extreme: float, centre: float, swing: float) -> bool:
    if not 0.0 < swing < np.inf:
        return False
    at = np.flatnonzero(x == extreme)
    if len(at) < MIN_RUN or not np.any(at[2:] - at[:-2] == 2):
        return False
    # The next value below the top is wanted, and it stands beside a top: samples next to those at the extreme.
    beside = np.concatenate([at - 1, at + 1])
    beside = beside[(beside >= 0) & (beside < len(x))]
    distance = np.abs(x[beside] - extreme)
    distance = distance[distance > 0.0]
    if len(distance) == 0:
        return False
    gap = float(np.min(distance))
    expected = len(x) * np.sqrt(min(1.0, gap / swing)) * np.sqrt(2.0) / np.pi
    return bool(len(at) > 4.0 * expected + 2)
