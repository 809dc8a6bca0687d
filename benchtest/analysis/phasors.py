"""Sums over a record against complex exponentials, and waveforms made of them: the arithmetic under every fit here.

Time is counted in samples from the middle of the record (u), which decouples amplitude from frequency; frequencies are
in turns, cycles per sample. A record of n samples is cut into blocks of about sqrt(n), so that the sums become one
matrix product with a small table of exponentials instead of n evaluations of a sine for every line; for hundreds of
equally spaced lines an oversampled Fourier transform takes over. Gram matrices of sines over a record are closed forms,
so no matrix with a row for each sample is ever built.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy import fft
from numpy.typing import NDArray

from benchtest.analysis.transforms import fast_length

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

MANY_LINES = 160
"""From this number of equally spaced lines on, the oversampled Fourier transform is faster than the matrix product."""

_KERNEL_WIDTH = 16
_KERNEL_SHAPE = 2.30 * _KERNEL_WIDTH  # Kaiser-Bessel at twofold oversampling; relative error below 1e-13 (tested)


def counted(*limits: int) -> FloatArray:
    """numpy's arange, as float64."""
    return np.arange(*limits, dtype=np.float64)


def exponentials(turns: FloatArray, positions: FloatArray) -> ComplexArray:
    """exp(2 pi j turns positions), shape (positions, turns); the product is reduced to one turn before it is rounded.

    Exact products need positions that are multiples of 1/2 below 2**26: a turn split at 26 bits makes hi * position
    exact, so that phases late in a long record are as good as those at its middle.
    """
    high = np.round(turns * 2.0**26) / 2.0**26
    low = turns - high
    phase = np.outer(positions, high)
    phase -= np.floor(phase)
    phase += np.outer(positions, low)
    phase *= 2 * np.pi
    result = np.empty(phase.shape, dtype=np.complex128)
    np.cos(phase, out=result.real)
    np.sin(phase, out=result.imag)
    return result


def multiple_exponentials(turns: FloatArray, orders: int, positions: FloatArray) -> ComplexArray:
    """``exponentials`` of 1..orders times each frequency, shape (positions, turns, orders), as powers of the first."""
    result = np.empty((len(positions), len(turns), orders), dtype=np.complex128)
    result[:] = exponentials(turns, positions)[:, :, None]
    np.multiply.accumulate(result, axis=2, out=result)
    return result


def order_exponentials(turns: float, orders: int, positions: FloatArray) -> ComplexArray:
    """exp(2 pi j k turns positions) for k = 0..orders, shape (positions, orders + 1), as powers of the first.

    The error grows as k times the rounding of one number: 4e-14 at order 160.
    """
    result = np.empty((len(positions), orders + 1), dtype=np.complex128)
    result[:, 0] = 1.0
    if orders:
        result[:, 1:] = exponentials(np.array([turns]), positions)
        np.multiply.accumulate(result[:, 1:], axis=1, out=result[:, 1:])
    return result


