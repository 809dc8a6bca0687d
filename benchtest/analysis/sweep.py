"""Exponential sine sweep: response and distortion of each order against frequency, from one capture.

The recording is divided by the sweep in the frequency domain. The quotient's waveform holds the linear response and,
well before it, one echo for each order of distortion, which a window parts (A. Farina, 108th AES Convention, 2000;
from memory). Clocks that differ stretch the sweep: on a logarithmic axis that is a delay that changes evenly with the
logarithm of frequency, which is told from the device's own phase by taking its minimum phase off first; the sweep is
then made anew at the recorder's clock, from its formula, and the division repeated until nothing is left to correct.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple, Protocol

import numpy as np
from numpy import fft
from numpy.typing import ArrayLike, NDArray

from benchtest.analysis.phasors import counted, sums
from benchtest.analysis.records import one_channel
from benchtest.analysis.transforms import fast_length

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

CLOCK = 500e-6
"""Clocks are assumed to agree within this."""


class Sweep(Protocol):
    """What is asked of the stimulus; ``signals.LogSweep`` is one."""

    @property
    def samples(self) -> FloatArray: ...
    @property
    def start_hz(self) -> float: ...
    @property
    def stop_hz(self) -> float: ...
    @property
    def seconds(self) -> float: ...
    @property
    def sample_rate(self) -> float: ...
    @property
    def peak(self) -> float: ...
    @property
    def fade_s(self) -> float: ...


@dataclass(frozen=True)
class SweepResponse:
    """What one sweep says of one channel.

    frequencies_hz : where the response is given, inside valid_hz.
    response : complex ratio of recording to stimulus, the best linear phase taken out.
    delay_s : that delay, from the stimulus's first sample to its appearance in the recording.
    clock_ratio : rate of the player's clock over the recorder's, 1 + 200e-6 where the recording is that much too short.
    distortion : for each order, the ratio of that harmonic to the fundamental at each frequency of the fundamental (NaN
    where the harmonic lies outside what the sweep and the sample rate can show).
    valid_hz : the band in which the sweep was at its full level.
    """

    frequencies_hz: FloatArray
    response: ComplexArray
    delay_s: float
    clock_ratio: float
    valid_hz: tuple[float, float]
    distortion: dict[int, FloatArray] = field(default_factory=dict)

    @property
    def level_db(self) -> FloatArray:
        """20 lg of the response."""
        result: FloatArray = 20 * np.log10(np.abs(self.response))
        return result

    @property
    def phase_deg(self) -> FloatArray:
        """Phase in degrees (-180, 180], best linear phase taken out."""
        return np.degrees(np.angle(self.response))


def sweep_response(
    recording: ArrayLike,
    sweep: Sweep,
    *,
    frequencies_hz: Sequence[float] | FloatArray | None = None,
    orders: Sequence[int] = (2, 3),
    clock_ratio: float | None = None,
    rings_s: float | None = None,
) -> SweepResponse:
    """Response and distortion from a recorded sweep.

    Parameters
    ----------
    recording : array_like, shape (n,)
        One channel at the sweep's nominal sample rate, from before the sweep's first sound until it has rung out: 0.2 s
        after its end or more.
    sweep : LogSweep
        The stimulus as it was made.
    frequencies_hz : optional
        Where to give the response; by default 24 a octave inside the valid band.
    orders : orders of distortion to give.
    clock_ratio : float, optional
        The player's clock over the recorder's where it is known (from the other channel, or from a steady tone);
        otherwise it is fitted.
    rings_s : float, optional
        For how long the response may ring, s; by default half the sweep. A shorter time lets less noise in and blurs what is
        narrower than its reciprocal, Hz.

    Raises
    ------
    ValueError
        If the recording is shorter than the sweep, malformed, or holds nothing of it; if a frequency is outside the
        valid band.

    Notes
    -----
    The phase is relative to the best linear phase over the valid band (least squares, weighted evenly per octave), so a
    pure delay has none, and of a low-pass what looks like delay is gone as well.
    """
    x = one_channel(recording)
    rate = float(sweep.sample_rate)
    if len(x) < len(sweep.samples):
        raise ValueError(
            f"the recording is {len(x) / rate:g} s long, the sweep {len(sweep.samples) / rate:g} s. Expected all of the "
            "sweep and 0.2 s more: record for longer."
        )
    valid = _valid_band(sweep)
    size = fast_length(len(x) + len(sweep.samples))
    scale = float(np.max(np.abs(x)))
    if not scale > 0.0:
        raise ValueError("the recording is silent. Expected the sweep: check cable, input and level.")
    heard = fft.rfft((x - np.mean(x)) / scale, size)
    ratio = 1.0 if clock_ratio is None else clock_ratio
    quotient, start = _divide(heard, sweep, ratio, size)
    if clock_ratio is None:
        for _ in range(6):
            moved = _clock_step(quotient, start, sweep, ratio, valid)
            if not abs(ratio + moved - 1.0) <= CLOCK:
                raise ValueError(
                    f"the clocks seem to differ by {(ratio + moved - 1.0) * 1e6:.0f} parts per million. Expected at most "
                    f"{CLOCK * 1e6:.0f}: is this a recording of that sweep, and without lost frames?"
                )
            ratio += moved
            quotient, start = _divide(heard, sweep, ratio, size)
            if abs(moved) < 1e-9:
                break
    return _read(quotient * scale, start, sweep, ratio, valid, frequencies_hz, tuple(orders), rings_s)


def _valid_band(sweep: Sweep) -> tuple[float, float]:
    """Frequencies that the sweep passes clear of its fades."""
    rate_s = sweep.seconds / np.log(sweep.stop_hz / sweep.start_hz)
    margin = 1.5 * sweep.fade_s
    low = sweep.start_hz * np.exp(margin / rate_s)
    high = sweep.start_hz * np.exp((sweep.seconds - margin) / rate_s)
    return float(low), float(min(high, 0.49 * sweep.sample_rate))


class _Shape(NamedTuple):
    """What fixes a sweep's waveform."""

    start_hz: float
    stop_hz: float
    seconds: float
    sample_rate: float
    peak: float
    fade_s: float
    frames: int

    @classmethod
    def of(cls, sweep: Sweep) -> _Shape:
        return cls(
            sweep.start_hz,
            sweep.stop_hz,
            sweep.seconds,
            sweep.sample_rate,
            sweep.peak,
            sweep.fade_s,
            len(sweep.samples),
        )


