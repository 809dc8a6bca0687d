"""Non-linear stages without aliasing: eight times oversampling, and antiderivative clipping on top of it.

Both stages delay by ``LATENCY`` frames and work only where they are needed: the clipper in the frame intervals where
the signal passes a limit, the curve where the signal is fast enough for its harmonics to fold.

Method: the excess over a limit is the function max(u, 0); its mean over a straight piece of signal is taken in closed
form from its antiderivative u^2/2 (first-order antiderivative antialiasing; Parker, Zavalishin, Le Bivic, DAFx 2016,
from memory), on pieces of an eighth of a frame, then low-passed and brought back to the frame rate.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import TypeVar

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
SingleArray = NDArray[np.float32]
Floats = TypeVar("Floats", FloatArray, SingleArray)

_FACTOR = 8
_INTERPOLATE = 5
"""Half length of the interpolator, frames: what lies below a quarter of the rate comes through flat, and its images,
above three quarters, are 90 dB down."""
_DECIMATE = 10
"""Half length of the decimator, frames."""
_PIECE = 4096
"""Frames worked on at a time where all are oversampled: what fits the processor's nearer cache."""
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


_CENTRES = np.arange(_FACTOR) / _FACTOR
_POINTS = np.arange(3) / 3
"""Where a fast curve is worked out, frames: harmonics of 20 kHz fold into the band from the twelfth on."""
_EDGES = (np.arange(_FACTOR + 1) - 0.5) / _FACTOR
_EDGES_32 = _EDGES[:, None].astype(np.float32)


def _to_edges() -> SingleArray:
    """Signal at the edges of the pieces of frame m, from frames m - _INTERPOLATE .. m + _INTERPOLATE, (edges, frames).

    The first edge is the last one of the frame before, by the same taps, so that pieces join.
    """
    taps = np.zeros((_FACTOR + 1, 2 * _INTERPOLATE + 1))
    taps[1:, 1:] = _interpolator(_EDGES[1:]).T
    taps[0, :-1] = taps[-1, 1:]
    return taps.astype(np.float32)


_TO_EDGES = _to_edges()
_TO_POINTS = np.ascontiguousarray(_interpolator(_POINTS).T, dtype=np.float32)
_REACH = np.arange(-_DECIMATE, _DECIMATE + 1)


def _decimator(centres: FloatArray) -> SingleArray:
    """Taps, (2 * _DECIMATE + 1, centres): what values at ``centres`` after frame m add to the frames around it."""
    taps = _sinc_kernel(_REACH[:, None] - centres[None, :], _DECIMATE, 0.45, 6.0)
    return np.asarray(taps / taps.sum(), dtype=np.float32)


_FROM_BOXES = _decimator(_CENTRES)
_FROM_POINTS = _decimator(_POINTS)


