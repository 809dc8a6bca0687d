"""When a signal arrives and whether it runs through: latency, onset, steadiness of amplitude and phase.

A capture that lost, doubled or silenced frames is not data; ``steady`` says so from the samples alone, whatever the
driver claims.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy import fft
from numpy.typing import ArrayLike, NDArray

from benchtest.analysis.phasors import hann
from benchtest.analysis.records import check_rate, one_channel
from benchtest.analysis.sine_fit import power_bins, strongest_line, wrapped
from benchtest.analysis.transforms import fast_length

FloatArray = NDArray[np.float64]

SIGNIFICANCE = 8.0
"""A correlation peak must stand this many times above the rms of the lags at which the stimulus and its echo in the
recording do not overlap, each lag weighed by how much of the stimulus reaches into the recording there."""

ENOUGH_COHERENCE = 0.25
"""Where there are too few such lags, the stimulus must explain this share of the recording's energy."""


@dataclass(frozen=True)
class Delay:
    """How much later a recording holds what a stimulus held.

    frames is fractional; gain is recording over stimulus (negative where the polarity is inverted); coherence is the
    share of the recording's energy that the delayed stimulus explains, 0 to 1.
    """

    frames: float
    gain: float
    coherence: float


def latency(stimulus: ArrayLike, recording: ArrayLike, sample_rate: float) -> Delay | None:
    """Find a stimulus in a recording by correlation.

    Sharp with anything that does not repeat itself: a burst, a sweep, noise. A steady tone is found by its ends; the
    phase that the device under test adds to it moves the result by that part of a cycle, and noise may move it by a
    whole one.

    Parameters
    ----------
    stimulus : array_like, shape (n,)
    recording : array_like, shape (m,)
        Any length; the delay may be from -n to m.
    sample_rate : float, Hz

    Returns
    -------
    Delay or None
        None where nothing of the stimulus is in the recording (or either is silent).

    Raises
    ------
    ValueError
        If a shape is wrong or a sample is not finite.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> noise = rng.standard_normal(4800)
    >>> found = latency(noise, np.concatenate([np.zeros(240), -0.5 * noise]), 48000)
    >>> round(found.frames, 6), round(found.gain, 6)
    (240.0, -0.5)
    """
    check_rate(sample_rate)
    played, played_scale = _scaled(one_channel(stimulus))
    heard, heard_scale = _scaled(one_channel(recording))
    energy, heard_energy = float(played @ played), float(heard @ heard)
    if not energy > 0.0 or not heard_energy > 0.0:
        return None
    size = fast_length(len(played) + len(heard))
    correlation = fft.irfft(fft.rfft(heard, size) * np.conj(fft.rfft(played, size)), size)
    peak = int(np.argmax(np.abs(correlation)))
    value = float(correlation[peak])
    coherence = min(1.0, value**2 / (energy * heard_energy))
    if not _stands_out(correlation, peak, played, len(heard), coherence):
        return None
    left, right = float(correlation[peak - 1]), float(correlation[(peak + 1) % size])
    curve = left - 2 * value + right
    shift = float(np.clip(0.5 * (left - right) / curve, -0.5, 0.5)) if curve != 0.0 else 0.0
    lag = peak if peak < len(heard) else peak - size
    height = value - 0.25 * (left - right) * shift
    return Delay(lag + shift, height / energy * heard_scale / played_scale, coherence)


def _scaled(x: FloatArray) -> tuple[FloatArray, float]:
    """The samples without their mean, largest value 1, and what they were divided by; zeros where nothing is left."""
    centred = x - float(np.mean(x))
    largest = float(np.max(np.abs(centred)))
    # A constant leaves the rounding of its mean, not a signal.
    if not largest > 1e-15 * float(np.max(np.abs(x))) + 1e-300:
        return np.zeros(len(x)), 1.0
    return centred / largest, largest


