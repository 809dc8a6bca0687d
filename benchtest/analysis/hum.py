"""Hum: lines at 1 to 10 times the mains frequency, which is taken from the record (50 or 60 Hz, within 1 %).

Works on what a fit of the tone has left, so that the fundamental does not leak into the lines; a line that coincides
with the tone or one of its harmonics cannot be told from it and has no level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.analysis.band_record import BandRecord
from benchtest.analysis.harmonics import Lines, solve_lines
from benchtest.analysis.phasors import Weights, counted
from benchtest.analysis.spectrum import HANN_NOISE_BINS, ComplexArray, PowerSpectrum

FloatArray = NDArray[np.float64]

MAINS_HZ = (50.0, 60.0)
TOLERANCE = 0.01
ORDERS = 10
APART_CYCLES = 2.0
"""Lines closer than this many cycles per record coincide: Hann weights do not part them."""
COARSE_CYCLES = 0.2
"""Step of the search for the mains frequency, cycles per record: one cycle to either side for the tenth line."""
MIN_CYCLES = 4.0
"""Cycles of the mains that a record must hold before hum is looked for."""

COMPONENT = 3.0
"""A line below this many standard uncertainties of one of its components is not reported: noise alone passes once in 90
times (exp(-9/2))."""


@dataclass(frozen=True)
class Hum:
    """lines holds the fit (orders 0..10 of the mains frequency); levels the rms values of orders 1..10, NaN where a
    line coincides with the tone; floors the rms value below which a line is lost in noise; low_bins, what the lines
    put into the first bins of the weighted record's transform."""

    mains_hz: float
    lines: Lines
    levels: FloatArray
    floors: FloatArray
    low_bins: ComplexArray

    @property
    def total(self) -> float:
        """rms sum of the lines that have a level."""
        return float(np.sqrt(np.nansum(self.levels**2)))


def line_floor(density: FloatArray, seconds: float) -> FloatArray:
    """rms level below which a Hann-weighted line is lost in noise of that density (V^2/Hz)."""
    result: FloatArray = COMPONENT * np.sqrt(HANN_NOISE_BINS * density / seconds / 2)
    return result


def find_hum(
    n: int,
    bins: ComplexArray,
    size: int,
    spectrum: PowerSpectrum,
    sample_rate: float,
    occupied_hz: Sequence[float] | FloatArray = (),
) -> Hum | None:
    """Hum in a record of n samples that was multiplied by Hann weights, from which the tone has been taken.

    Parameters
    ----------
    bins, size, spectrum : the weighted record's transform with its length, and its power spectrum
    occupied_hz : frequencies of the tone and its harmonics

    Returns
    -------
    Hum or None
        None where no line stands out of the noise, or the record is too short to tell.
    """
    seconds = n / sample_rate
    if seconds * MAINS_HZ[0] < MIN_CYCLES or sample_rate < 3 * MAINS_HZ[1]:
        return None
    orders = min(ORDERS, int(0.45 * sample_rate / (MAINS_HZ[1] * (1 + TOLERANCE))))
    # Everything of interest lies below the last line: search a decimated record.
    top = MAINS_HZ[1] * (1 + TOLERANCE) * orders + 50.0 / seconds
    keep = min(len(bins), int(np.ceil(top * 1.1 / spectrum.step_hz)) + 2)
    record = BandRecord.low(bins, size, n, keep)
    occupied = np.asarray(occupied_hz, dtype=np.float64)

    grids = []
    for nominal in MAINS_HZ:
        half = nominal * TOLERANCE
        count = int(np.clip(np.ceil(2 * half * seconds / COARSE_CYCLES), 3, 1201)) | 1
        grids.append(np.linspace(nominal - half, nominal + half, count))
    grid = np.concatenate(grids)
    start = float(grid[np.argmax(_energies(record, grid, sample_rate, orders, occupied, seconds))])
    order = counted(1, orders + 1)
    turns = start / sample_rate
    for _ in range(5):
        coincide = _coincide(turns * sample_rate * order, occupied, seconds)
        lines, moved = _fit(record, turns, orders, coincide)
        if not abs(moved) * n > 1e-4:  # what is left changes levels in second order
            break
        turns += float(np.clip(moved, -COARSE_CYCLES / n, COARSE_CYCLES / n))
    mains = lines.turns * sample_rate
    frequencies = mains * order
    levels = np.abs(lines.amplitudes[1:]) / np.sqrt(2.0)
    floors = line_floor(spectrum.noise_density(frequencies), seconds)
    coincide = _coincide(frequencies, occupied, seconds)
    ratio = np.where(coincide, 0.0, levels / np.maximum(floors, np.finfo(np.float64).tiny)) * COMPONENT
    # Power over mean noise power is ratio^2 / 2; the largest of all lines that were tried must pass once in 1000
    # records.
    tried = sum(max(ORDERS, int(2 * nominal * TOLERANCE * seconds * ORDERS)) for nominal in MAINS_HZ)
    if not float(np.max(ratio)) ** 2 / 2 > np.log(tried) + 7.0:
        return None
    amplitudes = lines.amplitudes.copy()
    amplitudes[0] = 0.0
    amplitudes[1:][coincide] = 0.0
    low_bins = record.bins_of(lines.turns, amplitudes)
    return Hum(mains, Lines(lines.turns, amplitudes), np.where(coincide, np.nan, levels), floors, low_bins)


def _energies(
    record: BandRecord, grid: FloatArray, rate: float, orders: int, occupied: FloatArray, seconds: float
) -> FloatArray:
    """Energy in the lines of each trial mains frequency."""
    lines = np.outer(grid, counted(1, orders + 1))
    power = record.energies(grid / rate, orders)
    result: FloatArray = np.sum(np.where(_coincide(lines, occupied, seconds), 0.0, power), axis=1)
    return result


def _fit(record: BandRecord, turns: float, orders: int, coincide: NDArray[np.bool_]) -> tuple[Lines, float]:
    """Orders 0..10 at a trial frequency, and by how much it should move (cycles per sample).

    What the fitted lines themselves put into each other's slopes is taken off before the rest is read as a turn of the
    lines against the trial frequency, each by its power.
    """
    order = counted(orders + 1)
    at = record.sums(order * turns)
    lines = solve_lines(at.value, turns, record.n)
    kernel = Weights(record.n, hann=True)
    w = 2 * np.pi * turns
    odd, (square,) = kernel.slope_and_curvature(w * counted(2 * orders + 1), np.array([0.0]))
    k = np.arange(orders + 1)
    up, down = odd[k[:, None] + k], np.sign(k[:, None] - k) * odd[np.abs(k[:, None] - k)]
    cosines, sines = lines.amplitudes.real, -lines.amplitudes.imag
    slope = at.slope - ((up - down) @ sines - 1j * ((up + down) @ cosines)) / 2
    amplitudes = np.where(coincide, 0.0, lines.amplitudes[1:])
    weight = square * float(order[1:] ** 2 @ np.abs(amplitudes) ** 2)
    if not weight > 0.0:
        return lines, 0.0
    return lines, float(order[1:] @ np.imag(slope[1:] * np.conj(amplitudes))) / weight / np.pi


def _coincide(frequencies: FloatArray, occupied: FloatArray, seconds: float) -> NDArray[np.bool_]:
    if len(occupied) == 0:
        return np.zeros(frequencies.shape, dtype=np.bool_)
    distance = np.min(np.abs(frequencies[..., None] - occupied), axis=-1)
    result: NDArray[np.bool_] = distance < APART_CYCLES / seconds
    return result
