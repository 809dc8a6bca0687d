"""What noise and the bench's own distortion do to an estimate: standard uncertainties and biases, from known quantities.

Noise is taken as white over the 20 kHz in which it was measured. Pure formulas; each names where it comes from.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from benchtest.analysis.hum import COMPONENT
from benchtest.analysis.spectrum import HANN_SPREAD
from benchtest.calibration import SHARE, Calibration

BAND_HZ = 20e3
HANN_LINE = 1.5
"""Noise power in a line fitted under Hann weights: 1.5 cycles per record of noise (ratio of sums of the weights)."""
CALIBRATION_S = 0.5
"""Length of the calibration's record."""
CALIBRATION_HARMONICS = 19
SEEN_FROM = COMPONENT / math.sqrt(2.0)
"""From which multiple of the rms that noise shows in a line on a harmonic is reported."""
ALIKE = 1.15
"""Input over output of one sound card, harmonic for harmonic, rms: up to 8 dB apart either way, likelier near (triangular:
the mean power is sinh(0.921)^2 / 0.921^2 = 1.31). Judgement, no source."""


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


@dataclass(frozen=True)
class BenchHarmonics:
    """The bench's own harmonics at one level, ratios to the fundamental.

    orders: from the second on; empty where the calibration did not keep them. whole: their rms sum on the careful side,
    which decides what is near the bench's own residual.
    """

    orders: tuple[float, ...]
    whole: float

    def u(self, levels: Mapping[int, float]) -> float:
        """What they do to the rms sum D of an amplifier's harmonics, ``levels`` by order: standard uncertainty.

        Order by order they add with a phase that nobody knows: d_k moves by b_k cos(phi), an arcsine distribution with
        u = b_k / sqrt(2) (GUM 4.3.9 treats such limits), and D by d_k / D of it. Their own power adds B^2 / 2 D.
        Where the orders were not kept all of it may lie where the amplifier's is.
        """
        total = math.hypot(*levels.values())
        if not total > 0.0:
            return self.whole
        if not self.orders:
            return math.hypot(self.whole / math.sqrt(2.0), self.whole**2 / (2.0 * total))
        own = dict(enumerate(self.orders, start=2))
        along = math.hypot(*(d * own.get(k, 0.0) for k, d in levels.items())) / math.sqrt(2.0)
        return math.hypot(along, sum(b * b for b in self.orders) / 2.0) / total


def thd_estimate(
    levels: Mapping[int, float], level_v: float, noise_v: float, seconds: float, bench: BenchHarmonics
) -> Estimate:
    """THD of harmonics ``levels`` by order (ratios to the fundamental), with the noise in their lines taken off.

    Each line contains noise of ``line_noise``; that of all lines adds to the sum of powers and is subtracted. What is
    left of it moves the sum by 2 D times the noise along the distortion vector, and by its own scatter. For the bench's
    harmonics see ``BenchHarmonics.u``.
    """
    one = (line_noise(noise_v, seconds) / level_v) ** 2
    count = len(levels)
    square = max(sum(d * d for d in levels.values()) - count * one, 0.25 * count * one, 1e-24)
    value = math.sqrt(square)
    noise = math.sqrt(2.0 * one * square + count * one * one) / (2.0 * value)
    return Estimate(value, {"noise": noise, "bench residual": bench.u(levels)}, bench.whole)


def thd_n_estimate(
    thd_n: float,
    levels: Mapping[int, float],
    level_v: float,
    noise_v: float,
    seconds: float,
    bench: BenchHarmonics,
    bench_noise_v: float,
) -> Estimate:
    """THD+N with the noise of the bench's input taken off as power; it was measured with the calibration.

    Noise scatters by itself, and along the distortion it stands beside; the bench's harmonics move the distortion, which
    is a part of the whole.
    """
    own = bench_noise_v / level_v
    noise = noise_v / level_v
    square = max(thd_n**2 - own**2, 0.25 * own**2, 1e-24)
    value = math.sqrt(square)
    thd = math.hypot(*levels.values())
    along = thd * line_noise(noise_v, seconds) / level_v / math.sqrt(2.0) / value
    estimate = math.hypot(noise * noise_u(1.0, seconds) * noise / value, along)
    known = own * noise_u(1.0, CALIBRATION_S) * own / value
    residual = bench.u(levels) * max(thd, bench.whole) / value
    parts = {"noise": estimate, "bench noise": known, "bench residual": residual}
    return Estimate(value, parts, math.hypot(bench.whole, own))


def bench_harmonics(calibration: Calibration, channel: int, level_v: float, input_v: float) -> BenchHarmonics:
    """The bench's own harmonics at this level: those of the loopback, by how far its converters are driven here.

    Order k of a weakly bent transfer goes with the level to the power k - 1 (power series). The input, which the
    loopback's dividers leave nearly idle, is taken to be as straight as the output within ``ALIKE`` (judgement, no source).
    Orders 2 and 3, which every converter has, may be as large as the loopback's noise hides where they were not seen. The
    careful side of the whole: all orders in proportion to the level. The noise in the loopback's lines is taken off it.
    """
    if calibration.residual_thd is None:
        return BenchHarmonics((), 0.0)
    out = math.sqrt(2.0) * input_v / calibration.output_volts_per_full_scale[channel] / SHARE
    back = math.sqrt(2.0) * level_v / calibration.input_volts_per_full_scale[channel] / SHARE
    own, hidden = calibration.residual_thd[channel], 0.0
    if calibration.noise_v is not None:
        played = SHARE * calibration.output_volts_per_full_scale[channel] / math.sqrt(2.0)
        noise = line_noise(calibration.noise_v[channel], CALIBRATION_S) / played
        own = math.sqrt(max(own**2 - CALIBRATION_HARMONICS * noise**2, 2.0 * noise**2))
        hidden = SEEN_FROM * noise
    kept = calibration.residual_orders[channel] if calibration.residual_orders is not None else ()
    kept = tuple(b if b > 0.0 or k > 3 else hidden for k, b in enumerate(kept, start=2))
    orders = tuple(b * math.hypot(out ** (k - 1), ALIKE * back ** (k - 1)) for k, b in enumerate(kept, start=2))
    return BenchHarmonics(orders, own * math.hypot(out, back))


def bench_noise_v(calibration: Calibration, channel: int) -> float:
    """The rms noise of the bench's input, referred to the terminals, 20 Hz to 20 kHz; 0 where it was not measured."""
    return calibration.noise_v[channel] if calibration.noise_v is not None else 0.0
