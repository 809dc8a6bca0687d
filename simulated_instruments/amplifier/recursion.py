"""Recursive filters of low order: what scipy.signal.lfilter computes, without the second that its package takes to import.

y[n] = sum b[k] x[n-k] - sum a[k] y[n-k] is a lower triangular banded system, which BLAS solves in one call. The memory is
that of the transposed direct form II, as lfilter's.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.blas import dtbsv

FloatArray = NDArray[np.float64]

_BLOCK = 20480
"""Frames solved at a time: a block of the rendering."""


def lfilter(b: FloatArray, a: FloatArray, x: FloatArray, memory: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Filter ``x`` (n,); returns the output and the memory after it.

    Parameters
    ----------
    b, a : ndarray
        Coefficients with a[0] = 1.
    memory : ndarray, shape (max(len(a), len(b)) - 1,)

    Examples
    --------
    >>> y, memory = lfilter(np.array([1.0]), np.array([1.0, -0.5]), np.array([1.0, 0.0, 0.0]), np.zeros(1))
    >>> y.tolist(), memory.tolist()
    ([1.0, 0.5, 0.25], [0.125])
    """
    n, order = len(x), len(memory)
    if n < order:  # too short for the memory to be told from its end: one step at a time
        return _stepwise(b, a, x, memory)
    if n > _BLOCK:
        parts = []
        for first in range(0, n, _BLOCK):
            part, memory = lfilter(b, a, x[first : first + _BLOCK], memory)
            parts.append(part)
        return np.concatenate(parts), memory
    y = np.convolve(x, b)[:n]
    y[:order] += memory
    if len(a) > 1:
        y = dtbsv(len(a) - 1, _band(tuple(a.tolist()))[:, :n], y, lower=1, diag=1, overwrite_x=1)
    bs, as_ = [*b.tolist(), *[0.0] * (order + 1 - len(b))], [*a.tolist(), *[0.0] * (order + 1 - len(a))]
    past_x, past_y = x[n - order :][::-1].tolist(), y[n - order :][::-1].tolist()
    after = [
        sum(bs[i + 1 + k] * past_x[k] - as_[i + 1 + k] * past_y[k] for k in range(order - i)) for i in range(order)
    ]
    return y, np.array(after, dtype=np.float64)


@lru_cache(maxsize=64)
def _band(a: tuple[float, ...]) -> FloatArray:
    """The banded matrix for the longest block, (len(a), _BLOCK); kept, since to fill it costs as much as to solve it."""
    band = np.empty((len(a), _BLOCK), order="F")
    band[:] = np.array(a)[:, None]
    return band


def _stepwise(b: FloatArray, a: FloatArray, x: FloatArray, memory: FloatArray) -> tuple[FloatArray, FloatArray]:
    order = len(memory)
    bb, aa = np.zeros(order + 1), np.zeros(order + 1)
    bb[: len(b)], aa[: len(a)] = b, a
    state = memory.copy()
    y = np.empty(len(x))
    for i, value in enumerate(x):
        y[i] = bb[0] * value + state[0]
        state[:-1] = state[1:]
        state[-1] = 0.0
        state += bb[1:] * value - aa[1:] * y[i]
    return y, state


def steady_memory(b: FloatArray, a: FloatArray) -> FloatArray:
    """The memory after a constant 1 for long, as scipy.signal.lfilter_zi.

    >>> steady_memory(np.array([0.5]), np.array([1.0, -0.5])).tolist()
    [0.5]
    """
    order = max(len(a), len(b)) - 1
    bb, aa = np.zeros(order + 1), np.zeros(order + 1)
    bb[: len(b)], aa[: len(a)] = b, a
    gain = bb.sum() / aa.sum()
    # state[i] = sum over k > i of (b[k] x - a[k] y) with x = 1, y = gain
    terms = bb[1:] - aa[1:] * gain
    result: FloatArray = np.cumsum(terms[::-1])[::-1].copy()
    return result
