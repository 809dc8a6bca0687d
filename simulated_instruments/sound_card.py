"""The simulated sound card, in process: the audio protocol on the bench's clock, faster than real time.

``begin`` only registers a stimulus; the bench renders the part of the record window that has come whenever its time
moves. Conversion errors are those of ``converters``; what happens to the volts is the bench's affair.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from benchtest.errors import InstrumentError, LostFrames
from benchtest.instruments.protocols import FloatArray, Recording
from simulated_instruments.converters import REACH, Recorder, interpolated
from simulated_instruments.emission import Emission

if TYPE_CHECKING:
    from simulated_instruments.bench import SimulatedBench

SETTLE_S = 0.03
"""Audio is rendered this long before a record window opens, fade not counted, and thrown away."""

MUTE_BLOCK = 512
"""Frames that the output still holds when it is muted."""


@dataclass
class AudioHooks:
    """Ways in which audio hardware fails, set by tests; each of the counts is used up by one capture.

    lose_frames: so many frames are missing from the middle of the next capture (the driver knows of them if
    ``lost_known``). silence_captures: so many captures return zeros. cut_output, cut_input: channels (0 left, 1 right)
    whose cable is off. gone: the device has been unplugged.
    """

    lose_frames: int = 0
    lost_known: bool = True
    silence_captures: int = 0
    cut_output: Iterable[int] = field(default_factory=set)
    cut_input: Iterable[int] = field(default_factory=set)
    gone: bool = False


class SimulatedSoundCard:
    """An ``AudioInterface`` of the simulated bench."""

    def __init__(self, bench: SimulatedBench, *, sample_rate: int) -> None:
        self.sample_rate = sample_rate
        self.hooks = AudioHooks()
        self.emission: Emission | None = None
        self._bench = bench
        self._open = False
        self._muted = threading.Event()  # set without the bench's lock, so that mute never waits
        self._lost_on_the_way = False

    def identity(self) -> str:
        """What it is; says that it is simulated."""
        return f"simulated sound card, 2 in, 2 out, {self.sample_rate} Hz, 24 bit"

    def start(self) -> None:
        """Open the stream. Idempotent."""
        self._check_there()
        self._open = True

    def begin(self, stimulus: FloatArray, *, repeat: int = 1, record: tuple[int, int] | None = None) -> None:
        """See the protocol. Costs one pass over the stimulus; nothing is rendered yet."""
        samples = np.asarray(stimulus, dtype=np.float64)
        self._check_ready()
        _check_stimulus(samples, repeat, record)
        window = record if record is not None else (0, len(samples) * repeat + self.sample_rate)
        errors = self._bench.truth.converters
        # A recording converter with a crystal of its own: the window is rendered by the playing clock and interpolated.
        ratio = 1.0 + errors.record_ppm * 1e-6
        if ratio != 1.0:
            window = (int(window[0] / ratio), int(window[1] / ratio) + 2 + REACH)
        with self._bench.lock:
            before = self.emission
            if before is not None and before.cursor < before.last and not self._lost_on_the_way:
                raise InstrumentError(
                    "The sound card was asked to begin while it still plays or records. Expected one thing at a time. "
                    "Call finish() first."
                )
            self._lost_on_the_way = False
            self._window = record if record is not None else window
            self.emission = Emission(
                stimulus=samples,
                repeat=repeat,
                record=window,
                start=self._bench.now(),
                rate=self._bench.true_rate,
                latency=errors.latency_frames,
                settle=round(SETTLE_S * self.sample_rate) + (REACH if ratio != 1.0 else 0),
            )

    def finish(self) -> Recording:
        """Let the bench run to the end of emission and record window; what was recorded."""
        emission = self.emission
        if emission is None:
            raise InstrumentError("The sound card was asked to finish, but nothing was begun. Call begin() first.")
        self.note_mute()
        while emission.cursor < emission.last and not self._lost_on_the_way:
            self._check_there()
            self._bench.advance(max(0.0, emission.time_of(emission.last) - self._bench.now()) + 1e-6)
            self.note_mute()
        self.emission = None
        if self._lost_on_the_way:
            raise LostFrames(
                f"The sound card was muted after {emission.cursor} of {emission.last} frames. Expected an undisturbed "
                "capture. What was recorded is thrown away: find out why the tone was switched off, then rearm."
            )
        with self._bench.lock:
            return self._recording(emission)

    @property
    def block_frames(self) -> int:
        """Frames that are under way when it is muted."""
        return MUTE_BLOCK

    def playing(self) -> bool:
        """True while a stimulus is being emitted."""
        emission = self.emission
        if emission is None or self._lost_on_the_way or self._muted.is_set():
            return False
        return emission.cursor < emission.emitted_until

    def mute(self) -> None:
        """Tone off, latched; from any thread, without waiting for the bench."""
        self._muted.set()

    def rearm(self) -> None:
        """Allow tones again. What was cut off stays cut off."""
        self.note_mute()
        self._muted.clear()

    def close(self) -> None:
        """Close the stream; whatever played is off."""
        self.note_mute(force=True)
        self.emission = None
        self._open = False

    def note_mute(self, *, force: bool = False) -> None:
        """Let a mute take effect on what is being emitted; the bench calls this at every step."""
        emission = self.emission
        if emission is None or self._lost_on_the_way or not (force or self._muted.is_set()):
            return
        if emission.cursor < emission.last:
            emission.cut = emission.cursor + MUTE_BLOCK
            self._lost_on_the_way = True

    def _recording(self, emission: Emission) -> Recording:
        bench = self._bench
        volts = np.concatenate(emission.captured) if emission.captured else np.zeros((0, 2))
        first, stop = self._window
        settled = emission.record[0] - emission.render_from
        ratio = 1.0 + bench.truth.converters.record_ppm * 1e-6
        if ratio != 1.0:
            settled = max(0, settled - REACH)
            volts = interpolated(volts, np.arange(first - settled, stop) / ratio - emission.render_from)
        recorder = Recorder(bench.truth.converters, bench.true_rate, bench.audio_noise)
        recorder.settle(emission.dc_v)
        samples = recorder.record(volts)[settled:]
        return self._as_hooked(samples, first)

    def _as_hooked(self, samples: FloatArray, first: int) -> Recording:
        hooks, lost = self.hooks, 0
        for channel in hooks.cut_input:
            samples[:, channel] = 0.0
        if hooks.silence_captures > 0:
            hooks.silence_captures -= 1
            samples = np.zeros_like(samples)
        if hooks.lose_frames > 0:
            middle, count = len(samples) // 2, hooks.lose_frames
            samples = np.concatenate([samples[:middle], samples[middle + count :], np.zeros((count, 2))])
            lost, hooks.lose_frames = (count if hooks.lost_known else 0), 0
        return Recording(samples=samples, sample_rate=self.sample_rate, first_frame=first, lost_frames=lost)

    def _check_there(self) -> None:
        if self.hooks.gone:
            raise InstrumentError(
                "The sound card has gone: the device no longer answers. Expected it to stay plugged in during a run. "
                "Check its cable, then start the run again."
            )

    def _check_ready(self) -> None:
        self._check_there()
        if not self._open:
            raise InstrumentError(
                "The sound card was asked to begin before its stream was opened. Call start() before the mains goes on."
            )
        if self._muted.is_set():
            raise InstrumentError(
                "The sound card is muted. Expected rearm() before another tone. Find out first why it was muted."
            )


def _check_stimulus(samples: FloatArray, repeat: int, record: tuple[int, int] | None) -> None:
    if samples.ndim != 2 or samples.shape[1] != 2 or len(samples) == 0:
        raise InstrumentError(f"The stimulus has the shape {samples.shape}. Expected (frames, 2), one frame at least.")
    if repeat < 1:
        raise InstrumentError(f"repeat = {repeat}. Expected 1 or more.")
    if record is not None and not 0 <= record[0] < record[1]:
        raise InstrumentError(f"record = {record}. Expected (first, stop) in frames, 0 <= first < stop.")
    peak = float(np.max(np.abs(samples)))
    if not peak <= 1.0:  # NaN is refused too
        raise InstrumentError(
            f"The stimulus reaches {peak} of full scale. Expected finite samples between -1.0 and 1.0. Lower its level."
        )
