"""What noise and the bench's own distortion do to an estimate: standard uncertainties and biases, from known quantities.

Noise is taken as white over the 20 kHz in which it was measured. Pure formulas; each names where it comes from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchtest.calibration import SHARE, Calibration

BAND_HZ = 20e3
HANN_LINE = 1.5
"""Noise power in a line fitted under Hann weights: 1.5 cycles per record of noise (ratio of sums of the weights)."""
HANN_SPREAD = 35.0 / 18.0
"""Variance of a noise power estimated under Hann weights over that of an unweighted one: n sum w^4 / (sum w^2)^2."""
CALIBRATION_S = 0.5
"""Length of the calibration's record."""
CALIBRATION_HARMONICS = 19


def level_u(noise_v: float, seconds: float) -> float:
    """Standard uncertainty of the rms level of a fitted sine: Cramer-Rao, sigma / sqrt(N), V.

    >>> round(1e6 * level_u(100e-6, 0.5), 3)
    0.707
    """
    return noise_v / math.sqrt(2.0 * BAND_HZ * seconds)


def noise_u(noise_v: float, seconds: float, band_hz: float = BAND_HZ) -> float:
    """Standard uncertainty of an rms noise level: 2 B T independent values, fewer under Hann weights, V."""
    return noise_v * math.sqrt(HANN_SPREAD / (4.0 * band_hz * seconds))


def line_noise(noise_v: float, seconds: float) -> float:
    """The rms that noise alone shows in one fitted line, V."""
    return noise_v * math.sqrt(HANN_LINE / (BAND_HZ * seconds))


@dataclass(frozen=True)
class Estimate:
    """A ratio with its standard uncertainty by source; floor: what the bench would show by itself."""

    value: float
    parts: dict[str, float]
    floor: float


def thd_estimate(
    thd: float, level_v: float, noise_v: float, harmonics: int, seconds: float, bench_thd: float
) -> Estimate:
    """THD with the noise in its lines taken off.

    Each line contains noise of ``line_noise``; that of all lines adds to the sum of powers and is subtracted. What is
    left of it moves the sum by 2 D times the noise along the distortion vector, and by its own scatter. The bench's
    harmonics add with a phase that nobody knows: D cos(phi), an arcsine distribution, u = a / sqrt(2) (GUM 4.3.9 treats
    such limits).
    """
    one = (line_noise(noise_v, seconds) / level_v) ** 2
    square = max(thd**2 - harmonics * one, 0.25 * harmonics * one, 1e-24)
    value = math.sqrt(square)
    noise = math.sqrt(2.0 * one * square + harmonics * one * one) / (2.0 * value)
    return Estimate(value, {"noise": noise, "bench residual": bench_thd / math.sqrt(2.0)}, bench_thd)


def thd_n_estimate(
    thd_n: float, thd: float, level_v: float, noise_v: float, seconds: float, bench_thd: float, bench_noise_v: float
) -> Estimate:
    """THD+N with the noise of the bench's input taken off as power; it was measured with the calibration.

    Noise scatters by itself, and along the distortion it stands beside; the bench's harmonics add to the amplifier's with
    a phase that nobody knows.
    """
    own = bench_noise_v / level_v
    noise = noise_v / level_v
    square = max(thd_n**2 - own**2, 0.25 * own**2, 1e-24)
    value = math.sqrt(square)
    along = thd * line_noise(noise_v, seconds) / level_v / math.sqrt(2.0) / value
    estimate = math.hypot(noise * noise_u(1.0, seconds) * noise / value, along)
    known = own * noise_u(1.0, CALIBRATION_S) * own / value
    parts = {
        "noise": estimate, "bench noise": known, "bench residual": bench_thd / math.sqrt(2.0) * max(thd, bench_thd) / value,
    }  # fmt: skip
    return Estimate(value, parts, math.hypot(bench_thd, own))


def bench_thd(calibration: Calibration, channel: int, level_v: float, input_v: float) -> float:
    """The bench's own THD at this level: that of the loopback, in proportion to how far its converters are driven.

    A weakly bent transfer's second harmonic goes with the level, higher ones fall faster; in proportion is the careful
    side. The input, which the loopback's dividers leave nearly idle, is taken to be as straight as the output
    (judgement, no source). The noise in the loopback's lines is taken off.
    """
    if calibration.residual_thd is None:
        return 0.0
    out = math.sqrt(2.0) * input_v / calibration.output_volts_per_full_scale[channel]
    back = math.sqrt(2.0) * level_v / calibration.input_volts_per_full_scale[channel]
    own = calibration.residual_thd[channel]
    if calibration.noise_v is not None:
        played = SHARE * calibration.output_volts_per_full_scale[channel] / math.sqrt(2.0)
        noise = line_noise(calibration.noise_v[channel], CALIBRATION_S) / played
        own = math.sqrt(max(own**2 - CALIBRATION_HARMONICS * noise**2, 2.0 * noise**2))
    return own * math.hypot(out, back) / SHARE


def bench_noise_v(calibration: Calibration, channel: int) -> float:
    """The rms noise of the bench's input, referred to the terminals, 20 Hz to 20 kHz; 0 where it was not measured."""
    return calibration.noise_v[channel] if calibration.noise_v is not None else 0.0
