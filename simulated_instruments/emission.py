"""One stimulus on its way out: which frames are emitted when, how strong they are meanwhile, which are recorded. Pure.

Frames are counted from the one in which emission starts. The whole latency of the sound card lies in its output buffer,
so frame k of the recording is captured k frames after ``begin``, and the amplifier then hears frame k - latency of the
stimulus.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from benchtest.instruments.protocols import FloatArray

_BLOCK_S = 0.05
_STEADY = 0.01  # blocks whose rms differ by less belong to one stretch
_SILENT = 1e-9
_FADE_S = 0.01  # and four cycles at least


@dataclass(frozen=True)
class Stretch:
    """A part of a stimulus that is steady enough to be told by its rms (fractions of full scale) and frequency.

    first and stop count frames of one pass of the stimulus.
    """

    first: int
    stop: int
    rms: tuple[float, float]
    frequency_hz: float

    @property
    def silent(self) -> bool:
        """Whether nothing sounds in it."""
        return max(self.rms) < _SILENT


def strength(samples: FloatArray, sample_rate: float) -> tuple[tuple[float, float], float]:
    """Rms of both channels over whole cycles of the louder one, and its frequency in Hz (0 where it has none).

    Whole cycles, found by the rising zero crossings, make the rms of a sine independent of where the piece was cut.

    Examples
    --------
    >>> tone = np.sin(2 * np.pi * 997.0 / 48000 * np.arange(4321))[:, None] * np.array([1.0, 0.5])
    >>> (left, right), frequency = strength(tone, 48000)
    >>> round(left, 4), round(right, 4), round(frequency, 2)
    (0.7071, 0.3536, 997.0)
    """
    columns = np.ascontiguousarray(samples.T)
    powers = [float(column @ column) for column in columns]
    frames = float(len(samples))
    louder = columns[int(np.argmax(powers))]
    below = louder < 0.0
    rising = np.flatnonzero(below[:-1] & (louder[1:] >= 0.0))
    frequency = 0.0
    if len(rising) >= 2:
        before, after = louder[rising[[0, -1]]], louder[rising[[0, -1]] + 1]
        crossing = rising[[0, -1]] + before / (before - after)
        frames = float(crossing[1] - crossing[0])  # the cycles' true length, a fraction of a frame included
        frequency = (len(rising) - 1) / frames * sample_rate
        powers = [float(part @ part) for part in columns[:, rising[0] + 1 : rising[-1] + 1]]
    return (math.sqrt(powers[0] / frames), math.sqrt(powers[1] / frames)), frequency


def stretches(stimulus: FloatArray, sample_rate: float) -> list[Stretch]:
    """Cut a stimulus into steady stretches, 50 ms or longer, so that nobody needs to render it to know its power.

    A fade of 50 ms at either end counts to what it leads to or from.
    """
    frames = len(stimulus)
    block = max(1, round(_BLOCK_S * sample_rate))
    starts = np.arange(0, frames, block)
    counts = np.diff(np.append(starts, frames))
    columns = np.ascontiguousarray(stimulus.T)
    powers = np.array([[part @ part for part in columns[:, first : first + block]] for first in starts])
    rms = np.sqrt(powers / counts[:, None])
    cuts = [0]
    for index in range(1, len(starts)):
        first, now = rms[cuts[-1]], rms[index]
        if not np.all(np.abs(now - first) <= _STEADY * first + _SILENT):
            cuts.append(index)
    cuts.append(len(starts))
    if len(cuts) > 2 and cuts[1] == 1 and cuts[2] > 2 and _is_fade(rms[0], rms[1]):
        del cuts[1]
    if len(cuts) > 2 and cuts[-2] == len(starts) - 1 > cuts[-3] + 1 and _is_fade(rms[-1], rms[-2]):
        del cuts[-2]
    edges = [int(starts[index]) for index in cuts[:-1]] + [frames]
    found = []
    for first_frame, stop in pairwise(edges):
        edge = block if stop - first_frame >= 3 * block else 0
        piece = stimulus[first_frame + edge : min(stop - edge, first_frame + edge + round(0.5 * sample_rate))]
        level, frequency = strength(piece, sample_rate)
        found.append(Stretch(first_frame, stop, level, frequency))
    return found


def _is_fade(outer: FloatArray, inner: FloatArray) -> bool:
    """Whether a block beside a steady one is its fade: weaker in every channel, but not silent."""
    return bool(np.all(outer <= inner) and np.any(outer > _SILENT))


@dataclass
class Emission:
    """A stimulus begun at ``start`` (bench seconds), and how far it has come.

    record is (first, stop) in frames; cursor is the first frame that the bench has not come to yet. Rendering begins a
    little before the record window, at render_from, so that what keeps no memory between captures settles: a tone that
    runs already is faded in over ``fade`` frames (which leaves coupling capacitors without a transient), and ``settle``
    frames follow.
    """

    stimulus: FloatArray
    repeat: int
    record: tuple[int, int]
    start: float
    rate: float
    latency: int
    settle: int
    cursor: int = 0
    cut: int | None = None
    captured: list[FloatArray] = field(default_factory=list)
    dc_v: FloatArray = field(default_factory=lambda: np.zeros(2))
    """What stood at the sound card's input when rendering began, volts."""

    def __post_init__(self) -> None:
        self._stretches = stretches(self.stimulus, self.rate)
        self._firsts = [stretch.first for stretch in self._stretches]
        self.render_from = max(0, self.record[0] - self.settle)
        self.fade = 0
        stretch = self.stretch_at(self.render_from)
        if stretch is not None:
            cycles = 4.0 / stretch.frequency_hz if stretch.frequency_hz > 0.0 else 0.0
            self.fade = round(max(_FADE_S, min(cycles, 0.2)) * self.rate)
            self.render_from = max(0, self.render_from - self.fade)
        if self.render_from <= self.latency:  # silence came before: rendered from the first frame on, as it is
            self.fade = 0

    @property
    def emitted_until(self) -> int:
        """The frame in which the last of the stimulus has left, cut or not."""
        end = self.latency + len(self.stimulus) * self.repeat
        return end if self.cut is None else min(end, self.cut)

    @property
    def last(self) -> int:
        """The frame at which nothing is left to emit or to record."""
        return max(self.emitted_until, self.record[1])

    def time_of(self, frame: int) -> float:
        """Bench time of a frame."""
        return self.start + frame / self.rate

    def frame_at(self, time: float) -> int:
        """The frame that the bench has come to at a time, never beyond ``last``."""
        return min(int((time - self.start) * self.rate + 1e-6), self.last)

    def rendering(self, frame: int) -> bool:
        """Whether a frame is wanted as audio, for the recording or to settle for it."""
        return self.render_from <= frame < self.record[1]

    def stretch_at(self, frame: int) -> Stretch | None:
        """What sounds in a frame, None for silence."""
        emitted = frame - self.latency
        if emitted < 0 or frame >= self.emitted_until:
            return None
        stretch = self._stretches[bisect_right(self._firsts, emitted % len(self.stimulus)) - 1]
        return None if stretch.silent else stretch

    def next_change(self, frame: int) -> int:
        """The next frame after ``frame`` where the stretch, the emission or the rendering changes."""
        edges = [self.render_from, self.record[1], self.latency, self.emitted_until, self.last]
        emitted = frame - self.latency
        if emitted >= 0 and frame < self.emitted_until and len(self._stretches) > 1 and not self.rendering(frame):
            passes, within = divmod(emitted, len(self.stimulus))
            stop = self._stretches[bisect_right(self._firsts, within) - 1].stop
            edges.append(self.latency + passes * len(self.stimulus) + stop)
        return min((edge for edge in edges if edge > frame), default=frame + 1)

    def emitted(self, first: int, stop: int) -> FloatArray:
        """Frames first..stop as they are emitted, zeros before, after and beyond a cut."""
        samples = np.zeros((stop - first, 2))
        begin, end = max(first, self.latency), min(stop, self.emitted_until)
        if begin < end:
            passed = begin - self.latency
            while passed < end - self.latency:
                at = passed % len(self.stimulus)
                piece = self.stimulus[at : at + end - self.latency - passed]
                place = passed + self.latency - first
                samples[place : place + len(piece)] = piece
                passed += len(piece)
        faded = min(stop, self.render_from + self.fade)
        if self.render_from <= first < faded:
            position = (np.arange(first, faded) - self.render_from + 0.5) / self.fade
            samples[: faded - first] *= (0.5 - 0.5 * np.cos(np.pi * position))[:, None]
        return samples
