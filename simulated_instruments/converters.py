"""The simulated sound card's converters and their errors: fractions of full scale and volts. Pure but for noise.

Every error is a parameter of ``ConverterErrors``, drawn from a seed by ``draw_converter_errors`` and found nowhere in a
bench file: what a bench file states is what the person believes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.instruments.protocols import FloatArray
from simulated_instruments.amplifier.recursion import lfilter

BITS = 24
_STEP = 2.0 ** (1 - BITS)


@dataclass(frozen=True)
class ConverterErrors:
    """What is true of one sound card.

    Full scales are volts peak for a sample value of 1.0, left and right. Distortion levels are in dB of a full-scale
    sine's fundamental; noise in dB of a full-scale sine's rms, per direction, over the whole band; crosstalk in dB.
    latency_frames is the way from ``begin`` round to the recording, in frames. rate_ppm moves both converters' common
    crystal; record_ppm is how much faster the recording converter runs where it has a crystal of its own, else 0.
    """

    output_full_scale_v: tuple[float, float]
    input_full_scale_v: tuple[float, float]
    latency_frames: int
    rate_ppm: float
    record_ppm: float
    output_h2_db: float
    output_h3_db: float
    input_h2_db: float
    input_h3_db: float
    noise_db: float
    crosstalk_db: float
    input_highpass_hz: float
    output_ohm: float


def draw_converter_errors(
    rng: np.random.Generator, *, sample_rate: int, output_full_scale_v: float, input_full_scale_v: float
) -> ConverterErrors:
    """Draw a plausible sound card round the stated full scales. Common practice for a fair one, no source."""

    def pair(stated: float) -> tuple[float, float]:
        common = stated * (1.0 + rng.uniform(-0.03, 0.03))
        mismatch = 1.0 + rng.uniform(-0.005, 0.005)  # +-0.04 dB between channels
        return (common * mismatch, common / mismatch)

    return ConverterErrors(
        output_full_scale_v=pair(output_full_scale_v),
        input_full_scale_v=pair(input_full_scale_v),
        latency_frames=round(rng.uniform(0.010, 0.060) * sample_rate),
        rate_ppm=rng.uniform(-50.0, 50.0),
        record_ppm=0.0,
        output_h2_db=rng.uniform(-108.0, -100.0),
        output_h3_db=rng.uniform(-108.0, -100.0),
        input_h2_db=rng.uniform(-108.0, -100.0),
        input_h3_db=rng.uniform(-108.0, -100.0),
        noise_db=-110.0 + rng.uniform(-1.0, 1.0),
        crosstalk_db=-95.0 + rng.uniform(-2.0, 2.0),
        input_highpass_hz=2.0 * rng.uniform(0.8, 1.25),
        output_ohm=100.0 * rng.uniform(0.9, 1.1),
    )


def distorted(samples: FloatArray, h2_db: float, h3_db: float) -> FloatArray:
    """A second and a third harmonic at these levels for a full-scale sine, smaller in proportion below it.

    x + a x^2 + b x^3: of a full-scale sine a/2 is the second harmonic's amplitude and b/4 the third's.
    """
    a = 2.0 * 10.0 ** (h2_db / 20.0)
    b = 4.0 * 10.0 ** (h3_db / 20.0)
    result: FloatArray = samples * (1.0 + samples * (a + b * samples))
    return result


def crossed(samples: FloatArray, crosstalk_db: float) -> FloatArray:
    """Each channel plus a little of the other."""
    share = 10.0 ** (crosstalk_db / 20.0)
    result = np.empty_like(samples)
    for channel in (0, 1):
        np.multiply(samples[:, 1 - channel], share, out=result[:, channel])
    result += samples
    return result


def divided(samples: FloatArray, divisors: Sequence[float] | FloatArray) -> FloatArray:
    """(n, 2) over a number for each column: what broadcasting does at a multiple of the cost.

    >>> divided(np.array([[2.0, 3.0], [4.0, 6.0]]), (2.0, 3.0)).tolist()
    [[1.0, 1.0], [2.0, 2.0]]
    """
    result = np.empty(samples.shape)
    for channel in (0, 1):
        np.divide(samples[:, channel], divisors[channel], out=result[:, channel])
    return result


class NoiseTape:
    """White noise, drawn once and read from a random place each time, so that it costs next to nothing.

    Two readings of some thousand frames from one tape overlap now and then, but hardly ever frame upon frame, so they
    are independent for all that spectra and averages can tell. Left and right are independent columns.
    """

    def __init__(self, rng: np.random.Generator, *, frames: int = 2**18) -> None:
        self._rng = rng
        self._frames = frames
        self._tapes: dict[str, NDArray[np.float32]] = {}

    def normal(self, frames: int) -> NDArray[np.float32]:
        """Gaussian noise of unit rms, shape (frames, 2)."""
        return self._read("normal", frames)

    def triangular(self, frames: int) -> NDArray[np.float32]:
        """The difference of two uniform variates, -1 to 1, shape (frames, 2): the classic dither."""
        return self._read("triangular", frames)

    def _read(self, kind: str, frames: int) -> NDArray[np.float32]:
        if 2 * frames > self._frames:
            return self._draw(kind, frames)
        if kind not in self._tapes:
            self._tapes[kind] = self._draw(kind, self._frames)
        start = int(self._rng.integers(self._frames - frames))
        return self._tapes[kind][start : start + frames]

    def _draw(self, kind: str, frames: int) -> NDArray[np.float32]:
        if kind == "normal":
            return self._rng.standard_normal((frames, 2), dtype=np.float32)
        drawn = self._rng.random((frames, 2), dtype=np.float32)
        drawn -= self._rng.random((frames, 2), dtype=np.float32)
        return drawn


def quantised(samples: FloatArray, noise: NoiseTape) -> FloatArray:
    """Clipped at full scale, dithered with triangular noise of two steps' width, rounded to 24 bits."""
    steps = samples * (1.0 / _STEP)
    steps += noise.triangular(len(samples))
    np.rint(steps, out=steps)
    np.clip(steps, -(2.0 ** (BITS - 1)), 2.0 ** (BITS - 1) - 1.0, out=steps)
    steps *= _STEP
    return steps