def _at_clock(sweep: _Shape, ratio: float) -> FloatArray:
    """The sweep as a recorder samples it whose clock runs slower than the player's by ``ratio``."""
    rate = sweep.sample_rate
    frames = int(np.ceil(sweep.frames / ratio))
    t = np.arange(frames, dtype=np.float64) * (ratio / rate)
    rate_s = sweep.seconds / np.log(sweep.stop_hz / sweep.start_hz)
    result = sweep.peak * np.sin(2 * np.pi * sweep.start_hz * rate_s * np.expm1(t / rate_s))
    length = sweep.frames / rate
    if sweep.fade_s > 0.0:
        for distance in (t + 0.5 / rate, length - t - 0.5 / rate):
            result *= 0.5 - 0.5 * np.cos(np.pi * np.clip(distance / sweep.fade_s, 0.0, 1.0))
    return np.where(t < length, result, 0.0)


@lru_cache(maxsize=4)
def _divisor(sweep: _Shape, ratio: float, size: int) -> tuple[ComplexArray, FloatArray]:
    """Conjugate spectrum of the stimulus, and its power with the floor; kept for the captures of the same sweep."""
    played = fft.rfft(_at_clock(sweep, ratio), size)
    power = played.real**2 + played.imag**2
    step = sweep.sample_rate / size
    frequency = counted(len(power)) * step
    # What the sweep holds at its ends sets the floor: below it the quotient fades out instead of growing.
    rate_s = sweep.seconds / np.log(sweep.stop_hz / sweep.start_hz)
    expected = (sweep.peak * sweep.sample_rate) ** 2 * rate_s / (4 * np.maximum(frequency, step))
    floor = 1e-3 * expected * _outside(frequency, sweep.start_hz, sweep.stop_hz) + 1e-12 * expected
    return np.conj(played), power + floor


def _divide(heard: ComplexArray, sweep: Sweep, ratio: float, size: int) -> tuple[FloatArray, int]:
    """Waveform of recording over stimulus, regularised where the sweep has no energy, and where its main peak is."""
    played, power = _divisor(_Shape.of(sweep), ratio, size)
    quotient = fft.irfft(heard * played / power, size)
    return quotient, int(np.argmax(np.abs(quotient)))


def _outside(frequency: FloatArray, low: float, high: float) -> FloatArray:
    """0 inside the sweep's band, rising to 1 within a third of an octave beyond."""
    octaves = np.maximum(np.log2(low / np.maximum(frequency, 1e-3)), np.log2(np.maximum(frequency, 1e-3) / high))
    result: FloatArray = 0.5 - 0.5 * np.cos(np.pi * np.clip(3.0 * octaves, 0.0, 1.0))
    return result


