"""Power spectra of records, read as powers in bands, never as the height of a bin.

A record is multiplied by Hann weights before the transform, so a line outside a band, or a drift below it, hardly leaks
in; a line or noise inside the band keeps its power. Band limits are brick-wall, a bin on the edge counts in part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy import fft
from numpy.typing import ArrayLike, NDArray

from benchtest.analysis.phasors import counted, hann
from benchtest.analysis.records import check_band, check_rate, one_channel
from benchtest.analysis.transforms import fast_length

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

HANN_NOISE_BINS = 1.5
"""Equivalent noise bandwidth of Hann weights, in cycles per record."""
HANN_SPREAD = 35.0 / 18.0
"""Variance of a noise power estimated under Hann weights over that of an unweighted one: n sum w^4 / (sum w^2)^2."""


@dataclass(frozen=True)
class PowerSpectrum:
    """Mean square in each bin, V^2 (or the samples' unit squared), at 0, step_hz, 2 step_hz, ...

    cycle_hz is one cycle per record: what the record can resolve. step_hz is finer where the record was padded.
    """

    power: FloatArray
    step_hz: float
    cycle_hz: float

    @property
    def frequencies_hz(self) -> FloatArray:
        return counted(len(self.power)) * self.step_hz

    def band(self, low_hz: float, high_hz: float, curve: FloatArray | None = None) -> float:
        """Mean square between two frequencies; ``curve`` is a squared gain for each bin."""
        low, high = low_hz / self.step_hz, high_hz / self.step_hz
        first = max(0, int(np.floor(low + 0.5)))
        last = min(len(self.power) - 1, int(np.floor(high + 0.5)))
        if last < first:
            return 0.0
        inside = self.power[first : last + 1]
        total = float(np.sum(inside)) if curve is None else float(np.sum(inside * curve[first : last + 1]))
        gain_first = 1.0 if curve is None else float(curve[first])
        gain_last = 1.0 if curve is None else float(curve[last])
        # A bin reaches half a step to either side; what lies outside the band is taken off again.
        total -= float(np.clip(low - (first - 0.5), 0.0, 1.0)) * float(self.power[first]) * gain_first
        total -= float(np.clip(last + 0.5 - high, 0.0, 1.0)) * float(self.power[last]) * gain_last
        return max(0.0, total)

    def scatter(self, low_hz: float, high_hz: float, curve: FloatArray | None = None) -> float:
        """Standard deviation of ``band`` if all of it is Gaussian noise, in its unit; the noise need not be white.

        A bin of noise is exponentially distributed, so its variance is half of its mean square: summed, that is the
        power squared over the number of values that are independent (Blackman and Tukey's equivalent degrees of freedom,
        from memory), which ``HANN_SPREAD`` makes fewer.

        >>> x = np.random.default_rng(0).standard_normal((200, 960))
        >>> spectra = [power_spectrum(row, 48000) for row in x]
        >>> ratio = np.mean([s.scatter(1000, 9000) for s in spectra]) / np.std([s.band(1000, 9000) for s in spectra])
        >>> bool(0.85 < ratio < 1.15)
        True
        """
        first = max(0, int(np.floor(low_hz / self.step_hz + 0.5)))
        last = min(len(self.power) - 1, int(np.floor(high_hz / self.step_hz + 0.5)))
        if last < first:
            return 0.0
        inside = self.power[first : last + 1]
        inside = inside if curve is None else inside * curve[first : last + 1]
        squares = float(inside @ inside)
        return float(np.sqrt(HANN_SPREAD * squares / 2.0 * self.cycle_hz / self.step_hz))

    def noise_density(self, frequency_hz: FloatArray, *, width: int = 24) -> FloatArray:
        """Noise around each frequency in V^2 per Hz, from the median of the bins within ``width`` cycles per record.

        The median passes over single lines; for exponentially distributed bins it is ln 2 of the mean.
        """
        count = len(self.power)
        bins = self.cycle_hz / self.step_hz
        reach = min(int(width * bins), (count - 1) // 2)
        centre = np.clip(np.round(frequency_hz / self.step_hz).astype(np.int64), reach, count - 1 - reach)
        # Neighbouring bins say the same thing twice where the record was padded; one in two is enough anyway.
        offsets = np.arange(-reach, reach + 1, max(1, reach // 24))
        around = self.power[centre[:, None] + offsets]
        result: FloatArray = np.median(around, axis=1) / (np.log(2.0) * self.step_hz)
        return result


def transform(weighted: FloatArray) -> tuple[ComplexArray, int]:
    """Transform of a record that was multiplied by its weights, padded to a length that is fast, and that length."""
    size = fast_length(len(weighted))
    result: ComplexArray = fft.rfft(weighted, size)
    return result, size


def power_of(bins: ComplexArray, size: int, n: int, sample_rate: float) -> PowerSpectrum:
    """Power spectrum from the transform of a Hann-weighted record of n samples."""
    power = bins.real**2
    power += bins.imag**2
    power *= 2.0 / (size * 0.375 * n)  # the sum of squared Hann weights is 3 n / 8
    power[0] /= 2
    if size % 2 == 0 and len(power) == size // 2 + 1:
        power[-1] /= 2
    return PowerSpectrum(power, sample_rate / size, sample_rate / n)


def power_spectrum(samples: ArrayLike, sample_rate: float) -> PowerSpectrum:
    """Hann-weighted power spectrum of one channel, its mean taken off first.

    Examples
    --------
    >>> t = np.arange(4800) / 48000
    >>> spectrum = power_spectrum(np.sin(2 * np.pi * 1003 * t), 48000)
    >>> round(spectrum.band(900, 1100), 6)
    0.5
    """
    x = one_channel(samples)
    rate = check_rate(sample_rate)
    bins, size = transform((x - np.mean(x)) * hann(len(x)))
    return power_of(bins, size, len(x), rate)


def band_rms(samples: ArrayLike, sample_rate: float, band_hz: tuple[float, float]) -> float:
    """rms value of everything between two frequencies but dc, brick-wall."""
    rate = check_rate(sample_rate)
    low, high = check_band(band_hz, rate)
    return float(np.sqrt(power_spectrum(samples, rate).band(low, high)))
