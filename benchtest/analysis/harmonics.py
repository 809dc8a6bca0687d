"""Joint fit of a fundamental, its harmonics and dc to a record, and the waveform that is left.

Least squares under Hann weights: a hum line, a drift or a supersonic residue that is not in the model then hardly
reaches the harmonics, and any number of cycles from three on gives exact harmonics, whole or not. The price is 1.8 dB
more noise in each of them than unweighted least squares has. Time runs from mid-record, where the cosines and the
sines fall apart into two systems; their matrices are closed forms and nearly diagonal. Few harmonics are solved for
directly, hundreds by conjugate gradients in which the matrix appears only as a convolution.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy import fft
from numpy.typing import ArrayLike, NDArray

from benchtest.analysis.band_record import BandRecord
from benchtest.analysis.phasors import (
    MANY_LINES,
    Weights,
    counted,
    hann,
    many_waveform,
    order_waveform,
)
from benchtest.analysis.records import MIN_CYCLES, check_fundamental, check_rate, one_channel
from benchtest.analysis.sine_fit import FIRST_BIN, first_guess, power_bins, strongest_line
from benchtest.analysis.transforms import fast_length

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

DIRECT_ORDERS = 64
"""Up to this number of harmonics the systems are solved directly."""

HIGHEST = 0.49
"""Harmonics up to this share of the sample rate are fitted."""


@dataclass(frozen=True)
class HarmonicFit:
    """What a periodic signal is made of, in the unit of the samples.

    amplitudes : complex, shape (orders,), peak values at mid-record: order k is Re(a exp(2 pi j k f u)), element 0 is
    order 1. dc is the mean of the fit. residual is the record less all of it, shape (n,).
    """

    frequency_hz: float
    amplitudes: ComplexArray
    dc: float
    residual: FloatArray

    @property
    def levels(self) -> FloatArray:
        """Peak values of orders 1, 2, ..."""
        return np.abs(self.amplitudes)

    @property
    def relative_phases(self) -> FloatArray:
        """Phase of each order less order times the fundamental's, radians (-pi, pi], all as cosines.

        It does not depend on where in the signal the record begins: 0 for the harmonics of x + x^2 and of x + x^3.
        """
        order = np.arange(1, len(self.amplitudes) + 1)
        raw = np.angle(self.amplitudes) - order * np.angle(self.amplitudes[0])
        result: FloatArray = np.pi - (np.pi - raw) % (2 * np.pi)
        return result


def _solver(weights: Weights, w: float, orders: int) -> Callable[[FloatArray, int], FloatArray]:
    """How to solve the system of the cosines (sign +1, orders 0..H) and of the sines (sign -1, orders 1..H).

    Right sides are columns, shape (unknowns, columns).
    """
    kernel = weights.cosine(w * counted(2 * orders + 1))
    if orders <= DIRECT_ORDERS:
        k = np.arange(orders + 1)
        near, far = kernel[np.abs(k[:, None] - k)], kernel[k[:, None] + k]
        matrices = {1: (near + far) / 2, -1: (near - far)[1:, 1:] / 2}

        def direct(right: FloatArray, sign: int) -> FloatArray:
            result: FloatArray = np.linalg.solve(matrices[sign], right)
            return result

        return direct

    size = fast_length(4 * orders + 2)
    circle = np.zeros(size)
    circle[: 2 * orders + 1] = kernel
    circle[-2 * orders :] = kernel[:0:-1]
    transfer = fft.rfft(circle)

    def iterated(right: FloatArray, sign: int) -> FloatArray:
        columns = [_conjugate_gradients(kernel[0], transfer, size, column, sign) for column in right.T]
        return np.stack(columns, axis=1)

    return iterated


def _conjugate_gradients(
    diagonal: float, transfer: ComplexArray, size: int, right: FloatArray, sign: int
) -> FloatArray:
    """The matrix is Toeplitz over orders -H..H; it is applied to even or odd vectors as a convolution of length
    size."""
    orders = len(right) - 1 if sign > 0 else len(right)
    left = np.array(right) if sign > 0 else np.concatenate([[0.0], right])
    # The diagonal: half of kernel(0), but all of it for dc.
    scale = np.full(orders + 1, 2.0 / diagonal)
    scale[0] = 1.0 / diagonal
    solution = np.zeros(orders + 1)
    step = scale * left
    energy = float(left @ step)
    goal = energy * 1e-30
    for _ in range(60):
        if not energy > goal:
            break
        full = np.concatenate([sign * step[:0:-1] / 2, step[:1], step[1:] / 2])
        image = fft.irfft(fft.rfft(full, size) * transfer, size)[orders : 2 * orders + 1]
        if sign < 0:
            image[0] = 0.0
        length = energy / float(step @ image)
        solution += length * step
        left -= length * image
        scaled = scale * left
        new = float(left @ scaled)
        step = scaled + (new / energy) * step
        energy = new
    return solution if sign > 0 else solution[1:]


@dataclass(frozen=True)
class Lines:
    """A solved fit: turns (cycles per sample) and the complex peak amplitudes of orders 0..H at mid-record."""

    turns: float
    amplitudes: ComplexArray

    def waveform(self, n: int) -> FloatArray:
        """The fit as n samples."""
        orders = len(self.amplitudes) - 1
        if orders <= MANY_LINES:
            return order_waveform(self.amplitudes, self.turns, n)
        return many_waveform(self.amplitudes, self.turns * counted(orders + 1), n)


def solve_lines(value: ComplexArray, turns: float, n: int) -> Lines:
    """Orders 0..H of a known frequency, from a Hann-weighted record's sums against them."""
    solve = _solver(Weights(n, hann=True), 2 * np.pi * turns, len(value) - 1)
    even, odd = solve(value.real[:, None], 1), solve(-value.imag[1:, None], -1)
    return Lines(turns, _joined(even[:, 0], odd[:, 0]))


