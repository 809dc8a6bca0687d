"""Several tones of known nominal frequencies in one record: amplitudes and phases, and the clock they share.

For multitone responses, crosstalk and intermodulation: the player's and the recorder's clocks differ by some parts per
million, the same for every line, so one ratio is fitted and all lines follow it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchtest.analysis.phasors import Weights, hann, sums, waveform
from benchtest.analysis.records import check_rate, one_channel
from benchtest.analysis.spectrum import power_of, transform

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

CLOCK = 300e-6
"""Clocks are assumed to agree within this."""

APART_CYCLES = 2.5
"""Lines must be this many cycles per record apart for Hann weights to part them."""


@dataclass(frozen=True)
class Tones:
    """The fitted lines, in the order in which they were asked for.

    frequencies_hz are as recorded: nominal times clock_ratio. amplitudes are complex peak values at mid-record, line
    k being Re(a exp(2 pi j f u)); floors the rms value below which each is lost in the noise around it.
    """

    clock_ratio: float
    frequencies_hz: FloatArray
    amplitudes: ComplexArray
    floors: FloatArray

    @property
    def rms(self) -> FloatArray:
        """rms value of each line."""
        result: FloatArray = np.abs(self.amplitudes) / np.sqrt(2.0)
        return result


def fit_tones(
    samples: ArrayLike,
    sample_rate: float,
    driven_hz: Sequence[float] | FloatArray,
    *,
    others_hz: Sequence[float] | FloatArray = (),
    clock_ratio: float | None = None,
) -> Tones:
    """Fit lines at known nominal frequencies and the ratio of the clocks, by least squares under Hann weights.

    Parameters
    ----------
    samples : array_like, shape (n,)
        The steady part only, without fades.
    driven_hz : frequencies that were played; the clock is fitted to them.
    others_hz : products that are looked for besides, in the same fit.
    clock_ratio : float, optional
        Recorded over nominal frequency, if it is known (from the driven channel, when this one carries crosstalk only).

    Returns
    -------
    Tones
        The driven lines first, then the others.

    Raises
    ------
    ValueError
        If a line is not between 0 and half the sample rate, or two are too close for the record's length; if a shape is
        wrong or a sample is not finite.

    Examples
    --------
    >>> t = np.arange(48000) / 48000 * (1 + 100e-6)
    >>> x = np.cos(2 * np.pi * 1000 * t) + 0.1 * np.cos(2 * np.pi * 7000 * t)
    >>> found = fit_tones(x, 48000, [1000.0, 7000.0])
    >>> round((found.clock_ratio - 1) * 1e6, 4), abs(found.amplitudes).round(9).tolist()
    (100.0, [1.0, 0.1])
    """
    x = one_channel(samples)
    rate = check_rate(sample_rate)
    n = len(x)
    driven = np.asarray(driven_hz, dtype=np.float64)
    nominal = np.concatenate([driven, np.asarray(others_hz, dtype=np.float64)])
    _check_lines(nominal, n, rate)
    scale = float(np.max(np.abs(x)))
    scale = scale if scale > 0.0 else 1.0
    y = x / scale
    weights = hann(n)
    weighted = (y - float(np.mean(y))) * weights
    ratio = _clock(weighted, driven / rate) if clock_ratio is None else clock_ratio
    amplitudes = _solve(weighted, nominal * (ratio / rate))
    residual = weighted - waveform(amplitudes, nominal * (ratio / rate), n) * weights
    spectrum = power_of(*transform(residual), n, rate)
    density = spectrum.noise_density(nominal * ratio)
    floors = 3.0 * np.sqrt(1.5 * density * rate / n / 2) * scale
    return Tones(ratio, nominal * ratio, amplitudes * scale, np.maximum(floors, 1e-14 * scale))


def _check_lines(nominal: FloatArray, n: int, rate: float) -> None:
    if len(nominal) == 0:
        raise ValueError("no frequencies were given. Expected one or more, in Hz.")
    bad = nominal[~((nominal > 0.0) & (nominal < 0.5 * rate))]
    if len(bad):
        raise ValueError(
            f"a line at {bad[0]:g} Hz at {rate:g} frames per second. Expected above 0 Hz and below half the sample rate."
        )
    ordered = np.sort(nominal)
    # A line also leans on its mirrors at minus the frequency and beyond half the rate, twice as far away.
    gaps = np.concatenate([np.diff(ordered), [2 * ordered[0], 2 * (0.5 * rate - ordered[-1])]])
    closest = float(np.min(gaps))
    if not closest * n / rate >= APART_CYCLES * (1 - 1e-6):
        raise ValueError(
            f"two lines are {closest:g} Hz apart (or that close to 0 Hz or half the rate) in a record of {n / rate:g} s. "
            f"Expected {APART_CYCLES * rate / n:g} Hz or more: record for longer."
        )


def _clock(weighted: FloatArray, turns: FloatArray) -> float:
    """Recorded over nominal frequency: a search wide enough for the highest line, then steps on all lines."""
    n = len(weighted)
    highest = float(np.max(turns))
    steps = max(1, int(np.ceil(CLOCK * highest * n / 0.5)))
    trial = 1.0 + CLOCK * np.arange(-steps, steps + 1) / steps
    ratio = 1.0
    if steps > 1:
        value = sums(weighted, np.outer(trial, turns).ravel(), slope=False).value.reshape(len(trial), -1)
        ratio = float(trial[np.argmax(np.sum(np.abs(value) ** 2, axis=1))])
    spread = (1 / 12 - 1 / (2 * np.pi**2)) * n**2
    for _ in range(8):
        at = turns * ratio
        amplitudes = _solve(weighted, at)
        # What each line turns beside the trial, from the record less the other lines.
        left = sums(weighted - waveform(amplitudes, at, n) * hann(n), at)
        slope = left.slope
        value = amplitudes * n / 4
        power = np.abs(value) ** 2
        weight = float(power @ at**2)
        if not weight > 0.0:
            return 1.0
        radians = float(at @ np.imag(slope * np.conj(value))) / weight / spread
        moved = radians / (2 * np.pi) * ratio
        if not abs(ratio + moved - 1.0) <= 2 * CLOCK:
            return ratio
        ratio += moved
        if abs(moved) * highest * n < 1e-10:
            break
    return ratio


def _solve(weighted: FloatArray, turns: FloatArray) -> ComplexArray:
    """Least squares of all lines together; cosines and sines fall apart about mid-record."""
    w = 2 * np.pi * turns
    kernel = Weights(len(weighted), hann=True)
    shape = (len(w), len(w))
    near = kernel.cosine((w[:, None] - w).ravel()).reshape(shape)
    far = kernel.cosine((w[:, None] + w).ravel()).reshape(shape)
    value = sums(weighted, turns, slope=False).value
    even = np.linalg.solve((near + far) / 2, value.real)
    odd = np.linalg.solve((near - far) / 2, -value.imag)
    result: ComplexArray = even - 1j * odd
    return result