@dataclass
class _Accumulator:
    """Collects what each frame interval contributes to the frames around it."""

    tail: FloatArray = field(default_factory=lambda: np.zeros(2 * _DECIMATE))
    live: bool = False

    def ring_out(self, n: int) -> FloatArray:
        """What earlier intervals still contribute to the next ``n`` frames, nothing being added."""
        total = np.concatenate([self.tail, np.zeros(n)])
        self.tail, self.live = total[n:].copy(), n < len(self.tail)
        return total[:n]

    def add(self, n: int, pieces: Iterator[tuple[slice | NDArray[np.intp], SingleArray]]) -> FloatArray:
        """``pieces``: which intervals of the ``n``, and their contributions, (2 * _DECIMATE + 1, k)."""
        total = np.concatenate([self.tail, np.zeros(n)])
        for where, parts in pieces:
            if isinstance(where, slice):
                for j, row in enumerate(parts):
                    total[where.start + j : where.stop + j] += row
            else:
                for j, row in enumerate(parts):
                    total[where + j] += row
        self.tail, self.live = total[n:].copy(), True
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
                return delayed - self._excess.ring_out(n) if self._excess.live else delayed
        else:
            if not self._limited:  # the limits that were not asked for stood where they now begin
                self._low, self._high = np.full(keep, low[0]), np.full(keep, high[0])
            self._limited = True
        lows, highs = np.concatenate([self._low, low]), np.concatenate([self._high, high])
        self._low, self._high = lows[n:].copy(), highs[n:].copy()
        # interval i starts at frame `first + i` of the joined array, and adds to what is given out from frame i on
        first = keep - LATENCY + _DECIMATE
        start = joined[first : first + n]
        after, before = joined[first + 1 : first + n + 1], joined[first - 1 : first + n - 1]
        bulge = 0.3 * np.abs(after - 2.0 * start + before)
        above = np.maximum(start, after) + bulge > highs[first : first + n]
        below = np.minimum(start, after) - bulge < lows[first : first + n]
        touched = above | below
        self.active = bool(touched.any())
        if not self.active:
            return delayed - self._excess.ring_out(n) if self._excess.live else delayed
        one_sided = not bool((above & below).any())
        pieces = self._pieces(joined, lows, highs, first, touched, below if one_sided else None)
        return delayed - self._excess.add(n, pieces)

    def _pieces(
        self,
        joined: FloatArray,
        lows: FloatArray,
        highs: FloatArray,
        first: int,
        touched: NDArray[np.bool_],
        below: NDArray[np.bool_] | None,
    ) -> Iterator[tuple[slice | NDArray[np.intp], SingleArray]]:
        """Which intervals are touched, and what their excess contributes to the frames around them.

        ``below``: in which intervals the lower limit is the one to look at, None where some pass both. In single
        precision: 24 bits of the signal are far below what is compared here, at half the cost.
        """
        n = len(touched)
        single, least, most = (np.asarray(a, dtype=np.float32) for a in (joined, lows, highs))
        windows = sliding_window_view(single, 2 * _INTERPOLATE + 1)[first - _INTERPOLATE :][:n]
        for start in range(0, n, _PIECE):
            stop = min(start + _PIECE, n)
            index = np.flatnonzero(touched[start:stop])
            if len(index) == 0:
                continue
            where: slice | NDArray[np.intp] = slice(start, stop)
            if 4 * len(index) <= stop - start:
                where = index + start
            edges = _TO_EDGES @ windows[where].T
            high, low = most[first : first + n][where], least[first : first + n][where]
            high_step = most[first + 1 : first + n + 1][where] - high
            low_step = least[first + 1 : first + n + 1][where] - low
            if below is None:
                excess = _mean_excess(edges - high - _EDGES_32 * high_step)
                excess -= _mean_excess(low - edges + _EDGES_32 * low_step)
            else:  # the lower limit's excess is the upper one's, turned over
                side = np.where(below[where], np.float32(-1.0), np.float32(1.0))
                edges *= side
                edges -= np.where(below[where], -low, high)
                edges -= _EDGES_32 * np.where(below[where], -low_step, high_step)
                excess = _mean_excess(edges)
                excess *= side
            parts: SingleArray = _FROM_BOXES @ excess
            yield where, parts


def _mean_excess(u: SingleArray) -> SingleArray:
    """Mean of max(u, 0) over the straight pieces between the rows of ``u``."""
    positive = np.maximum(u, np.float32(0.0))
    total = positive[1:] + positive[:-1]
    size = np.abs(u)
    span = size[1:] + size[:-1]
    span += np.float32(1e-30)
    total *= total
    total /= span
    total *= np.float32(0.5)
    return np.asarray(total, dtype=np.float32)


@dataclass
class Curve:
    """A smooth curve applied point by point; three times oversampled where the signal is fast, and then in single
    precision: what the curve gives is some hundredths of the signal.

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
        windows = sliding_window_view(joined.astype(np.float32), 2 * _INTERPOLATE)[first - _INTERPOLATE + 1 :][:wide]
        total = np.zeros(wide + 2 * _DECIMATE, dtype=np.float32)
        for start in range(0, wide, _PIECE):
            parts = _FROM_POINTS @ function.single(_TO_POINTS @ windows[start : start + _PIECE].T)
            for j, row in enumerate(parts):
                total[start + j : start + j + len(row)] += row
        return total[2 * _DECIMATE : 2 * _DECIMATE + n].astype(np.float64)


@dataclass(frozen=True)
class Table:
    """A function tabulated at even steps, straight between them and beyond the ends."""

    start: float
    step: float
    values: FloatArray | SingleArray
    slopes: FloatArray | SingleArray

    @cached_property
    def single(self) -> Table:
        """The same in single precision."""
        return Table(self.start, self.step, self.values.astype(np.float32), self.slopes.astype(np.float32))

    @classmethod
    def of(cls, x: FloatArray, y: FloatArray, *, points: int = 8192) -> Table:
        """Resample (x, y), x rising, to even steps."""
        even = np.linspace(x[0], x[-1], points)
        values = np.interp(even, x, y)
        slopes = np.diff(values)
        return cls(float(even[0]), float(even[1] - even[0]), values[:-1].copy(), slopes)

    def __call__(self, x: Floats) -> Floats:
        position = x * (1.0 / self.step)
        position -= self.start / self.step
        index = position.astype(np.int32)
        np.clip(index, 0, len(self.values) - 1, out=index)
        position -= index
        position *= self.slopes[index]
        position += self.values[index]
        return position
