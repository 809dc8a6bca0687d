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

from benchtest.analysis.band_record import BandRecord
from benchtest.analysis.harmonics import Lines, fit_periodic, orders_below
from benchtest.analysis.hum import Hum, find_hum, line_floor
from benchtest.analysis.phasors import Sums, counted, hann, line_sums, sums
from benchtest.analysis.records import MIN_CYCLES
from benchtest.analysis.sine_fit import FIRST_BIN, first_guess, refine_step, strongest_line
from benchtest.analysis.spectrum import HANN_NOISE_BINS, ComplexArray, PowerSpectrum, power_of, transform
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
    hum: bool = True,
) -> Channel:
    """Take one channel apart.

    Parameters
    ----------
    x : ndarray, shape (n,), contiguous, finite
    band_hz : checked limits (``records.check_band``)
    fundamental_hz : checked (``records.check_fundamental``); only says which line to look for
    weights : ``phasors.hann(n)``, if it is at hand
    tone : False where nothing was played: no line is taken for a fundamental.
    hum : False leaves mains lines in the noise; every total is the same.
    """
    n = len(x)
    w = hann(n) if weights is None else weights
    largest = float(max(np.max(x), -np.min(x)))
    if not largest > 1e-300:
        nothing = np.zeros(0)
        spectrum = PowerSpectrum(np.zeros(n // 2 + 1), sample_rate / n, sample_rate / n)
        return Channel(None, nothing, nothing, nothing, None, 0.0, 0.0, 0.0, 0.0, spectrum, 1.0)
    # Squares of extreme values would overflow or vanish; everything else is taken as it is, without a copy.
    scale = 1.0 if 1e-100 < largest < 1e100 else largest
    largest /= scale
    y = x if scale == 1.0 else x / scale
    mean = float(np.mean(y))
    weighted = y - mean
    weighted *= w
    bins, size = transform(weighted)
    spectrum = power_of(bins, size, n, sample_rate)
    found = _tone(weighted, w, bins, size, spectrum, band_hz, fundamental_hz, largest) if tone else None
    lines = None
    occupied = np.zeros(0)
    if found is not None:
        lines, record = found
        _take_off(record.bins_of(lines.turns, lines.amplitudes), bins, spectrum, size, n)
        occupied = lines.turns * sample_rate * counted(1, len(lines.amplitudes))
        dc = mean + float(lines.amplitudes[0].real)
    else:
        dc = mean + 2 * float(np.sum(weighted)) / n  # the Hann-weighted mean
    mains = find_hum(n, bins, size, spectrum, sample_rate, occupied) if hum else None
    if mains is not None:
        # Beyond the last line the Hann-weighted lines leave next to nothing: only the low bins change.
        _take_off(mains.low_bins, bins, spectrum, size, n)
    return _collect(y, spectrum, lines, mains, dc, scale, sample_rate=sample_rate, band_hz=band_hz)


def _take_off(model: ComplexArray, bins: ComplexArray, spectrum: PowerSpectrum, size: int, n: int) -> None:
    """Take a model off the first bins of a record, and renew the power spectrum there."""
    keep = len(model)
    bins[:keep] -= model
    spectrum.power[:keep] = power_of(bins[:keep], size, n, 1.0).power


def _tone(
    weighted: FloatArray,
    weights: FloatArray,
    bins: ComplexArray,
    size: int,
    spectrum: PowerSpectrum,
    band_hz: tuple[float, float],
    fundamental_hz: float | None,
    largest: float,
) -> tuple[Lines, BandRecord] | None:
    """Fundamental and harmonics up to the end of the band, or None where nothing stands above the noise."""
    n = len(weighted)
    rate = spectrum.step_hz * size
    first, last = FIRST_BIN / n, 0.5 - FIRST_BIN / n
    if fundamental_hz is not None:
        turns = fundamental_hz / rate
        slack = max(0.02 * turns, 2.0 / n)
        first, last = max(first, turns - slack), min(0.5, turns + slack)
    found = strongest_line(spectrum.power, size, n, first, last)
    # Largest of n / 2 bins of noise, once in a million records.
    if found is None or not found[1] > np.log(n / 2) + 14.0:
        return None
    start = found[0]
    # A harmonic just above the band still reaches into it: fit those within four cycles per record as well.
    highest = band_hz[1] / rate + 4.0 / n
    record = BandRecord.up_to(max(highest, start), weighted, weights, bins, size)
    # One cheap pass with the fundamental alone. Few cycles, where the peak leans on its mirror, take a search first.
    few = min(start, 0.5 - start) * n < 12.0
    start = fit_periodic(record, first_guess(weighted, start) if few else start, 1, passes=3 if few else 1).turns
    fit = fit_periodic(record, start, orders_below(start, highest, n))
    if not fit.turns * n >= MIN_CYCLES - 0.01 or not abs(fit.amplitudes[1]) > ROUNDING * largest:
        return None
    return fit, record


def _unweighted(y: FloatArray, lines: Lines, hum: Hum | None, dc: float) -> tuple[float, complex]:
    """One unweighted least-squares step of the fundamental, all other lines taken off in closed form."""
    n = len(y)
    amplitudes = [np.array([dc + 0j]), lines.amplitudes[1:]]
    turns = [np.zeros(1), lines.turns * counted(1, len(lines.amplitudes))]
    if hum is not None:
        amplitudes.append(hum.lines.amplitudes[1:])
        turns.append(hum.lines.turns * counted(1, len(hum.lines.amplitudes)))
    model = line_sums(np.concatenate(amplitudes), np.concatenate(turns), np.array([0.0, lines.turns]), n)
    at = sums(y, np.array([lines.turns]))
    left = Sums(at.value - model.value[1], at.slope - model.slope[1])
    total = float(np.sum(y)) - float(model.value[0].real)
    return refine_step(total, left, n, lines.turns, complex(lines.amplitudes[1]))


def _collect(
    y: FloatArray,
    spectrum: PowerSpectrum,
    lines: Lines | None,
    hum: Hum | None,
    dc: float,
    scale: float,
    *,
    sample_rate: float,
    band_hz: tuple[float, float],
) -> Channel:
    n = len(y)
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
        at_orders = turns * sample_rate * counted(1, len(lines.amplitudes))
        density = spectrum.noise_density(at_orders) / kept
        if float(np.sum(spectrum.power[2:])) <= density[0] * sample_rate:
            turns, amplitude = _unweighted(y, lines, hum, dc)
        frequency = turns * sample_rate
        fundamental = Fundamental(float(frequency), float(abs(amplitude)) * scale / np.sqrt(2.0), amplitude * scale)
        order = counted(2, len(lines.amplitudes))
        order = order[order * frequency <= high * (1 + 1e-9)]
        peaks = lines.amplitudes[order.astype(np.int64)]
        harmonics = np.abs(peaks) / np.sqrt(2.0)
        # Phases at mid-record, order times the fundamental's taken off.
        phases = np.pi - (np.pi - np.angle(peaks) + order * np.angle(lines.amplitudes[1])) % (2 * np.pi)
        floors = np.maximum(line_floor(density[1 : 1 + len(order)], seconds), ROUNDING * abs(amplitude))
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
        spectrum=spectrum,
        scale=scale,
    )