def _stands_out(correlation: FloatArray, peak: int, played: FloatArray, frames: int, coherence: float) -> bool:
    """Whether the peak is more than noise would give."""
    if not coherence * frames > 100.0:  # white noise alone explains 2 ln(frames) / frames by its best lag
        return False
    size, length = len(correlation), len(played)
    lag = np.arange(size)
    distance = np.abs(lag - peak)
    apart = np.minimum(distance, size - distance) > length
    # Energy of the part of the stimulus that lies inside the recording at each lag (negative lags stand at the end).
    below = np.concatenate([[0.0], np.cumsum(played**2)])
    lag = np.where(lag < frames, lag, lag - size)
    inside = below[np.clip(frames - lag, 0, length)] - below[np.clip(-lag, 0, length)]
    enough = inside > 0.05 * below[-1]
    if int(np.sum(apart & enough)) < 256:
        if coherence > ENOUGH_COHERENCE:
            return True
        # The echo fills the recording. A stimulus that does not repeat itself has quiet lags close by all the same.
        apart = np.minimum(distance, size - distance) > max(32, length // 100)
    chosen = apart & enough
    if int(np.sum(chosen)) < 256:
        return False
    level = float(np.sqrt(np.mean(correlation[chosen] ** 2 / inside[chosen]) * below[-1]))
    return bool(abs(correlation[peak]) > SIGNIFICANCE * level)


@dataclass(frozen=True)
class Span:
    """Frames [first, stop) in which a tone stands at more than half of its full amplitude."""

    first: int
    stop: int


def _envelope(x: FloatArray, sample_rate: float, frequency_hz: float, block: int) -> NDArray[np.complex128]:
    """Complex amplitude of the tone in successive blocks (peak values), phase referred to the record's first sample."""
    count = len(x) // block
    turns = frequency_hz / sample_rate
    # The carrier is that of the block's start times that inside a block, which is the same for all of them.
    starts = np.exp(-2j * np.pi * ((np.arange(count) * block * turns) % 1.0))
    inside = 2 * np.pi * ((np.arange(block) * turns) % 1.0)
    parts = x[: count * block].reshape(count, block) @ np.stack([np.cos(inside), -np.sin(inside)], axis=1)
    return np.asarray(starts * (parts[:, 0] + 1j * parts[:, 1]) * (2.0 / block), dtype=np.complex128)


def _block(sample_rate: float, frequency_hz: float, seconds: float) -> int:
    """Samples of about so many seconds that hold whole cycles of the tone as nearly as samples allow; a cycle at
    least."""
    cycles = max(1, round(seconds * frequency_hz))
    return max(4, round(cycles * sample_rate / frequency_hz))


def onset(
    samples: ArrayLike,
    sample_rate: float,
    frequency_hz: float,
    *,
    fade_s: float = 0.05,
    resolution_s: float = 0.002,
) -> Span | None:
    """Where a faded tone begins and ends.

    The tone's amplitude is followed in blocks of whole cycles; its middle part gives the full amplitude and the noise
    before and after it the floor. Half amplitude lies in the middle of a raised-cosine fade: the fade's half length is
    taken off again, so first is where the fade begins and stop where it has ended.

    Parameters
    ----------
    samples : array_like, shape (n,)
    frequency_hz : float, Hz
        Of the tone, within a part in a thousand.
    fade_s : float, seconds
        The raised-cosine fade that the stimulus was made with.
    resolution_s : float, seconds
        Length of a block; one cycle at least.

    Returns
    -------
    Span or None
        None where no tone of that frequency stands out. A span that touches 0 or n was cut off.

    Examples
    --------
    >>> from benchtest.signals import sine
    >>> tone = sine(1000.0, 0.5, 0.3, 48000)
    >>> found = onset(np.concatenate([np.zeros(4800), tone, np.zeros(4800)]), 48000, 1000.0)
    >>> abs(found.first - 4800) <= 24, abs(found.stop - 19200) <= 24
    (True, True)
    """
    x = one_channel(samples)
    rate = check_rate(sample_rate)
    if not 0.0 < frequency_hz < rate / 2:
        raise ValueError(
            f"a tone of {frequency_hz!r} Hz at {rate:g} frames per second. Expected above 0 Hz and below half the rate."
        )
    window = _block(rate, frequency_hz, resolution_s)
    if len(x) < 4 * window:
        return None
    y, _ = _scaled(x)
    tone = running_amplitude(y, rate, frequency_hz, window)
    amplitude = np.abs(tone)
    # Full amplitude: that of the loudest stretch, not of the loudest sample.
    full = float(np.sort(amplitude)[-max(1, min(len(amplitude) // 20, window))])
    above = amplitude > full / 2
    if not full > 0.0 or not _is_a_tone(tone, above, window):
        return None
    edges = np.flatnonzero(np.diff(np.concatenate([[False], above, [False]]).astype(np.int8)))
    starts, ends = edges[::2], edges[1::2] - 1
    # Dips of a cycle or so belong to the tone (noise near the threshold).
    gaps = np.flatnonzero(starts[1:] - ends[:-1] > 2 * window)
    starts, ends = starts[np.concatenate([[0], gaps + 1])], ends[np.concatenate([gaps, [len(ends) - 1]])]
    best = int(np.argmax(ends - starts))
    begin, end = int(starts[best]), int(ends[best])
    half = float(np.median(amplitude[begin : end + 1])) / 2
    begin, end = _crossing(amplitude, begin, end, half)
    half_fade = fade_s * rate / 2
    centre = (window - 1) / 2
    first = 0 if begin == 0 else max(0, round(begin + centre - half_fade))
    stop = len(x) if end == len(amplitude) - 1 else min(len(x), round(end + centre + half_fade) + 1)
    return Span(first, stop) if _holds_the_line(y[first:stop], frequency_hz / rate) else None


def _holds_the_line(x: FloatArray, turns: float) -> bool:
    """Whether the whole span has a line there: a short window also passes what lies far beside its frequency."""
    n = len(x)
    power, size = power_bins(x - float(np.mean(x)), hann(n))
    slack = 2e-3 * turns + 2.5 / n
    found = strongest_line(power, size, n, max(0.5 / n, turns - slack), min(0.5, turns + slack))
    return found is not None and found[1] > np.log(n / 2) + 14.0


def running_amplitude(x: FloatArray, sample_rate: float, frequency_hz: float, window: int) -> NDArray[np.complex128]:
    """Complex amplitude of the tone (peak values) in a window that starts at each sample."""
    carrier = np.exp(-2j * np.pi * ((np.arange(len(x)) * (frequency_hz / sample_rate)) % 1.0))
    total = np.concatenate([[0.0], np.cumsum(x * carrier)])
    return np.asarray((total[window:] - total[:-window]) * (2.0 / window), dtype=np.complex128)


def _is_a_tone(tone: NDArray[np.complex128], above: NDArray[np.bool_], window: int) -> bool:
    """Windows of a tone keep their phase, turning evenly by what the frequency is off; those of noise do not."""
    places = np.flatnonzero(above[:-window:window] & above[window::window]) * window
    if len(places) < 2:
        return False
    turns = tone[places + window] * np.conj(tone[places])
    evenness = abs(np.sum(turns)) / float(np.sum(np.abs(turns)))
    # The mean of random unit vectors is about 1 / sqrt(count) long.
    return bool(evenness > min(0.95, 0.5 + 4.0 / np.sqrt(len(places))))


def _crossing(amplitude: FloatArray, begin: int, end: int, level: float) -> tuple[int, int]:
    """First and last sample above a level, searched outwards and inwards from a first guess."""
    while begin > 0 and amplitude[begin - 1] > level:
        begin -= 1
    while end < len(amplitude) - 1 and amplitude[end + 1] > level:
        end += 1
    inside = np.flatnonzero(amplitude[begin : end + 1] > level)
    return (begin + int(inside[0]), begin + int(inside[-1])) if len(inside) else (begin, end)


@dataclass(frozen=True)
class Steadiness:
    """Whether a tone runs through a record.

    steady is the verdict on the record as data, not on the amplifier. amplitude_spread is the largest departure of a
    block's amplitude from the median, as a ratio; phase_jump the largest change of phase between neighbouring blocks
    that the tone's frequency does not explain, radians; at_frame where the worse of the two was found, None where
    steady. reason is empty where steady.
    """

    steady: bool
    amplitude_spread: float
    phase_jump: float
    at_frame: int | None
    reason: str


def steady(
    samples: ArrayLike,
    sample_rate: float,
    frequency_hz: float,
    *,
    amplitude_tolerance: float = 0.05,
    phase_tolerance: float = 0.02,
) -> Steadiness:
    """Whether amplitude and phase of a tone stay continuous through a record: lost, doubled, silenced frames show here.

    The record must hold the steady part of the tone only (cut with ``onset``, fades left out). Frames that are lost or
    doubled turn the phase by 2 pi frequency / rate for each of them; a whole number of cycles leaves no trace here.
    Noise widens both tolerances to six times the scatter of the blocks.

    Parameters
    ----------
    samples : array_like, shape (n,), ten cycles or more
    frequency_hz : float, Hz
        Of the tone, within a part in a thousand.
    amplitude_tolerance : float
        Departure of one block's amplitude from the median that is still steady, as a ratio.
    phase_tolerance : float
        Jump in radians that is still steady.

    Raises
    ------
    ValueError
        If a shape is wrong, a sample is not finite, or the record holds fewer than ten cycles.

    Examples
    --------
    >>> x = np.sin(2 * np.pi * 1000 / 48000 * np.arange(9600))
    >>> steady(x, 48000, 1000.0).steady, steady(np.delete(x, range(5000, 5064)), 48000, 1000.0).reason
    (True, 'the phase jumps: frames were lost or doubled')
    """
    x = one_channel(samples)
    rate = check_rate(sample_rate)
    cycles = len(x) * frequency_hz / rate
    if not (0.0 < frequency_hz < rate / 2 and cycles >= 10.0):
        raise ValueError(
            f"{cycles:.1f} cycles of {frequency_hz:g} Hz at {rate:g} frames per second. Expected ten or more, and "
            "a frequency below half the rate."
        )
    y, _ = _scaled(x)
    block = _block(rate, frequency_hz, min(0.005, len(x) / rate / 8))
    tone = _envelope(y, rate, frequency_hz, block)
    amplitude = np.abs(tone)
    median = float(np.median(amplitude))
    rms = float(np.sqrt(np.mean(y**2)))
    if not median > 0.05 * rms:
        return Steadiness(False, float("inf"), float("nan"), 0, "there is no tone of that frequency")
    spread = np.abs(amplitude / median - 1.0)
    turn = np.angle(tone[1:] * np.conj(tone[:-1]))
    mean_turn = complex(np.mean(np.exp(1j * turn)))
    if not abs(mean_turn) > 0.7:
        return Steadiness(False, float(np.max(spread)), float("nan"), 0, "there is no tone of that frequency")
    drift = float(np.angle(mean_turn))
    # A jump inside a block shows half in the turn to its left neighbour and half in the one to its right: add both.
    excess = np.array([wrapped(float(t)) for t in turn - drift])
    jump = np.abs(excess)
    if len(excess) > 1:
        jump = np.concatenate([np.maximum(jump[:-1], np.abs(excess[:-1] + excess[1:])), jump[-1:]])
    scatter = float(np.median(np.abs(excess))) / 0.6745
    # Neighbouring blocks tell noise from a level that moved.
    uneven = float(np.median(np.abs(np.diff(amplitude)))) / median / 0.6745 / np.sqrt(2.0)
    amplitude_limit = max(amplitude_tolerance, 6.0 * uneven)
    phase_limit = max(phase_tolerance, 6.0 * np.sqrt(2.0) * scatter)
    worst_amplitude, worst_jump = int(np.argmax(spread)), int(np.argmax(jump))
    found = (float(spread[worst_amplitude]), float(jump[worst_jump]))
    gone = _silenced(x, float(np.max(np.abs(x))) * 2 * np.pi * frequency_hz / rate)
    if gone is not None:
        return Steadiness(False, *found, gone, "frames are exactly zero inside the tone")
    if not found[0] <= amplitude_limit:
        place, reason = worst_amplitude * block, "the amplitude changes: frames were silenced, or the level moved"
        low = float(amplitude[worst_amplitude]) < median
        if low and found[1] > phase_limit and abs(worst_jump - worst_amplitude) <= 1 and spread[worst_amplitude] < 0.9:
            reason = "the phase jumps: frames were lost or doubled"
        return Steadiness(False, *found, place, reason)
    if not found[1] <= phase_limit:
        return Steadiness(False, *found, worst_jump * block + block, "the phase jumps: frames were lost or doubled")
    return Steadiness(True, *found, None, "")


def _silenced(x: FloatArray, slope: float) -> int | None:
    """First frame of a run of four or more exact zeros that the tone, at its slope per frame, cannot have made."""
    zero = np.concatenate([[False], x == 0.0, [False]]).astype(np.int8)
    edges = np.flatnonzero(np.diff(zero))
    if len(edges) == 0:
        return None
    starts, lengths = edges[::2], edges[1::2] - edges[::2]
    step = float(np.min(np.abs(x[x != 0.0]), initial=np.inf))
    bad = (lengths >= 4) & (slope * lengths / 2 > 4 * step)
    return int(starts[np.argmax(bad)]) if bool(np.any(bad)) else None
