"""Non-linear stages without aliasing: eight times oversampling, and antiderivative clipping on top of it.

Both stages delay by ``LATENCY`` frames and work only where they are needed: the clipper in the frame intervals where
the signal passes a limit, the curve where the signal is fast enough for its harmonics to fold.

Method: the excess over a limit is the function max(u, 0); its mean over a straight piece of signal is taken in closed
form from its antiderivative u^2/2 (first-order antiderivative antialiasing; Parker, Zavalishin, Le Bivic, DAFx 2016,
from memory), on pieces of an eighth of a frame, then low-passed and brought back to the frame rate.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_FACTOR = 8
_INTERPOLATE = 10
"""Half length of the interpolator, frames."""
_DECIMATE = 16
"""Half length of the decimator, frames."""
LATENCY = _INTERPOLATE + _DECIMATE
"""Frames by which a stage delays."""


def _sinc_kernel(t: FloatArray, half_length: float, cutoff: float, beta: float) -> FloatArray:
    """Kaiser-windowed low-pass at times ``t`` in frames; ``cutoff`` as a share of the frame rate."""
    inside = np.clip(1.0 - (t / half_length) ** 2, 0.0, None)
    window = np.where(np.abs(t) < half_length, np.i0(beta * np.sqrt(inside)) / np.i0(beta), 0.0)
    return np.asarray(2.0 * cutoff * np.sinc(2.0 * cutoff * t) * window, dtype=np.float64)


def _interpolator(offsets: FloatArray) -> FloatArray:
    """Taps, shape (2 * _INTERPOLATE, len(offsets)): the signal at ``offsets`` frames after frame m, from frames
    m - _INTERPOLATE + 1 .. m + _INTERPOLATE. Each column sums to one, so that a constant stays itself."""
    j = np.arange(-_INTERPOLATE + 1, _INTERPOLATE + 1)[:, None]
    taps = _sinc_kernel(offsets[None, :] - j, _INTERPOLATE + 0.5, 0.5, 8.6)
    return np.asarray(taps / taps.sum(axis=0), dtype=np.float64)


_EDGES = (np.arange(_FACTOR + 1) - 0.5) / _FACTOR
_TO_EDGES = _interpolator(_EDGES)
_CENTRES = np.arange(_FACTOR) / _FACTOR
_TO_POINTS = _interpolator(_CENTRES[::2])
_REACH = np.arange(-_DECIMATE, _DECIMATE + 1)
_FROM_BOXES = _sinc_kernel(_REACH[:, None] - _CENTRES[None, :], _DECIMATE, 0.45, 8.0)
_FROM_BOXES /= _FROM_BOXES.sum()
_FROM_POINTS = _sinc_kernel(_REACH[:, None] - _CENTRES[None, ::2], _DECIMATE, 0.45, 8.0)
_FROM_POINTS /= _FROM_POINTS.sum()


@dataclass
class _Accumulator:
    """Collects what each frame interval contributes to the frames around it."""

    tail: FloatArray = field(default_factory=lambda: np.zeros(2 * _DECIMATE))
    live: bool = False

    def add(self, n: int, index: NDArray[np.intp] | None, parts: FloatArray) -> FloatArray:
        """``parts`` (2 * _DECIMATE + 1, k): contributions of intervals ``index`` (all n of them when None)."""
        if parts.shape[1] == 0:
            if not self.live:
                return np.zeros(n)
            total = np.concatenate([self.tail, np.zeros(n)])
            self.live = n < len(self.tail)
        else:
            total = np.concatenate([self.tail, np.zeros(n)])
            if index is None:
                for j, row in enumerate(parts):
                    total[j : j + n] += row
            else:
                for j, row in enumerate(parts):
                    total[index + j] += row
            self.live = True
        self.tail = total[n:].copy()
        return total[:n]


@dataclass
class Clipper:
    """Clips to moving limits; what it returns is band-limited and LATENCY frames late."""

    _x: FloatArray = field(default_factory=lambda: np.zeros(0))
    _high: FloatArray = field(default_factory=lambda: np.zeros(0))
    _low: FloatArray = field(default_factory=lambda: np.zeros(0))
    _excess: _Accumulator = field(default_factory=_Accumulator)
    _limited: bool = False
    active: bool = False
    """True where the last block passed a limit."""

    def clear(self) -> None:
        self._x = np.zeros(0)
        self._excess = _Accumulator()
        self._limited = False

    def __call__(self, x: FloatArray, low: FloatArray | None, high: FloatArray | None) -> FloatArray:
        """``x``, ``low``, ``high``: (n,) volts; no limits where none is near. Returns (n,) volts."""
        n = len(x)
        keep = LATENCY + _INTERPOLATE
        if len(self._x) == 0:
            self._x, self._low, self._high = np.zeros(keep), np.full(keep, -np.inf), np.full(keep, np.inf)
        joined = np.concatenate([self._x, x])
        self._x = joined[n:].copy()
        delayed = joined[keep - LATENCY : keep - LATENCY + n]
        if low is None or high is None:
            if self._limited:
                low, high = np.full(n, self._low[-1]), np.full(n, self._high[-1])
                self._limited = False
            else:
                self.active = False
                return delayed - self._excess.add(n, None, np.zeros((0, 0))) if self._excess.live else delayed
        else:
            if not self._limited:  # the limits that were not asked for stood where they now begin
                self._low, self._high = np.full(keep, low[0]), np.full(keep, high[0])
            self._limited = True
        lows, highs = np.concatenate([self._low, low]), np.concatenate([self._high, high])
        self._low, self._high = lows[n:].copy(), highs[n:].copy()
        # interval i starts at frame `first + i` of the joined array; its interpolator reaches _INTERPOLATE frames on
        first = len(joined) - n - _INTERPOLATE
        start = joined[first : first + n]
        after, before = joined[first + 1 : first + n + 1], joined[first - 1 : first + n - 1]
        bulge = 0.3 * np.abs(after - 2.0 * start + before)
        highest, lowest = np.maximum(start, after) + bulge, np.minimum(start, after) - bulge
        touched = (highest > highs[first : first + n]) | (lowest < lows[first : first + n])
        self.active = bool(touched.any())
        if not self.active:
            return delayed - self._excess.add(n, None, np.zeros((0, 0)))
        boxes, index = self._boxes(joined, lows, highs, first, touched)
        return delayed - self._excess.add(n, index, _FROM_BOXES @ boxes)

    def _boxes(
        self, joined: FloatArray, lows: FloatArray, highs: FloatArray, first: int, touched: NDArray[np.bool_]
    ) -> tuple[FloatArray, NDArray[np.intp] | None]:
        """Mean excess over each eighth of the touched intervals, (8, k), and which intervals these are."""
        n = len(touched)
        index: NDArray[np.intp] | None = np.flatnonzero(touched)
        assert index is not None
        windows = sliding_window_view(joined, 2 * _INTERPOLATE)[first - _INTERPOLATE + 1 :][:n]
        if 4 * len(index) > n:
            index = None
            edges = _TO_EDGES.T @ windows.T
            span = slice(first, first + n)
            high, low = highs[span], lows[span]
            high_step, low_step = highs[first + 1 : first + n + 1] - high, lows[first + 1 : first + n + 1] - low
        else:
            edges = _TO_EDGES.T @ windows[index].T
            high, low = highs[first + index], lows[first + index]
            high_step, low_step = highs[first + index + 1] - high, lows[first + index + 1] - low
        above = edges - high
        above -= _EDGES[:, None] * high_step
        below = low - edges
        below += _EDGES[:, None] * low_step
        return _mean_excess(above) - _mean_excess(below), index


def _mean_excess(u: FloatArray) -> FloatArray:
    """Mean of max(u, 0) over the straight pieces between the rows of ``u``."""
    positive = np.maximum(u, 0.0)
    total = positive[1:] + positive[:-1]
    size = np.abs(u)
    span = size[1:] + size[:-1]
    span += 1e-30
    total *= total
    total /= span
    total *= 0.5
    return total


@dataclass
class Curve:
    """A smooth curve applied point by point; four times oversampled where the signal is fast.

    Both ways give what is asked for of the same frame, so that one may follow the other without a step.
    """

    _x: FloatArray = field(default_factory=lambda: np.zeros(0))

    def clear(self) -> None:
        self._x = np.zeros(0)

    def __call__(self, x: FloatArray, function: Table, *, fast: bool) -> FloatArray:
        """``x`` (n,); returns function(x), LATENCY frames late."""
        n = len(x)
        keep = 2 * LATENCY
        if len(self._x) == 0:
            self._x = np.zeros(keep)
        joined = np.concatenate([self._x, x])
        self._x = joined[n:].copy()
        if not fast:
            return function(joined[keep - LATENCY : keep - LATENCY + n])
        # intervals from _DECIMATE frames before the first frame given out to as many after the last
        first, wide = keep - LATENCY - _DECIMATE, n + 2 * _DECIMATE
        windows = sliding_window_view(joined, 2 * _INTERPOLATE)[first - _INTERPOLATE + 1 :][:wide]
        parts = _FROM_POINTS @ function(_TO_POINTS.T @ windows.T)
        total = np.zeros(n)
        for j, row in enumerate(parts):
            total += row[2 * _DECIMATE - j : 2 * _DECIMATE - j + n]
        return total


@dataclass(frozen=True)
class Table:
    """A function tabulated at even steps, straight between them and beyond the ends."""

    start: float
    step: float
    values: FloatArray
    slopes: FloatArray

    @classmethod
    def of(cls, x: FloatArray, y: FloatArray, *, points: int = 8192) -> Table:
        """Resample (x, y), x rising, to even steps."""
        even = np.linspace(x[0], x[-1], points)
        values = np.interp(even, x, y)
        slopes = np.diff(values)
        return cls(float(even[0]), float(even[1] - even[0]), values[:-1].copy(), slopes)

    def __call__(self, x: FloatArray) -> FloatArray:
        position = x * (1.0 / self.step)
        position -= self.start / self.step
        index = position.astype(np.int32)
        np.clip(index, 0, len(self.values) - 1, out=index)
        position -= index
        position *= self.slopes[index]
        position += self.values[index]
        return position