@lru_cache(maxsize=64)
def _blocks(n: int) -> tuple[int, int, int]:
    """Block length, whole blocks, samples left over; a block has about as many samples as there are blocks."""
    root = max(1, int(np.sqrt(n)))
    for length in range(root, max(1, root // 2), -1):
        if n % length == 0:
            return length, n // length, 0
    length = min(n, root + 1)
    return length, n // length, n % length


ONE_THREAD = 262_144
"""Products of matrices with no more multiplications than this are done by one thread in OpenBLAS, which numpy's wheels
bring. Larger ones wake all cores, and on a machine that is busy otherwise wait for them longer than they compute."""


def _product(left: FloatArray, right: FloatArray) -> FloatArray:
    """left @ right, by rows in portions that one thread does."""
    rows = max(1, ONE_THREAD // max(1, right.size))
    if rows >= len(left):
        return np.asarray(left @ right, dtype=np.float64)
    result = np.empty((len(left), right.shape[1]))
    for first in range(0, len(left), rows):
        np.matmul(left[first : first + rows], right, out=result[first : first + rows])
    return result


@dataclass(frozen=True)
class Sums:
    """value[k] = sum x exp(-2 pi j turns[k] u); slope[k] = sum u x exp(-2 pi j turns[k] u), u from mid-record."""

    value: ComplexArray
    slope: ComplexArray


def sums(x: FloatArray, turns: FloatArray, *, slope: bool = True) -> Sums:
    """Correlate a record with complex exponentials at any frequencies.

    Parameters
    ----------
    x : ndarray, shape (n,), contiguous
    turns : ndarray, shape (lines,), cycles per sample
    slope : bool
        False leaves the slope out (it doubles the work) and returns zeros there.

    Examples
    --------
    >>> n = np.arange(9.0) - 4.0
    >>> round(float(sums(np.cos(2 * np.pi * n / 3), np.array([1 / 3])).value[0].real), 12)
    4.5
    """
    n = len(x)
    lines = len(turns)
    length, count, left = _blocks(n)
    inside = counted(length) - (length - 1) / 2
    table = exponentials(-turns, inside)
    columns = [table.real, table.imag]
    if slope:
        columns += [inside[:, None] * table.real, inside[:, None] * table.imag]
    matrix = np.concatenate(columns, axis=1)
    middle = (n - 1) / 2
    centres = counted(count) * length + (length - 1) / 2 - middle
    product = _product(x[: count * length].reshape(count, length), matrix)
    carrier = exponentials(-turns, centres)
    inner = product[:, :lines] + 1j * product[:, lines : 2 * lines]
    value = np.einsum("pk,pk->k", carrier, inner)
    slopes = np.zeros(lines, dtype=np.complex128)
    if slope:
        inner_slope = product[:, 2 * lines : 3 * lines] + 1j * product[:, 3 * lines :]
        inner_slope += centres[:, None] * inner
        slopes = np.einsum("pk,pk->k", carrier, inner_slope)
    if left:
        tail = x[count * length :]
        positions = counted(count * length, n) - middle
        rest = exponentials(-turns, positions)
        value = value + tail @ rest
        if slope:
            slopes = slopes + (tail * positions) @ rest
    return Sums(value, slopes)


def multiple_sums(x: FloatArray, turns: FloatArray, orders: int) -> ComplexArray:
    """Values of ``sums`` at 1..orders times each frequency, shape (turns, orders), for records without a left-over."""
    n = len(x)
    length, count, left = _blocks(n)
    if left:
        lines = np.outer(turns, np.arange(1.0, orders + 1))
        return sums(x, lines.ravel(), slope=False).value.reshape(lines.shape)
    table = multiple_exponentials(-turns, orders, counted(length) - (length - 1) / 2).reshape(length, -1)
    product = _product(x.reshape(count, length), np.concatenate([table.real, table.imag], axis=1))
    lines_count = table.shape[1]
    carrier = multiple_exponentials(-turns, orders, counted(count) * length + (length - 1) / 2 - (n - 1) / 2)
    inner = product[:, :lines_count] + 1j * product[:, lines_count:]
    value: ComplexArray = np.einsum("pk,pk->k", carrier.reshape(count, -1), inner).reshape(len(turns), orders)
    return value


def order_sums(x: FloatArray, turns: float, orders: int) -> tuple[ComplexArray, complex]:
    """``sums`` for orders 0..H of one frequency: their values, and the slope of order 1."""
    n = len(x)
    length, count, left = _blocks(n)
    inside = counted(length) - (length - 1) / 2
    table = order_exponentials(-turns, orders, inside)
    first = inside * table[:, 1]
    matrix = np.concatenate([table.real, table.imag, first.real[:, None], first.imag[:, None]], axis=1)
    middle = (n - 1) / 2
    centres = counted(count) * length + (length - 1) / 2 - middle
    product = _product(x[: count * length].reshape(count, length), matrix)
    carrier = order_exponentials(-turns, orders, centres)
    inner = product[:, : orders + 1] + 1j * product[:, orders + 1 : 2 * orders + 2]
    value = np.einsum("pk,pk->k", carrier, inner)
    inner_slope = product[:, -2] + 1j * product[:, -1] + centres * inner[:, 1]
    slope = complex(carrier[:, 1] @ inner_slope)
    if left:
        tail = x[count * length :]
        positions = counted(count * length, n) - middle
        rest = order_exponentials(-turns, orders, positions)
        value = value + tail @ rest
        slope += complex((tail * positions) @ rest[:, 1])
    return value, slope


def order_waveform(amplitudes: ComplexArray, turns: float, n: int) -> FloatArray:
    """``waveform`` of orders 0, 1, 2, ... of one frequency."""
    return _woven(amplitudes, n, lambda positions: order_exponentials(turns, len(amplitudes) - 1, positions))


def waveform(amplitudes: ComplexArray, turns: FloatArray, n: int) -> FloatArray:
    """Real part of sum amplitudes[k] exp(2 pi j turns[k] u) for the n samples of a record, u from mid-record.

    Examples
    --------
    >>> waveform(np.array([2.0 + 0.0j]), np.array([0.5]), 3).round(12).tolist()
    [-2.0, 2.0, -2.0]
    """
    return _woven(amplitudes, n, lambda positions: exponentials(turns, positions))


def _woven(amplitudes: ComplexArray, n: int, table: Callable[[FloatArray], ComplexArray]) -> FloatArray:
    length, count, left = _blocks(n)
    blocks = count + (1 if left else 0)
    centres = counted(blocks) * length + (length - 1) / 2 - (n - 1) / 2
    carrier = table(centres) * amplitudes
    inside = table(counted(length) - (length - 1) / 2)
    left_side = np.concatenate([carrier.real, -carrier.imag], axis=1)
    right_side = np.concatenate([inside.real, inside.imag], axis=1)
    result: FloatArray = _product(left_side, np.ascontiguousarray(right_side.T)).reshape(-1)[:n]
    return result


def hann(n: int) -> FloatArray:
    """Hann weights over n samples, symmetric about mid-record: (1 + cos(2 pi u / n)) / 2; their sum is n / 2. Read-only."""
    return hann_cut(n, 1.0, 0.0, n) if n <= KEPT_FRAMES else hann_cut.__wrapped__(n, 1.0, 0.0, n)


KEPT_FRAMES = 1 << 19
"""Weights up to this length are kept, because captures come in the same lengths."""


@lru_cache(maxsize=6)
def hann_cut(n: int, ratio: float, offset: float, count: int) -> FloatArray:
    """Hann weights of a record of n samples at ``count`` places, ``ratio`` samples apart, whose middle lies ``offset``
    samples beyond the record's; 0 beyond its end."""
    amplitude = np.array([0.5 * np.exp(2j * np.pi * offset / n)])
    weights = 0.5 + waveform(amplitude, np.array([ratio / n]), count)
    weights[int(np.ceil((n - 0.5) / ratio)) :] = 0.0
    weights.flags.writeable = False
    return weights


@lru_cache(maxsize=2)
def _gridding(n: int) -> tuple[int, FloatArray]:
    """Length of the oversampled transform and what the record is divided by before it (window of the kernel)."""
    size = fast_length(2 * n)
    size += size % 2
    positions = (counted(n) - (n - 1) / 2) * (2 * np.pi / size)
    root = np.sqrt(_KERNEL_SHAPE**2 - (_KERNEL_WIDTH * positions / 2) ** 2)
    return size, _KERNEL_WIDTH * np.sinh(root) / root


def _kernel(distance: FloatArray) -> FloatArray:
    inside = np.maximum(0.0, 1.0 - (2 * distance / _KERNEL_WIDTH) ** 2)
    result: FloatArray = np.i0(_KERNEL_SHAPE * np.sqrt(inside))
    return result


def _neighbours(turns: FloatArray, size: int) -> tuple[NDArray[np.int64], FloatArray]:
    """Grid indices around each line and the kernel's weights there."""
    place = turns * size
    first = np.floor(place).astype(np.int64) - _KERNEL_WIDTH // 2 + 1
    index = first[:, None] + np.arange(_KERNEL_WIDTH)
    return index, _kernel(index - place[:, None])


def many_sums(x: FloatArray, turns: FloatArray) -> ComplexArray:
    """As ``sums(...).value``, for hundreds of lines: one transform of twice the length, then sixteen terms a line.

    Relative to the norm of x the error is below 1e-12 (tested against ``sums``).
    """
    n = len(x)
    size, divisor = _gridding(n)
    spectrum = fft.rfft(x / divisor, size)
    index, weight = _neighbours(turns, size)
    # The record starts (n - 1) / 2 samples before mid-record: turn every bin by that much.
    index %= size
    mirrored = index > size // 2
    folded = np.where(mirrored, size - index, index)
    bins = spectrum[folded]
    bins = np.where(mirrored, np.conj(bins), bins)
    # Bins that lie across 0 or half the rate are turned by their unreduced index, so that the interpolation is smooth.
    unreduced, _ = _neighbours(turns, size)
    bins = bins * np.exp(1j * np.pi * (n - 1) / size * unreduced)
    result: ComplexArray = np.einsum("kw,kw->k", bins, weight)
    return result


def many_waveform(amplitudes: ComplexArray, turns: FloatArray, n: int) -> FloatArray:
    """As ``waveform``, for hundreds of lines: the transpose of ``many_sums``."""
    size, divisor = _gridding(n)
    index, weight = _neighbours(turns, size)
    values = (amplitudes[:, None] * weight) * np.exp(-1j * np.pi * (n - 1) / size * index)
    folded = index % size
    grid = np.bincount(folded.ravel(), values.real.ravel(), size) + 1j * np.bincount(
        folded.ravel(), values.imag.ravel(), size
    )
    # Real part of the sum: a line and its mirror at minus the frequency, half each.
    half = grid[: size // 2 + 1].copy()
    half[1 : size // 2] += np.conj(grid[: size // 2 : -1])
    half[0] = grid[0].real * 2
    half[size // 2] = grid[size // 2].real * 2
    result: FloatArray = fft.irfft(half, size)[:n] * (size / 2) / divisor
    return result


def _dirichlet(theta: FloatArray, n: int) -> FloatArray:
    """Sum of cos(theta u) over the record: sin(n theta / 2) / sin(theta / 2), with its limit at multiples of 2 pi."""
    half = theta / 2
    below = np.sin(half)
    near = np.abs(below) < 1e-9 / n
    safe = np.where(near, 1.0, below)
    limit = n * np.cos(n * half) / np.cos(half)
    return np.where(near, limit, np.sin(n * half) / safe)


def _dirichlet_slope(theta: FloatArray, n: int) -> FloatArray:
    """Sum of u sin(theta u) over the record, minus the derivative of ``_dirichlet``."""
    # Near a multiple of 2 pi the quotient cancels; there the sum is a short series in the distance d from it.
    turns = np.round(theta / (2 * np.pi))
    d = theta - 2 * np.pi * turns
    sign = np.where((turns % 2 != 0) & (n % 2 == 0), -1.0, 1.0)
    near = np.abs(d) * n < 0.02
    second = n * (n**2 - 1.0) / 12
    fourth = n * (n**2 - 1.0) * (3.0 * n**2 - 7.0) / 240
    sixth = fourth * 3.0 * n**2 / 28  # leading term is enough: the third term is below 1e-9 of the first here
    series = sign * d * (second - d**2 * fourth / 6 + d**4 * sixth / 120)
    half = np.where(near, 1.0, theta / 2)
    below = np.sin(half)
    quotient = -(n * np.cos(n * half) * below - np.sin(n * half) * np.cos(half)) / (2 * below**2)
    return np.where(near, series, quotient)


@dataclass(frozen=True)
class Weights:
    """Closed forms of weighted sums over a record of n samples; weight 1, or Hann weights.

    cosine(theta) = sum w cos(theta u); slope(theta) = sum w u sin(theta u); theta in radians per sample.
    """

    n: int
    hann: bool

    def cosine(self, theta: FloatArray) -> FloatArray:
        return self._weighted(theta, _dirichlet)

    def slope(self, theta: FloatArray) -> FloatArray:
        return self._weighted(theta, _dirichlet_slope)

    def _weighted(self, theta: FloatArray, plain: Callable[[FloatArray, int], FloatArray]) -> FloatArray:
        if not self.hann:
            return plain(theta, self.n)
        step = 2 * np.pi / self.n
        parts = plain(np.concatenate([theta, theta + step, theta - step]), self.n).reshape(3, -1)
        result: FloatArray = parts[0] / 2 + (parts[1] + parts[2]) / 4
        return result

    def slope_and_curvature(self, theta: FloatArray, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """``slope`` at theta, and its derivative (the sum of w u^2 cos(theta u)) elsewhere, by central differences."""
        step = 1e-3 / self.n
        joined = self.slope(np.concatenate([theta, at + step, at - step]))
        up, down = joined[len(theta) :].reshape(2, -1)
        return joined[: len(theta)], (up - down) / (2 * step)


def line_sums(amplitudes: ComplexArray, lines: FloatArray, turns: FloatArray, n: int) -> Sums:
    """``sums`` of Re(sum of a exp(2 pi j f u)) over an unweighted record of n samples, in closed form."""
    w = 2 * np.pi * np.concatenate([lines - turns[:, None], lines + turns[:, None]])
    kernel = Weights(n, hann=False)
    near, far = kernel.cosine(w.ravel()).reshape(w.shape).reshape(2, len(turns), -1)
    near_slope, far_slope = kernel.slope(w.ravel()).reshape(w.shape).reshape(2, len(turns), -1)
    value = (near @ amplitudes + far @ np.conj(amplitudes)) / 2
    slope = 1j * (near_slope @ amplitudes - far_slope @ np.conj(amplitudes)) / 2
    return Sums(value, slope)
