"""Fit of one sine to a record: frequency, amplitude, phase, dc. The four-parameter fit of IEEE Std 1057 and 1241.

Leaves harmonics to ``harmonics`` and judgement to ``analyse``. The fit is plain least squares, so that its estimates
meet the Cramer-Rao bound in white noise; time is counted from mid-record, which decouples phase from frequency.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy import fft
from numpy.typing import ArrayLike, NDArray

from benchtest.analysis.phasors import Sums, Weights, hann, sums, waveform
from benchtest.analysis.records import check_rate, one_channel
from benchtest.analysis.transforms import fast_length

FloatArray = NDArray[np.float64]

FIRST_BIN = 2.5
"""Lines are looked for from this many cycles a record on; below it, dc and drift look like a line."""


@dataclass(frozen=True)
class SineFit:
    """amplitude * cos(2 pi frequency_hz t + phase) + dc, t = 0 at the first sample.

    amplitude is the peak value in the unit of the samples; phase in radians (-pi, pi]; mid_phase the same at the middle
    of the record, (n - 1) / 2 samples later; residual_rms is everything that is left.
    """

    frequency_hz: float
    amplitude: float
    phase: float
    dc: float
    residual_rms: float
    mid_phase: float

    @property
    def rms(self) -> float:
        """rms value of the fitted sine."""
        return self.amplitude / float(np.sqrt(2.0))

    @property
    def sinad(self) -> float:
        """Ratio of the fitted sine to everything else but dc (IEEE 1057); inf where nothing else is left."""
        return self.rms / self.residual_rms if self.residual_rms > 0.0 else float("inf")


def wrapped(phase: float) -> float:
    """A phase in radians brought to (-pi, pi]."""
    return float(np.pi - (np.pi - phase) % (2 * np.pi))


def power_bins(x: FloatArray, weights: FloatArray | None) -> tuple[FloatArray, int]:
    """Squared magnitude of the (weighted) record's transform, and the length of that transform."""
    size = fast_length(len(x))
    spectrum = fft.rfft(x if weights is None else x * weights, size)
    return spectrum.real**2 + spectrum.imag**2, size


def strongest_line(power: FloatArray, size: int, n: int, first: float, last: float) -> tuple[float, float] | None:
    """The highest peak of a Hann-weighted power spectrum between two frequencies.

    Parameters
    ----------
    power, size : as ``power_bins`` returns them
    n : int, samples of the record
    first, last : float, the limits in cycles per sample

    Returns
    -------
    (turns, ratio) or None
        Its frequency in cycles per sample, interpolated, and how many times it stands above the mean power of the noise
        around it. None where there is no peak: the highest value lies at an edge of the range and goes on rising there.
    """
    low = max(1, int(np.ceil(first * size - 1e-9)))
    high = min(len(power) - 2, int(np.floor(last * size + 1e-9)))
    if high < low:
        return None
    peak = low + int(np.argmax(power[low : high + 1]))
    value = power[peak]
    if not value > 0.0 or value < power[peak - 1] or value < power[peak + 1]:
        return None
    if size == n:
        # Hann weights: the ratio of the two highest bins gives a lone line exactly, but for its mirror.
        side = 1 if power[peak + 1] >= power[peak - 1] else -1
        ratio_of_bins = float(np.sqrt(power[peak + side] / value))
        shift = side * (2 * ratio_of_bins - 1) / (1 + ratio_of_bins)
    else:
        # Parabola through the logarithms: good to a few hundredths of a cycle per record, which the fit then refines.
        left, centre, right = np.log(np.maximum(power[peak - 1 : peak + 2], value * 1e-30))
        curve = left - 2 * centre + right
        shift = 0.5 * (left - right) / curve if curve < 0.0 else 0.0
    # The noise around the peak: the median of exponentially distributed powers is ln 2 of their mean.
    bins = size / n
    wide = max(60 * bins, peak / 4)
    below = power[max(0, int(peak - wide)) : max(0, int(peak - 4 * bins))]
    above = power[int(peak + 4 * bins) + 1 : int(peak + wide) + 1]
    around = np.concatenate([below, above])
    noise = float(np.median(around)) / np.log(2.0) if len(around) else 0.0
    ratio = float(value / noise) if noise > 0.0 else float("inf")
    return (peak + float(np.clip(shift, -0.5, 0.5))) / size, ratio


