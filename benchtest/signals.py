"""Stimuli as arrays. Pure: no device, no file, no clock; randomness is passed in.

Every stimulus is mono, shape (n,), float64, in whatever linear unit ``peak`` is given in (fractions of full scale for
an audio interface), and ``peak`` is its largest sample value, never an rms value. ``stereo`` puts two of them side by
side. A stimulus begins and ends at zero: ``fade_s`` of raised cosine at either end, inside its length, because a tone
that is switched on abruptly is a click in the loudspeaker and a step on the DC watch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

__all__ = [
    "LogSweep",
    "bursts",
    "faded",
    "log_sweep",
    "multitone",
    "silence",
    "sine",
    "square",
    "stereo",
    "two_tone",
    "whole_cycles_hz",
]


def _frames(seconds: float, sample_rate: float) -> int:
    if not (0.0 < sample_rate < np.inf):
        raise ValueError(f"sample rate {sample_rate!r} Hz. Expected a rate above 0 Hz, such as 96000.")
    if not (0.0 < seconds < np.inf):
        raise ValueError(f"a stimulus of {seconds!r} s. Expected a length above 0 s.")
    frames = round(seconds * sample_rate)
    if frames < 2:
        raise ValueError(
            f"{seconds!r} s at {sample_rate!r} Hz is {frames} frames. Expected two or more: ask for longer."
        )
    return frames


def _check_tone(frequency_hz: float, sample_rate: float) -> None:
    if not (0.0 < frequency_hz < sample_rate / 2):
        raise ValueError(
            f"a tone of {frequency_hz!r} Hz at {sample_rate!r} frames per second. Expected above 0 Hz and below half "
            f"the sample rate ({sample_rate / 2:g} Hz): choose another frequency or a higher sample rate."
        )


def _check_peak(peak: float) -> None:
    if not (0.0 <= peak < np.inf):
        raise ValueError(f"a peak of {peak!r}. Expected a finite value of 0 or more, in the unit of the samples.")


def faded(samples: FloatArray, sample_rate: float, fade_s: float = 0.05) -> FloatArray:
    """The samples with a raised-cosine rise and fall of ``fade_s`` at their ends, inside their length.

    Parameters
    ----------
    samples : ndarray, shape (n,) or (n, channels)
    fade_s : float, seconds; 0 leaves the samples as they are.

    Raises
    ------
    ValueError
        If the two fades do not fit into the samples.

    Examples
    --------
    >>> faded(np.ones(5), 1.0, 2.0).round(3).tolist()
    [0.146, 0.854, 1.0, 0.854, 0.146]
    """
    frames = round(fade_s * sample_rate)
    if not (0 <= 2 * frames <= len(samples)):
        raise ValueError(
            f"two fades of {fade_s!r} s do not fit into {len(samples) / sample_rate:g} s. Expected at most half of it: "
            "shorten the fade or lengthen the stimulus."
        )
    result = np.array(samples, dtype=np.float64)
    if frames:
        rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(frames) + 0.5) / frames)
        shape = (frames,) + (1,) * (result.ndim - 1)
        result[:frames] *= rise.reshape(shape)
        result[-frames:] *= rise[::-1].reshape(shape)
    return result


def silence(seconds: float, sample_rate: float) -> FloatArray:
    """Zeros, shape (n,): how nothing is played while something is recorded."""
    return np.zeros(_frames(seconds, sample_rate))


def sine(
    frequency_hz: float,
    peak: float,
    seconds: float,
    sample_rate: float,
    *,
    fade_s: float = 0.05,
    phase: float = 0.0,
) -> FloatArray:
    """A sine of the stated peak (not rms) value; ``phase`` in radians at the first frame; fades lie inside ``seconds``.

    Returns
    -------
    ndarray, shape (round(seconds * sample_rate),)

    Raises
    ------
    ValueError
        If the frequency is not between 0 and half the sample rate, or the fades do not fit.

    Examples
    --------
    >>> tone = sine(1000.0, 0.5, 0.2, 48000)
    >>> tone.shape, bool(abs(tone.max() - 0.5) < 1e-9), bool(tone[0] == 0.0)
    ((9600,), True, True)
    """
    _check_tone(frequency_hz, sample_rate)
    _check_peak(peak)
    n = np.arange(_frames(seconds, sample_rate))
    return faded(peak * np.sin(2 * np.pi * frequency_hz / sample_rate * n + phase), sample_rate, fade_s)


def two_tone(
    frequencies_hz: tuple[float, float],
    peak: float,
    seconds: float,
    sample_rate: float,
    *,
    ratio: float = 4.0,
    fade_s: float = 0.05,
) -> FloatArray:
    """Two sines for intermodulation; the first is ``ratio`` times as large as the second (4 to 1, or 1 to 1).

    ``peak`` is the sum of the two peak values, so that the signal swings as far as a sine of that peak (common
    practice, no source): 0.8 and 0.2 of it at 4 to 1, a half each at 1 to 1.

    Examples
    --------
    >>> pair = two_tone((60.0, 7000.0), 1.0, 1.0, 48000)
    >>> bool(0.99 < pair.max() <= 1.0)
    True
    """
    low, high = frequencies_hz
    _check_tone(low, sample_rate)
    _check_tone(high, sample_rate)
    _check_peak(peak)
    if not (0.0 < ratio < np.inf):
        raise ValueError(f"a ratio of {ratio!r} between the two tones. Expected a number above 0, such as 4 or 1.")
    n = np.arange(_frames(seconds, sample_rate))
    small = peak / (1.0 + ratio)
    samples = ratio * small * np.sin(2 * np.pi * low / sample_rate * n)
    samples += small * np.sin(2 * np.pi * high / sample_rate * n)
    return faded(samples, sample_rate, fade_s)


@dataclass(frozen=True)
class LogSweep:
    """An exponential sine sweep with what its deconvolution needs.

    The phase is 2 pi start_hz L (exp(t / L) - 1) with L = seconds / ln(stop_hz / start_hz), so the instantaneous
    frequency passes n times a frequency L ln(n) later: harmonics of order n appear ``advance_s(n)`` early in the
    deconvolved response (Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine
    technique", 108th AES Convention, 2000; from memory, and checked numerically in the tests).
    """

    samples: FloatArray
    start_hz: float
    stop_hz: float
    seconds: float
    sample_rate: float
    peak: float
    fade_s: float

    @property
    def rate_s(self) -> float:
        """L, seconds in which the frequency grows by the factor e."""
        return float(self.seconds / np.log(self.stop_hz / self.start_hz))

    def advance_s(self, order: int) -> float:
        """How much earlier than the linear response the response of harmonic ``order`` appears, seconds."""
        return float(self.rate_s * np.log(order))

    def time_of_s(self, frequency_hz: float) -> float:
        """When the sweep passes a frequency, seconds from its first frame."""
        return float(self.rate_s * np.log(frequency_hz / self.start_hz))


def log_sweep(
    start_hz: float,
    stop_hz: float,
    peak: float,
    seconds: float,
    sample_rate: float,
    *,
    fade_s: float = 0.05,
) -> LogSweep:
    """An exponential sine sweep from ``start_hz`` to ``stop_hz``; the fades take the ends of the band with them.

    Examples
    --------
    >>> sweep = log_sweep(20.0, 20000.0, 1.0, 1.0, 48000)
    >>> sweep.samples.shape, round(sweep.advance_s(2), 4)
    ((48000,), 0.1003)
    """
    _check_tone(start_hz, sample_rate)
    _check_tone(stop_hz, sample_rate)
    _check_peak(peak)
    if not start_hz < stop_hz:
        raise ValueError(f"a sweep from {start_hz!r} to {stop_hz!r} Hz. Expected the first below the second.")
    n = np.arange(_frames(seconds, sample_rate))
    rate = seconds / np.log(stop_hz / start_hz)
    phase = 2 * np.pi * start_hz * rate * np.expm1(n / (sample_rate * rate))
    samples = faded(peak * np.sin(phase), sample_rate, fade_s)
    return LogSweep(samples, start_hz, stop_hz, seconds, sample_rate, peak, fade_s)


def bursts(
    frequency_hz: float,
    peak: float,
    sample_rate: float,
    *,
    count: int = 3,
    on_s: float = 0.020,
    period_s: float = 0.500,
    low_db: float = -20.0,
) -> FloatArray:
    """Tone bursts for dynamic headroom: by default 20 ms of the tone every 500 ms, 20 dB less in between.

    IHF-A-202 (1978), from memory: 1 kHz, 20 ms, every 500 ms, the tone between bursts 20 dB lower. The steps fall on
    zero crossings when on_s and period_s hold whole cycles; the record begins and ends with the low tone, itself faded.
    ``low_db`` -inf is silence in between.

    Returns
    -------
    ndarray, shape (round((count * period_s) * sample_rate),); burst i starts (i + 0.5) * period_s - on_s / 2 after the
    first frame, moved to the next upward zero crossing.

    Examples
    --------
    >>> burst = bursts(1000.0, 1.0, 48000, count=2)
    >>> burst.shape
    (48000,)
    """
    _check_tone(frequency_hz, sample_rate)
    _check_peak(peak)
    if not (0.0 < on_s < period_s < np.inf) or count < 1 or not low_db <= 0.0:
        raise ValueError(
            f"{count!r} bursts of {on_s!r} s every {period_s!r} s, {low_db!r} dB in between. Expected one or more, the "
            "burst shorter than the period, the level in between 0 dB or less."
        )
    total = _frames(count * period_s, sample_rate)
    cycles = frequency_hz / sample_rate * np.arange(total)
    envelope = np.full(total, 10 ** (low_db / 20))
    for index in range(count):
        first = np.ceil(((index + 0.5) * period_s - on_s / 2) * frequency_hz - 1e-9)
        last = first + round(on_s * frequency_hz)
        envelope[(cycles >= first - 1e-9) & (cycles < last - 1e-9)] = 1.0
    samples = peak * envelope * np.sin(2 * np.pi * cycles)
    return faded(samples, sample_rate, min(0.05, period_s / 8))


def whole_cycles_hz(frequency_hz: float, seconds: float, sample_rate: float) -> float:
    """The frequency nearest to ``frequency_hz`` of which ``seconds`` hold a whole number of cycles (one at least).

    Examples
    --------
    >>> whole_cycles_hz(999.0, 0.1, 48000)
    1000.0
    """
    length = _frames(seconds, sample_rate) / sample_rate
    return max(1, round(frequency_hz * length)) / length


def multitone(
    frequencies_hz: Sequence[float],
    peak: float,
    seconds: float,
    sample_rate: float,
    *,
    fade_s: float = 0.05,
    rng: np.random.Generator | None = None,
) -> FloatArray:
    """Equal sines at the stated frequencies, scaled so that the largest sample is ``peak``.

    Phases grow with the square of the index, which keeps the crest factor low (S. Boyd, "Multitone signals with low
    crest factor", IEEE Trans. Circuits Syst. 33(10), 1986, phases after Newman; from memory). With ``rng`` they
    are drawn.

    Examples
    --------
    >>> tones = multitone([100.0, 1000.0, 10000.0], 0.5, 1.0, 48000)
    >>> round(float(abs(tones).max()), 12)
    0.5
    """
    frequencies = np.asarray(frequencies_hz, dtype=np.float64)
    if frequencies.ndim != 1 or len(frequencies) == 0:
        raise ValueError("a multitone without frequencies. Expected one or more, in Hz.")
    for frequency in frequencies:
        _check_tone(float(frequency), sample_rate)
    _check_peak(peak)
    count = len(frequencies)
    index = np.arange(count)
    phases = np.pi * index**2 / count if rng is None else rng.uniform(0.0, 2 * np.pi, count)
    n = np.arange(_frames(seconds, sample_rate))
    samples = np.zeros(len(n))
    for frequency, phase in zip(frequencies, phases, strict=True):
        samples += np.sin(2 * np.pi * frequency / sample_rate * n + phase)
    samples = faded(samples, sample_rate, fade_s)
    largest = float(np.max(np.abs(samples)))
    return samples * (peak / largest) if largest > 0.0 else samples


def square(frequency_hz: float, peak: float, seconds: float, sample_rate: float, *, fade_s: float = 0.0) -> FloatArray:
    """A square wave that alternates between +peak and -peak at sample instants (not band-limited), for rise time.

    Examples
    --------
    >>> square(1.0, 1.0, 1.0, 8).tolist()
    [1.0, 1.0, 1.0, 1.0, -1.0, -1.0, -1.0, -1.0]
    """
    _check_tone(frequency_hz, sample_rate)
    _check_peak(peak)
    half_cycles = np.floor(2 * frequency_hz / sample_rate * np.arange(_frames(seconds, sample_rate)) + 1e-9)
    return faded(np.where(half_cycles % 2 == 0, peak, -peak), sample_rate, fade_s)


def stereo(left: FloatArray | None = None, right: FloatArray | None = None) -> FloatArray:
    """Two mono stimuli side by side, shape (n, 2); one that is left out is silence.

    Examples
    --------
    >>> stereo(left=np.array([1.0, 2.0])).tolist()
    [[1.0, 0.0], [2.0, 0.0]]
    """
    if left is None and right is None:
        raise ValueError("neither left nor right was given. Expected one of them, or both: pass an array.")
    arrays = [np.asarray(x, dtype=np.float64) for x in (left, right) if x is not None]
    lengths = {array.shape for array in arrays}
    if len(lengths) != 1 or arrays[0].ndim != 1:
        raise ValueError(f"channels of shapes {sorted(lengths)}. Expected mono arrays of one length.")
    result = np.zeros((len(arrays[0]), 2))
    if left is not None:
        result[:, 0] = left
    if right is not None:
        result[:, 1] = right
    return result
