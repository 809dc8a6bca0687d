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
from numpy.typing import ArrayLike, NDArray
from scipy import fft

from benchtest.analysis.phasors import (
    MANY_LINES,
    Weights,
    hann,
    many_sums,
    many_waveform,
    sums,
    waveform,
)
from benchtest.analysis.records import MIN_CYCLES, check_fundamental, check_rate, one_channel
from benchtest.analysis.sine_fit import FIRST_BIN, first_guess, power_bins, strongest_line

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

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
    """How to solve the system of the cosines (sign +1, orders 0..H) and of the sines (sign -1, orders 1..H)."""
    kernel = weights.cosine(w * np.arange(2 * orders + 1))
    if orders <= MANY_LINES:
        k = np.arange(orders + 1)
        near, far = kernel[np.abs(k[:, None] - k)], kernel[k[:, None] + k]
        matrices = {1: (near + far) / 2, -1: (near - far)[1:, 1:] / 2}

        def direct(right: FloatArray, sign: int) -> FloatArray:
            result: FloatArray = np.linalg.solve(matrices[sign], right)
            return result

        return direct

    # As a Toeplitz matrix over orders -H..H, applied to even (cosine) or odd (sine) vectors by convolution.
    size = fft.next_fast_len(4 * orders + 2, real=True)
    circle = np.zeros(size)
    circle[: 2 * orders + 1] = kernel
    circle[-2 * orders :] = kernel[:0:-1]
    transfer = fft.rfft(circle)

    def apply(vector: FloatArray, sign: int) -> FloatArray:
        full = np.concatenate([sign * vector[:0:-1] / 2, vector[:1], vector[1:] / 2])
        out = fft.irfft(fft.rfft(full, size) * transfer, size)
        result: FloatArray = out[orders : 2 * orders + 1]
        return result

    def iterated(right: FloatArray, sign: int) -> FloatArray:
        target = right if sign > 0 else np.concatenate([[0.0], right])
        # The diagonal: half of kernel(0), but all of it for dc.
        scale = np.full(orders + 1, 2.0 / kernel[0])
        scale[0] = 1.0 / kernel[0]
        solution = np.zeros(orders + 1)
        left = target.copy()
        step = scale * left
        energy = float(left @ step)
        goal = energy * 1e-30
        for _ in range(60):
            if not energy > goal:
                break
            image = apply(step, sign)
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

    return iterated


def _correlations(weighted: FloatArray, turns: float, orders: int) -> tuple[ComplexArray, complex]:
    """Sums against orders 0..H, and the slope of order 1."""
    lines = turns * np.arange(orders + 1)
    if orders <= MANY_LINES:
        value = sums(weighted, lines, slope=False).value
    else:
        value = many_sums(weighted, lines)
    first = sums(weighted, lines[1:2])
    value[1] = first.value[0]
    return value, complex(first.slope[0])


@dataclass(frozen=True)
class Lines:
    """A solved fit: turns (cycles per sample) and the complex peak amplitudes of orders 0..H at mid-record."""

    turns: float
    amplitudes: ComplexArray

    def waveform(self, n: int) -> FloatArray:
        """The fit as n samples."""
        orders = len(self.amplitudes) - 1
        lines = self.turns * np.arange(orders + 1)
        build = waveform if orders <= MANY_LINES else many_waveform
        return build(self.amplitudes, lines, n)


def fit_lines(weighted: FloatArray, turns: float, orders: int) -> Lines:
    """Orders 0..H of a known frequency, from a record that was multiplied with its Hann weights."""
    solve = _solver(Weights(len(weighted), hann=True), 2 * np.pi * turns, orders)
    value, _ = _correlations(weighted, turns, orders)
    return Lines(turns, _joined(solve(value.real, 1), solve(-value.imag[1:], -1)))


def _joined(even: FloatArray, odd: FloatArray) -> ComplexArray:
    amplitudes = even.astype(np.complex128)
    amplitudes[1:] -= 1j * odd
    return amplitudes


def fit_periodic(weighted: FloatArray, turns: float, orders: int, *, passes: int = 12) -> Lines:
    """Orders 0..H and the frequency, from a record that was multiplied with its Hann weights.

    The frequency is moved until what is left holds nothing of the fundamental's derivative (variable projection with the
    fundamental's column only: exact where the model is, and the harmonics of a good tone say little about its frequency).
    """
    n = len(weighted)
    kernel = Weights(n, hann=True)
    square = kernel.curvature(0.0)
    start = turns
    for _ in range(passes):
        w = 2 * np.pi * turns
        solve = _solver(kernel, w, orders)
        value, slope = _correlations(weighted, turns, orders)
        even, odd = solve(value.real, 1), solve(-value.imag[1:], -1)
        a, b = float(even[1]), float(odd[0])
        order = np.arange(orders + 1)
        up, down = kernel.slope((1 + order) * w), kernel.slope((1 - order) * w)
        with_even = -a * (up + down) / 2
        with_odd = b * (up - down)[1:] / 2
        own = ((a * a + b * b) * square + (b * b - a * a) * kernel.curvature(2 * w)) / 2
        free = own - with_even @ solve(with_even, 1) - with_odd @ solve(with_odd, -1)
        with_x = a * slope.imag + b * slope.real
        if not free > 1e-12 * own:
            break
        moved = float(with_x - even @ with_even - odd @ with_odd) / free / (2 * np.pi)
        if abs(moved) * n < 1e-12 or abs(moved) <= 4 * np.spacing(turns):
            break
        if not abs(turns + moved - start) * n < 1.0 or not 0.0 < (turns + moved) * orders < 0.5:
            break
        turns += moved
    return Lines(turns, _joined(even, odd))


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
        If the shape is wrong, a sample is not finite, there is no line, fewer than three cycles of it are in the record,
        or the stated frequency is not below half the sample rate.

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
    first, last = FIRST_BIN / n, HIGHEST
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
        raise ValueError("there is no tone in the record. Expected one line above the noise: check cable, input and level.")
    weighted = y * weights
    start = fit_periodic(weighted, first_guess(y, found[0]), 1)
    if not start.turns * n >= MIN_CYCLES - 1e-3:
        raise ValueError(
            f"the record holds {start.turns * n:.2f} cycles of {start.turns * rate:g} Hz. Expected three or more: record "
            "for longer."
        )
    highest = HIGHEST if highest_hz is None else highest_hz / rate
    lines = fit_periodic(weighted, start.turns, orders_below(start.turns, highest, n))
    return HarmonicFit(
        frequency_hz=lines.turns * rate,
        amplitudes=lines.amplitudes[1:] * scale,
        dc=float(lines.amplitudes[0].real) * scale,
        residual=x - lines.waveform(n) * scale,
    )