def _normal_equations(
    total: float, at: Sums, turns: float, n: int, a: float, b: float
) -> tuple[FloatArray, float, FloatArray]:
    """Solve for (A, B, C, dw) with the derivative column taken at (a, b); also the least squares of A, B, C alone."""
    k = Weights(n, hann=False)
    w = 2 * np.pi * turns
    d1, d2 = k.cosine(np.array([w, 2 * w]))
    (s1, s2), curvature = k.slope_and_curvature(np.array([w, 2 * w]), np.array([2 * w]))
    square = n * (n**2 - 1.0) / 12
    curve = float(curvature[0])
    xc, xs = float(at.value[0].real), -float(at.value[0].imag)
    xuc, xus = float(at.slope[0].real), -float(at.slope[0].imag)
    even = np.array([[(n + d2) / 2, d1], [d1, float(n)]])
    odd = (n - d2) / 2
    a_dc = np.linalg.solve(even, np.array([xc, total]))
    b_now = xs / odd
    # Column of the derivative: -a u sin + b u cos; its products with cos, 1 (even part) and sin (odd part).
    with_even = np.array([-a * s2 / 2, -a * s1])
    with_odd = b * s2 / 2
    own = ((a * a + b * b) * square + (b * b - a * a) * curve) / 2
    with_x = -a * xus + b * xuc
    even_part = np.linalg.solve(even, with_even)
    odd_part = with_odd / odd
    left = own - with_even @ even_part - with_odd * odd_part
    step = (with_x - a_dc @ with_even - b_now * with_odd) / left if left > 1e-12 * own else 0.0
    solution = np.array([a_dc[0] - step * even_part[0], b_now - step * odd_part, a_dc[1] - step * even_part[1]])
    return solution, float(step), np.array([a_dc[0], b_now, a_dc[1]])


def refine(x: FloatArray, turns: float, *, passes: int = 30) -> tuple[float, float, float, float]:
    """Gauss-Newton from a start within half a cycle per record; returns (turns, A, B, C) about mid-record.

    A and B are the amplitudes of cos and sin of 2 pi turns u, u from mid-record.
    """
    n = len(x)
    total = float(np.sum(x))
    first = turns
    a = b = c = 0.0
    for _ in range(passes):
        at = sums(x, np.array([turns]))
        if a == 0.0 == b:
            _, _, plain = _normal_equations(total, at, turns, n, 0.0, 0.0)
            a, b, c = (float(v) for v in plain)
        solution, step, plain = _normal_equations(total, at, turns, n, a, b)
        moved = step / (2 * np.pi)
        if not abs(turns + moved - first) * n < 1.0 or not 0.0 < turns + moved < 0.5:
            a, b, c = (float(v) for v in plain)  # ran away: the three-parameter fit at the last good frequency
            break
        turns += moved
        a, b, c = (float(v) for v in solution)
        if abs(moved) * n < 1e-13 or (abs(moved) <= 4 * np.spacing(turns)):
            break
    return turns, a, b, c


def refine_step(total: float, left: Sums, n: int, turns: float, amplitude: complex) -> tuple[float, complex]:
    """One unweighted least-squares step from a fit that has been taken off a record, given what it left.

    Parameters
    ----------
    total, left : the sum of what is left, and its sums against the fitted frequency
    n : samples of the record
    turns, amplitude : the fit: Re(amplitude exp(2 pi j turns u)), u from mid-record.

    Returns
    -------
    (turns, amplitude) of the unweighted fit, to first order in the difference.
    """
    solution, step, _ = _normal_equations(total, left, turns, n, amplitude.real, -amplitude.imag)
    moved = step / (2 * np.pi)
    if not abs(moved) * n < 0.5:
        return turns, amplitude
    return turns + moved, amplitude + complex(solution[0], -solution[1])