def _windowed(quotient: FloatArray, centre: float, before: float, after: float) -> tuple[FloatArray, int]:
    """A stretch of a circular waveform around ``centre``, with half-cosine ends, and the index of its first sample."""
    first, last = int(np.floor(centre - before)), int(np.ceil(centre + after))
    index = np.arange(first, last + 1)
    rise = np.clip((index - first) / max(1.0, 0.5 * before), 0.0, 1.0)
    fall = np.clip((last - index) / max(1.0, 0.5 * after), 0.0, 1.0)
    shape = (0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall))
    stretch: FloatArray = quotient[index % len(quotient)] * shape
    return stretch, first


def _rate_s(sweep: Sweep) -> float:
    return float(sweep.seconds / np.log(sweep.stop_hz / sweep.start_hz))


def _linear_part(
    quotient: FloatArray, start: int, sweep: Sweep, rings_s: float | None = None
) -> tuple[FloatArray, int]:
    """The linear response: clear of the second harmonic's echo before it, and as long as it may ring after it."""
    before = 0.75 * np.log(2.0) * _rate_s(sweep) * sweep.sample_rate
    after = (0.5 * sweep.seconds if rings_s is None else min(rings_s, 0.5 * sweep.seconds)) * sweep.sample_rate
    limit = len(quotient) / 4
    return _windowed(quotient, start, min(before, limit), min(after, limit))


def _fine_phase(
    quotient: FloatArray, start: int, sweep: Sweep, band: tuple[float, float]
) -> tuple[FloatArray, FloatArray, FloatArray, int]:
    """Bins of the linear response inside a band: frequencies, log magnitude of all bins carried on at its slope
    beyond the band, unwrapped phase inside the band with time counted from sample ``start``, and the index of the
    first bin of the band."""
    stretch, first = _linear_part(quotient, start, sweep)
    size = fast_length(2 * len(stretch))
    size += size % 2
    circular = np.zeros(size)
    np.add.at(circular, (np.arange(len(stretch)) + first - start) % size, stretch)
    bins = fft.rfft(circular)
    frequency = counted(len(bins)) * (sweep.sample_rate / size)
    low, high = int(np.ceil(band[0] / frequency[1])), int(np.floor(band[1] / frequency[1]))
    inside = bins[low : high + 1]
    magnitude = np.log(np.maximum(np.abs(inside), 1e-12 * float(np.max(np.abs(inside)))))
    octaves = np.log2(np.maximum(np.arange(len(bins)), 0.5))
    below = magnitude[0] + _slope(octaves[low : high + 1], magnitude, False) * (octaves[:low] - octaves[low])
    above = magnitude[-1] + _slope(octaves[low : high + 1], magnitude, True) * (octaves[high + 1 :] - octaves[high])
    held = np.concatenate([below, magnitude, above])
    return frequency[low : high + 1], held, np.unwrap(np.angle(inside)), low


def _slope(octaves: FloatArray, magnitude: FloatArray, at_top: bool) -> float:
    """Slope of the log magnitude per octave over the last third of an octave at one end."""
    near = octaves >= octaves[-1] - 1 / 3 if at_top else octaves <= octaves[0] + 1 / 3
    if int(np.sum(near)) < 4:
        return 0.0
    x = octaves[near] - np.mean(octaves[near])
    return float(x @ magnitude[near]) / float(x @ x)