def _joined(even: FloatArray, odd: FloatArray) -> ComplexArray:
    amplitudes = even.astype(np.complex128)
    amplitudes[1:] -= 1j * odd
    return amplitudes


def fit_periodic(record: BandRecord, turns: float, orders: int, *, passes: int = 12) -> Lines:
    """Orders 0..H and the frequency, from a Hann-weighted record.

    The frequency is moved until what is left holds nothing of the fundamental's derivative (variable projection with
    the fundamental's column only: exact where the model is, and the harmonics of a good tone say little about its
    frequency). A move is the last where what it changes in second order no longer matters: about mid-record the
    amplitudes do not change in first order.
    """
    n = record.n
    kernel = Weights(n, hann=True)
    start = turns
    order = np.arange(orders + 1)
    enough = 2e-12 if turns * n > 20.0 else 1e-18  # few cycles: lines lean on each other in first order
    for _ in range(passes):
        w = 2 * np.pi * turns
        solve = _solver(kernel, w, orders)
        value, slope = record.order_sums(turns, orders)
        # slope is odd: one evaluation at orders 0..H+1 serves 1 + k and 1 - k.
        odd_sums, (square, curve) = kernel.slope_and_curvature(w * counted(orders + 2), np.array([0.0, 2 * w]))
        up, down = odd_sums[order + 1], np.sign(1 - order) * odd_sums[np.abs(1 - order)]
        sine_column, cosine_column = (up + down) / 2, (up - down)[1:] / 2
        even = solve(np.stack([value.real, sine_column], axis=1), 1)
        odd = solve(np.stack([-value.imag[1:], cosine_column], axis=1), -1)
        a, b = float(even[1, 0]), float(odd[0, 0])
        amplitudes = _joined(even[:, 0], odd[:, 0])
        # The derivative's column is -a u sin + b u cos; what the model explains of it is taken off.
        own = ((a * a + b * b) * square + (b * b - a * a) * curve) / 2
        free = own - a * a * float(sine_column @ even[:, 1]) - b * b * float(cosine_column @ odd[:, 1])
        if not free > 1e-12 * own:
            break
        with_x = a * slope.imag + b * slope.real
        with_model = -a * float(sine_column @ even[:, 0]) + b * float(cosine_column @ odd[:, 0])
        radians = float(with_x - with_model) / free
        moved = radians / (2 * np.pi)
        if not abs(turns + moved - start) * n < 1.0 or not 0.0 < (turns + moved) * orders < 0.5:
            break
        turns += moved
        amplitudes -= radians * _joined(-a * even[:, 1], b * odd[:, 1])
        second_order = (radians * n) ** 2 * float(order**2 @ np.abs(amplitudes))
        if second_order < enough * abs(amplitudes[1]) or abs(moved) <= 4 * np.spacing(turns):
            break
    return Lines(turns, amplitudes)