def _cost(x: FloatArray, turns: FloatArray) -> FloatArray:
    """Energy that a sine and dc explain at each trial frequency (the three-parameter fit), larger is better."""
    n = len(x)
    total = float(np.sum(x))
    at = sums(x, turns, slope=False).value
    k = Weights(n, hann=False)
    w = 2 * np.pi * turns
    d1, d2 = k.cosine(w), k.cosine(2 * w)
    cc, ss = (n + d2) / 2, (n - d2) / 2
    xc, xs = at.real, -at.imag
    determinant = cc * n - d1 * d1
    a = (n * xc - d1 * total) / determinant
    c = (cc * total - d1 * xc) / determinant
    result: FloatArray = a * xc + c * total + xs * xs / ss
    return result


def first_guess(x: FloatArray, turns: float) -> float:
    """A better start where few cycles make the spectrum's peak lean on its mirror: search the three-parameter fit."""
    n = len(x)
    if turns * n > 12.0 and (0.5 - turns) * n > 12.0:
        return turns
    for width in (1.0, 0.1):
        trial = turns + np.linspace(-width, width, 21) / n
        trial = trial[(trial > 0.2 / n) & (trial < 0.5 - 0.2 / n)]
        if len(trial):
            turns = float(trial[np.argmax(_cost(x, trial))])
    return turns


def sine_fit(samples: ArrayLike, sample_rate: float, *, frequency_hz: float | None = None) -> SineFit:
    """Fit one sine and dc to a record by least squares.

    Parameters
    ----------
    samples : array_like, shape (n,)
        Any linear unit.
    sample_rate : float, Hz
    frequency_hz : float, optional
        Where to look for the line, within 2 % and two cycles per record; the frequency itself is always fitted. Without
        it the strongest line is taken.

    Raises
    ------
    ValueError
        If the shape is wrong, a sample is not finite, the frequency is not below half the rate, or there is no line.

    References
    ----------
    .. [1] IEEE Std 1057-2017 and 1241-2010, sine-wave fitting (not read; the algorithm as secondary sources give it).
    .. [2] S. Kay, Fundamentals of Statistical Signal Processing: Estimation Theory, chapter 3 (bounds; from memory).

    Examples
    --------
    >>> t = np.arange(4800) / 48000
    >>> fit = sine_fit(0.5 * np.cos(2 * np.pi * 997.3 * t + 1.0) + 0.01, 48000)
    >>> round(fit.frequency_hz, 6), round(fit.amplitude, 9), round(fit.phase, 9), round(fit.dc, 9)
    (997.3, 0.5, 1.0, 0.01)
    """
    x = one_channel(samples, min_frames=8)
    rate = check_rate(sample_rate)
    n = len(x)
    scale = float(max(np.max(x), -np.min(x)))
    first, last = 0.5 / n, 0.5 - 0.5 / n
    if frequency_hz is not None:
        if not (0.0 < frequency_hz < rate / 2):
            raise ValueError(
                f"a frequency of {frequency_hz!r} Hz at {rate:g} frames per second. Expected above 0 Hz and below half "
                f"the sample rate ({rate / 2:g} Hz)."
            )
        turns = frequency_hz / rate
        slack = max(0.02 * turns, 2.0 / n)
        first, last = max(first, turns - slack), min(last, turns + slack)
    if not scale > 0.0:
        raise ValueError("the record is all zeros. Expected a tone: check the cable and the input that is recorded.")
    y = x / scale
    level = float(np.mean(y))
    weights = hann(n)
    power, size = power_bins(y - level, weights)
    found = strongest_line(power, size, n, first, last)
    if found is None:
        # Fewer than three cycles: the peak leans against 0 Hz. The search of the three-parameter fit decides.
        trial = np.linspace(first, min(last, 4.0 / n) if frequency_hz is None else last, 81)
        start = float(trial[np.argmax(_cost(y, trial))])
    else:
        start = found[0]
    turns, a, b, c = refine(y, first_guess(y, start))
    residual = y - c - waveform(np.array([a - 1j * b]), np.array([turns]), n)
    mid_phase = float(np.arctan2(-b, a))
    return SineFit(
        frequency_hz=float(turns * rate),
        amplitude=float(np.hypot(a, b)) * scale,
        phase=wrapped(mid_phase - 2 * np.pi * turns * (n - 1) / 2),
        dc=c * scale,
        residual_rms=float(np.sqrt(np.mean(residual**2))) * scale,
        mid_phase=wrapped(mid_phase),
    )