def _noise(frames: int, noise_db: float, noise: NoiseTape) -> FloatArray:
    result: FloatArray = noise.normal(frames) * np.float64(10.0 ** (noise_db / 20.0) / math.sqrt(2.0))
    return result


def played(samples: FloatArray, errors: ConverterErrors, noise: NoiseTape) -> FloatArray:
    """What stands at the sound card's output, volts, for fractions of full scale, shape (frames, 2)."""
    analogue = distorted(quantised(samples, noise), errors.output_h2_db, errors.output_h3_db)
    analogue += _noise(len(analogue), errors.noise_db, noise)
    result = crossed(analogue, errors.crosstalk_db)
    for channel, full_scale in enumerate(errors.output_full_scale_v):
        result[:, channel] *= full_scale
    return result


class Recorder:
    """The recording converter, with the charge on its coupling capacitors as its only memory.

    Between captures nothing is computed, so a capture begins by charging them to what stood there: ``settle``.
    """

    def __init__(self, errors: ConverterErrors, sample_rate: float, noise: NoiseTape) -> None:
        self.errors = errors
        self._noise = noise
        self._pole = math.exp(-2.0 * math.pi * errors.input_highpass_hz / sample_rate)
        self._b = np.array([0.5 * (1.0 + self._pole), -0.5 * (1.0 + self._pole)])
        self._state: FloatArray = np.zeros((1, 2))

    def settle(self, dc_v: FloatArray) -> None:
        """Charge the coupling capacitors to ``dc_v`` (2,), as if it had stood there for long."""
        self._state = -self._b[0] * np.asarray(dc_v, dtype=np.float64)[None, :]

    def record(self, volts: FloatArray) -> FloatArray:
        """Fractions of full scale for volts at the sound card's input, both (frames, 2)."""
        errors = self.errors
        fraction = divided(self._highpass(volts), errors.input_full_scale_v)
        fraction = crossed(distorted(fraction, errors.input_h2_db, errors.input_h3_db), errors.crosstalk_db)
        fraction += _noise(len(fraction), errors.noise_db, self._noise)
        return quantised(fraction, self._noise)

    def _highpass(self, volts: FloatArray) -> FloatArray:
        a = np.array([1.0, -self._pole])
        filtered = np.empty_like(volts, dtype=np.float64)
        for channel in range(volts.shape[1]):
            filtered[:, channel], self._state[:, channel] = lfilter(
                self._b, a, np.asarray(volts[:, channel], dtype=np.float64), self._state[:, channel]
            )
        return filtered


REACH = 32
"""Frames on either side that ``interpolated`` needs."""


def interpolated(samples: FloatArray, positions: FloatArray) -> FloatArray:
    """Band-limited interpolation of samples (frames, 2) at fractional frame positions, by a Kaiser-windowed sinc.

    64 points, beta 12: flat within 1e-5 to 0.43 of the sample rate. A position needs ``REACH`` frames on either side;
    frames beyond the ends count as the nearest end.

    Examples
    --------
    >>> n = np.arange(400.0)
    >>> tone = np.sin(2 * np.pi * 0.2 * n)[:, None].repeat(2, axis=1)
    >>> at = np.arange(100.0, 300.0) + 0.37
    >>> bool(np.max(np.abs(interpolated(tone, at)[:, 0] - np.sin(2 * np.pi * 0.2 * at))) < 1e-5)
    True
    """
    offsets = np.arange(1 - REACH, REACH + 1)
    result = np.empty((len(positions), samples.shape[1]))
    for start in range(0, len(positions), 16384):  # keeps the table of taps small
        at = positions[start : start + 16384]
        whole = np.floor(at).astype(np.intp)
        distance = (at - whole)[:, None] - offsets[None, :]
        inside = np.clip(1.0 - (distance / REACH) ** 2, 0.0, None)
        taps = np.sinc(distance) * np.i0(12.0 * np.sqrt(inside)) / np.i0(12.0)
        taps /= taps.sum(axis=1, keepdims=True)
        index = np.clip(whole[:, None] + offsets[None, :], 0, len(samples) - 1)
        for channel in range(samples.shape[1]):
            result[start : start + len(at), channel] = np.einsum("ij,ij->i", taps, samples[index, channel])
    return result