def _minimum_phase(log_magnitude: FloatArray) -> FloatArray:
    """Phase of the minimum-phase system with this magnitude (at 0 to half the rate), by the folded cepstrum."""
    size = 2 * (len(log_magnitude) - 1)
    cepstrum = fft.irfft(log_magnitude, size)
    cepstrum[1 : size // 2] *= 2.0
    cepstrum[size // 2 + 1 :] = 0.0
    phase: FloatArray = fft.rfft(cepstrum).imag
    return phase


def _clock_step(quotient: FloatArray, start: int, sweep: Sweep, ratio: float, valid: tuple[float, float]) -> float:
    """By how much the clock ratio must still be moved.

    A clock that is off by e delays the part of the sweep at f by -e L ln(f / f1), which is a phase of
    2 pi e L (f ln(f / f1) - f). It is fitted together with polarity and delay, and with 1 / f and f^3, in which what
    the minimum phase misses (the response outside the band) shows first.
    """
    frequency, held, phase, low = _fine_phase(quotient, start, sweep, valid)
    excess = phase - _minimum_phase(held)[low : low + len(frequency)]
    chosen = (frequency >= 2.0 * valid[0]) & (frequency <= 0.9 * valid[1])
    level = np.exp(held[low : low + len(frequency)])[chosen]
    frequency, excess = frequency[chosen], excess[chosen]
    g = frequency / valid[1]
    stretch = g * np.log(g) - g
    columns = np.stack([np.ones_like(g), g, stretch, 1.0 / g, g**3], axis=1)
    # Evenly per octave, and no more where the response has all but gone.
    weight = np.sqrt(1.0 / frequency) * np.minimum(1.0, level / float(np.median(level)))
    norms = np.linalg.norm(columns * weight[:, None], axis=0)
    solution = np.linalg.lstsq(columns * weight[:, None] / norms, excess * weight, rcond=None)[0] / norms
    return float(solution[2]) / (2 * np.pi * _rate_s(sweep) * valid[1]) * ratio


def _read(
    quotient: FloatArray,
    start: int,
    sweep: Sweep,
    ratio: float,
    valid: tuple[float, float],
    frequencies_hz: Sequence[float] | FloatArray | None,
    orders: tuple[int, ...],
    rings_s: float | None,
) -> SweepResponse:
    rate = sweep.sample_rate
    if frequencies_hz is None:
        count = max(2, int(24 * np.log2(valid[1] / valid[0])))
        frequencies = np.geomspace(valid[0], valid[1], count)
    else:
        frequencies = np.asarray(frequencies_hz, dtype=np.float64)
        outside = frequencies[~((frequencies >= valid[0]) & (frequencies <= valid[1]))]
        if len(outside):
            raise ValueError(
                f"a response at {outside[0]:g} Hz. Expected {valid[0]:.4g} to {valid[1]:.4g} Hz, where this sweep is at its "
                "full level: ask for less, or sweep further."
            )
    stretch, first = _linear_part(quotient, start, sweep, rings_s)
    middle = (len(stretch) - 1) / 2
    response = sums(stretch, frequencies / rate, slope=False).value
    response = response * np.exp(-2j * np.pi * frequencies / rate * (first + middle - start))
    delay = _best_delay(quotient, start, sweep, valid)
    response = response * np.exp(2j * np.pi * frequencies * delay)
    distortion = {}
    for order in orders:
        distortion[order] = _order(quotient, start, sweep, ratio, order, frequencies, valid) / np.abs(response)
    lag = start if start < len(quotient) / 2 else start - len(quotient)
    return SweepResponse(frequencies, response, lag / rate + delay, ratio, valid, distortion)


def _best_delay(quotient: FloatArray, start: int, sweep: Sweep, valid: tuple[float, float]) -> float:
    """Delay against sample ``start`` whose linear phase fits best over the valid band, evenly per octave, seconds.

    The polarity (0 or 180 degrees) is the response's own and stays in it.
    """
    frequency, held, phase, low = _fine_phase(quotient, start, sweep, valid)
    weight = np.sqrt(1.0 / frequency) * np.exp(np.minimum(0.0, held[low : low + len(frequency)] - float(np.max(held))))
    columns = np.stack([np.ones_like(frequency), frequency], axis=1)
    constant = np.linalg.lstsq(columns * weight[:, None], phase * weight, rcond=None)[0][0]
    left = phase - np.pi * np.round(constant / np.pi)
    slope = float((weight * frequency) @ (weight * left)) / float((weight * frequency) @ (weight * frequency))
    return -slope / (2 * np.pi)


def _order(
    quotient: FloatArray,
    start: int,
    sweep: Sweep,
    ratio: float,
    order: int,
    frequencies: FloatArray,
    valid: tuple[float, float],
) -> FloatArray:
    """Level of one harmonic against the frequency of its fundamental, as a ratio to the stimulus; NaN where not
    shown."""
    if order < 2:
        raise ValueError(f"distortion of order {order}. Expected 2 or more.")
    unit = _rate_s(sweep) * sweep.sample_rate / ratio
    centre = start - unit * np.log(order)
    before, after = 0.5 * unit * np.log((order + 1) / order), 0.5 * unit * np.log(order / (order - 1))
    stretch, _ = _windowed(quotient, centre, before, after)
    harmonic = order * frequencies
    shown = harmonic <= valid[1]
    result = np.full(len(frequencies), np.nan)
    if bool(np.any(shown)):
        result[shown] = np.abs(sums(stretch, harmonic[shown] / sweep.sample_rate, slope=False).value)
    return result
