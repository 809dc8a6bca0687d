"""One channel taken apart: fundamental, harmonics, hum lines, and the noise that is left. ``analyse`` words the result.

What is counted where. Harmonics and hum lines are fitted and taken from the record; what is left, inside the band, is
noise. A fitted line takes a little of the noise at its place with it: under Hann weights it removes noise worth
``REMOVED`` cycles per record and brings ``HANN_NOISE_BINS`` of them into its own level (both are ratios of sums of
powers of the weights), so the sums below put back the difference. A tone in white noise then has the THD+N that theory
gives, whatever the number of its harmonics.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchtest.analysis.harmonics import Lines, fit_periodic, orders_below
from benchtest.analysis.hum import Hum, find_hum, line_floor
from benchtest.analysis.phasors import counted, hann
from benchtest.analysis.records import MIN_CYCLES
from benchtest.analysis.sine_fit import FIRST_BIN, first_guess, refine_step, strongest_line
from benchtest.analysis.spectrum import HANN_NOISE_BINS, PowerSpectrum, power_of, transform
from benchtest.analysis.weighting import a_power_curve

FloatArray = NDArray[np.float64]

REMOVED = 2 * (5 / 16) / (1 / 2) * (1 / (3 / 8)) - 1.5
"""2 sum(w^3) sum(w)^-1 / sum(w^2) less n sum(w^2) / sum(w)^2, times n: 1.8333 for Hann weights w."""

ROUNDING = 2e-14
"""Relative to the largest sample: a line below it is rounding of 64-bit numbers, not a signal."""


@dataclass(frozen=True)
class Fundamental:
    """The tone: frequency, rms level, its complex peak amplitude at mid-record."""

    frequency_hz: float
    level: float
    amplitude: complex


@dataclass(frozen=True)
class Channel:
    """What one channel holds, rms values in the unit of the samples.

    harmonics : rms levels of orders 2..H inside the band; phases relative to the fundamental in radians; floors, the
    level below which each is lost in noise. residual: the record without tone, harmonics, hum and dc, and spectrum
    its power spectrum in units of scale squared (scale is 1 but for samples whose squares no float can hold).
    total_residual: everything in the band but the fundamental.
    """

    fundamental: Fundamental | None
    harmonics: FloatArray
    phases: FloatArray
    floors: FloatArray
    hum: Hum | None
    dc: float
    noise: float
    noise_a: float
    total_residual: float
    residual: FloatArray
    spectrum: PowerSpectrum
    scale: float


def take_apart(
    x: FloatArray,
    sample_rate: float,
    band_hz: tuple[float, float],
    *,
    fundamental_hz: float | None = None,
    weights: FloatArray | None = None,
    tone: bool = True,
) -> Channel:
    """Take one channel apart.

    Parameters
    ----------
    x : ndarray, shape (n,), contiguous, finite
    band_hz : checked limits (``records.check_band``)
    fundamental_hz : checked (``records.check_fundamental``); only says which line to look for
    weights : ``phasors.hann(n)``, if it is at hand
    tone : False where nothing was played: no line is taken for a fundamental.
    """
    n = len(x)
    w = hann(n) if weights is None else weights
    largest = float(max(np.max(x), -np.min(x)))
    if not largest > 1e-300:
        nothing = np.zeros(0)
        zeros = np.zeros(n)
        spectrum = PowerSpectrum(np.zeros(n // 2 + 1), sample_rate / n, sample_rate / n)
        return Channel(None, nothing, nothing, nothing, None, 0.0, 0.0, 0.0, 0.0, zeros, spectrum, 1.0)
    # Squares of extreme values would overflow or vanish; everything else is taken as it is, without a copy.
    scale = 1.0 if 1e-100 < largest < 1e100 else largest
    largest /= scale
    y = x if scale == 1.0 else x / scale
    mean = float(np.mean(y))
    weighted = y - mean
    weighted *= w
    bins, size = transform(weighted)
    spectrum = power_of(bins, size, n, sample_rate)
    lines = _tone(weighted, spectrum.power, size, sample_rate, band_hz, fundamental_hz, largest) if tone else None
    if lines is not None:
        lines.amplitudes[0] += mean
        residual = lines.waveform(n)
        np.subtract(y, residual, out=residual)
        np.multiply(residual, w, out=weighted)
        del bins
        bins, size = transform(weighted)
        spectrum = power_of(bins, size, n, sample_rate)
        frequency, orders = lines.turns * sample_rate, len(lines.amplitudes) - 1
        occupied, dc = frequency * counted(1, orders + 1), float(lines.amplitudes[0].real)
    else:
        residual, occupied = y - mean, np.zeros(0)
        dc = mean + 2 * float(np.sum(weighted)) / n  # the Hann-weighted mean
    hum = find_hum(n, bins, size, spectrum, sample_rate, occupied)
    if hum is not None:
        residual -= hum.lines.waveform(n)
        # Beyond the last line the Hann-weighted lines leave next to nothing: only the low bins change.
        keep = len(hum.low_bins)
        bins[:keep] -= hum.low_bins
        spectrum.power[:keep] = power_of(bins[:keep], size, n, sample_rate).power
    return _collect(residual, spectrum, lines, hum, dc, scale, sample_rate=sample_rate, band_hz=band_hz)


def _tone(
    weighted: FloatArray,
    power: FloatArray,
    size: int,
    sample_rate: float,
    band_hz: tuple[float, float],
    fundamental_hz: float | None,
    largest: float,
) -> Lines | None:
    """Fundamental and harmonics up to the end of the band, or None where nothing stands above the noise."""
    n = len(weighted)
    first, last = FIRST_BIN / n, 0.5 - FIRST_BIN / n
    if fundamental_hz is not None:
        turns = fundamental_hz / sample_rate
        slack = max(0.02 * turns, 2.0 / n)
        first, last = max(first, turns - slack), min(0.5, turns + slack)
    found = strongest_line(power, size, n, first, last)
    # Largest of n / 2 bins of noise, once in a million records.
    if found is None or not found[1] > np.log(n / 2) + 14.0:
        return None
    start = found[0]
    # One cheap pass with the fundamental alone. Few cycles, where the peak leans on its mirror, take a search before
    # it.
    few = min(start, 0.5 - start) * n < 12.0
    start = fit_periodic(weighted, first_guess(weighted, start) if few else start, 1, passes=3 if few else 1).turns
    # A harmonic just above the band still reaches into it: fit those within four cycles per record as well.
    highest = (band_hz[1] / sample_rate) + 4.0 / n
    fit = fit_periodic(weighted, start, orders_below(start, highest, n))
    if not fit.turns * n >= MIN_CYCLES - 0.01 or not abs(fit.amplitudes[1]) > ROUNDING * largest:
        return None
    return fit


def _collect(
    residual: FloatArray,
    spectrum: PowerSpectrum,
    lines: Lines | None,
    hum: Hum | None,
    dc: float,
    scale: float,
    *,
    sample_rate: float,
    band_hz: tuple[float, float],
) -> Channel:
    n = len(residual)
    seconds = n / sample_rate
    low, high = band_hz
    raw = spectrum.band(low, high)
    raw_a = spectrum.band(low, high, a_power_curve(len(spectrum.power), spectrum.step_hz, spectrum.cycle_hz))
    nothing = np.zeros(0)
    fundamental = None
    harmonics, phases, floors = nothing, nothing, nothing
    fitted = 0
    in_band = 0.0
    if lines is not None:
        turns, amplitude = lines.turns, complex(lines.amplitudes[1])
        # In white noise the unweighted estimate is the best there is (it meets the bound). Where other lines are
        # left, or noise that is not white, it would lean on them, and the weighted one stands.
        kept = max(0.25, 1.0 - REMOVED / (turns * n))
        density_here = float(spectrum.noise_density(np.array([turns * sample_rate]))[0]) / kept
        if float(residual @ residual) / n <= density_here * sample_rate:
            turns, amplitude = refine_step(residual, turns, amplitude)
        frequency = turns * sample_rate
        fundamental = Fundamental(float(frequency), float(abs(amplitude)) * scale / np.sqrt(2.0), amplitude * scale)
        order = counted(2, len(lines.amplitudes))
        order = order[order * frequency <= high * (1 + 1e-9)]
        peaks = lines.amplitudes[order.astype(np.int64)]
        harmonics = np.abs(peaks) / np.sqrt(2.0)
        # Phases at mid-record, order times the fundamental's taken off.
        phases = np.pi - (np.pi - np.angle(peaks) + order * np.angle(lines.amplitudes[1])) % (2 * np.pi)
        density = spectrum.noise_density(order * frequency) if len(order) else nothing
        spacing = lines.turns * n
        density = density / max(0.25, 1.0 - REMOVED / spacing)
        floors = np.maximum(line_floor(density, seconds), ROUNDING * abs(amplitude))
        inside = order * frequency >= low
        in_band += float(np.sum(harmonics[inside] ** 2))
        fitted += int(np.sum(inside)) + int(low <= frequency <= high)
    if hum is not None:
        at = hum.mains_hz * np.arange(1, len(hum.levels) + 1)
        inside = np.isfinite(hum.levels) & (at >= low) & (at <= high)
        in_band += float(np.sum(hum.levels[inside] ** 2))
        fitted += int(np.sum(inside))
    # Noise that the fitted lines took with them.
    share = min(0.75, REMOVED * fitted / max(1e-9, (high - low) * seconds))
    noise = raw / (1.0 - share)
    noise_a = raw_a / (1.0 - share)
    own = HANN_NOISE_BINS * fitted * noise / max(1e-9, (high - low) * seconds)
    total = max(raw, noise - own) + in_band
    if hum is not None:
        hum = replace(hum, levels=hum.levels * scale, floors=hum.floors * scale)
    return Channel(
        fundamental=fundamental,
        harmonics=harmonics * scale,
        phases=phases,
        floors=floors * scale,
        hum=hum,
        dc=dc * scale,
        noise=float(np.sqrt(noise)) * scale,
        noise_a=float(np.sqrt(noise_a)) * scale,
        total_residual=float(np.sqrt(total)) * scale,
        residual=residual if scale == 1.0 else residual * scale,
        spectrum=spectrum,
        scale=scale,
    )