def orders_below(turns: float, highest: float, n: int) -> int:
    """How many orders of a fundamental lie below ``highest`` (cycles per sample), clear of half the sample rate."""
    top = min(highest, HIGHEST, 0.5 - 1.0 / n)
    return max(1, int(np.floor(top / turns * (1 + 1e-12))))


def harmonic_fit(
    samples: ArrayLike,
    sample_rate: float,
    *,
    frequency_hz: float | None = None,
    highest_hz: float | None = None,
) -> HarmonicFit:
    """Fit the fundamental, every harmonic below 0.49 of the sample rate (or ``highest_hz``) and dc.

    Parameters
    ----------
    samples : array_like, shape (n,)
        Three cycles of the fundamental or more.
    sample_rate : float, Hz
    frequency_hz : float, optional
        Where to look for the fundamental, within 2 % and two cycles per record. Without it the strongest line is taken.
    highest_hz : float, optional
        Harmonics above it are left in the residual.

    Raises
    ------
    ValueError
        If the shape is wrong, a sample is not finite, there is no line, fewer than three cycles of it are in the
        record, or the stated frequency is not below half the sample rate.

    Examples
    --------
    >>> t = np.arange(4800) / 48000
    >>> x = np.cos(2 * np.pi * 997.3 * t)
    >>> fit = harmonic_fit(x + 0.1 * x**2, 48000)
    >>> round(fit.frequency_hz, 6), fit.levels[:3].round(9).tolist(), round(fit.dc, 9)
    (997.3, [1.0, 0.05, 0.0], 0.05)
    """
    x = one_channel(samples)
    rate = check_rate(sample_rate)
    n = len(x)
    first, last = FIRST_BIN / n, 0.5 - FIRST_BIN / n
    if frequency_hz is not None:
        turns = check_fundamental(frequency_hz, n, rate) / rate
        slack = max(0.02 * turns, 2.0 / n)
        first, last = max(first, turns - slack), min(last, turns + slack)
    scale = float(max(np.max(x), -np.min(x)))
    weights = hann(n)
    y = x / scale if scale > 0.0 else x
    level = float(np.mean(y))
    power, size = power_bins(y - level, weights)
    found = strongest_line(power, size, n, first, last)
    if found is None:
        raise ValueError(
            "there is no tone in the record. Expected one line above the noise: check cable, input and level."
        )
    record = BandRecord.whole(y * weights, weights, size)
    start = fit_periodic(record, first_guess(y, found[0]), 1, passes=4)
    if not start.turns * n >= MIN_CYCLES - 1e-3:
        raise ValueError(
            f"the record holds {start.turns * n:.2f} cycles of {start.turns * rate:g} Hz. "
            "Expected three or more: record for longer."
        )
    highest = HIGHEST if highest_hz is None else highest_hz / rate
    lines = start
    for _ in range(3):
        # Few cycles: harmonics that were not yet fitted move the first estimate, and with it how many there are.
        orders = orders_below(lines.turns, highest, n)
        if len(lines.amplitudes) == orders + 1 and lines is not start:
            break
        lines = fit_periodic(record, lines.turns, orders)
    return HarmonicFit(
        frequency_hz=float(lines.turns * rate),
        amplitudes=lines.amplitudes[1:] * scale,
        dc=float(lines.amplitudes[0].real) * scale,
        residual=x - lines.waveform(n) * scale,
    )
