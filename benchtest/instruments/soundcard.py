"""A sound card through PortAudio: one full-duplex stream for the whole run, zeros whenever nothing plays.

Rules that every change keeps:

* The callback copies between arrays that exist already and looks at plain flags. It computes nothing, allocates nothing
  that grows, takes no lock and calls nobody but the wall clock, so that tone off never waits for anything.
* ``mute`` is one assignment, safe in a signal handler and in any thread; the next block that is filled fades out what
  played, within MUTE_FADE_S, and every one after it is zeros.
* Frames are counted once, in the callback, for both directions: frame 0 of a recording is the one in which the emission
  started, and what the card's buffers add is a delay that the analysis finds.
* A gap that PortAudio reports while something plays or is recorded is counted into ``lost_frames``. A gap that it does
  not report (audio servers conceal them) is found in the data, by the caller.
"""

from __future__ import annotations

import atexit
import threading
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchtest.errors import InstrumentError, LostFrames
from benchtest.instruments import audio_server_names, portaudio
from benchtest.instruments.clock import WallClock
from benchtest.instruments.portaudio import AudioDevice
from benchtest.instruments.protocols import Clock, FloatArray, Recording

LATENCY_S = 0.1
"""Buffer asked of a card: how long a pause of the program goes unheard, and how long a mute takes to be heard."""

SERVER_LATENCY_S = 0.2
"""The same for an audio server, which hands over in larger pieces; tried: 0.04 s tears holes, 0.1 s and more do not."""

SETTLE_S = 0.2
SERVER_SETTLE_S = 2.0
"""No gap for so long after the start, and the stream has settled. A server fills its buffers for up to two seconds."""

_SETTLE_AT_MOST_S = 8.0  # then the gaps are left to whoever counts lost frames

SILENCE_BEFORE_GONE_S = 2.0
"""No callback for so long: the device is gone. The longest buffer above passes in a tenth of it."""

MUTE_FADE_S = 0.005
"""What a mute takes to fade out, at most to the end of its block: a tone that is cut off is a click in a loudspeaker."""

LOOK_WHERE_S = 3.0
"""How often, at most, an audio server is asked where it has the stream, by a thread, while something plays."""

_POLL_S = 0.005
_TILE_FRAMES = 4096  # a short stimulus is written out to this length, so that a block takes few copies
_RATE_TOLERANCE = 0.05  # 44.1 for 48 kHz is 8 % off; a clock's own error is below 0.1 %
_RATE_CHECK_S = 2.0  # shorter, and the buffers' jitter would be taken for a wrong rate

_MUTED_ON_THE_WAY = (
    "The sound card was muted while it played: what was recorded is not data. Find out why the tone was turned off "
    "before it is played again."
)

Float32Array = NDArray[np.float32]


class _Playback:
    """One stimulus on its way out and one window on its way in. Everything is allocated before the callback sees it."""

    def __init__(self, stimulus: FloatArray, repeat: int, record: tuple[int, int]) -> None:
        length = len(stimulus)
        self.total = length * repeat
        times = -(-_TILE_FRAMES // length) if length < _TILE_FRAMES and repeat > 1 else 1
        self.stimulus: Float32Array = np.tile(np.asarray(stimulus, dtype=np.float32), (times, 1))
        self.first, self.stop = record
        self.recorded: Float32Array = np.empty((self.stop - self.first, 2), dtype=np.float32)
        self.recorded.fill(0.0)  # touches the pages now, not in the callback
        self.position = 0
        self.lost_frames = 0
        self.started_at = 0.0
        self.last_at = 0.0
        self.last_frames = 0

    def emit(self, output: Float32Array, frames: int) -> None:
        """Fill a block from the stimulus, round and round, and with zeros behind its end."""
        left = min(frames, self.total - self.position)
        done = 0
        length = len(self.stimulus)
        at = self.position % length
        while done < left:
            n = min(left - done, length - at)
            output[done : done + n] = self.stimulus[at : at + n]
            done += n
            at = 0
        output[max(done, 0) :] = 0.0

    def record(self, input: Float32Array, frames: int) -> None:
        """Keep what of this block lies in the window."""
        low = max(self.first, self.position)
        high = min(self.stop, self.position + frames)
        if low < high:
            self.recorded[low - self.first : high - self.first] = input[low - self.position : high - self.position]

    @property
    def emitting(self) -> bool:
        return self.position < self.total

    @property
    def complete(self) -> bool:
        return self.position >= self.total and self.position >= self.stop


class SoundCard:
    """Plays and records over two devices (or one), named as ``benchtest.instruments.portaudio`` describes.

    Parameters
    ----------
    output_device, input_device : str
        A device's name, a unique part of it, or an audio server's sink and source.
    sample_rate : int
        Hz. A device that refuses it, or that turns out to run at another, is an error.
    latency_s : float, optional
        Buffer asked of the device, s.
    settle_s : float, optional
        ``start`` waits until no gap has been seen for so long, s.
    exclusive : bool, optional
        Take the devices for this program alone, so that nothing is mixed in or resampled; where the host API has no
        such mode, or a shared device is named, that is an error.
    clock : Clock, optional
        The wall clock where left out. It is read in the callback, so it must not wait for anything.

    Raises
    ------
    InstrumentError
        No PortAudio, no such device, not unique, fewer than two channels, rate refused.
    """

    def __init__(
        self,
        output_device: str,
        input_device: str,
        sample_rate: int,
        *,
        latency_s: float | None = None,
        settle_s: float | None = None,
        exclusive: bool = False,
        clock: Clock | None = None,
    ) -> None:
        self.sample_rate = sample_rate
        self._output = portaudio.AudioResource.parse(output_device)
        self._input = portaudio.AudioResource.parse(input_device)
        self._is_server = portaudio.SERVER_DEVICE in (self._output.device, self._input.device)
        self._latency_s = latency_s if latency_s is not None else SERVER_LATENCY_S if self._is_server else LATENCY_S
        self._settle_s = settle_s if settle_s is not None else SERVER_SETTLE_S if self._is_server else SETTLE_S
        self._clock: Clock = clock if clock is not None else WallClock()
        self._stream: Any = None
        self._job: _Playback | None = None
        self._muted = False
        self._sounding = False  # the block before held a stimulus: the first one of a mute fades it out
        self._fade: Float32Array = np.linspace(1.0, 0.0, round(MUTE_FADE_S * sample_rate), dtype=np.float32)[:, None]
        self._dropped = False  # something was muted on the way, and nobody has been told yet
        self._moved = ""
        self._looked_at = -LOOK_WHERE_S
        self.block_frames = 0
        """Frames of the last block that the host asked for."""
        self._blocks = 0
        self._last_block_at = 0.0
        self._last_gap_at = 0.0
        self._portaudio = portaudio.load()
        found = self._find_devices()
        self._output_index, self._input_index = (device.index for device in found)
        self._extra = portaudio.exclusive_settings(self._portaudio, *found) if exclusive else None

    # Opening and closing -------------------------------------------------------------------------------------------

    def identity(self) -> str:
        """Devices, rate and PortAudio's version, for the record."""
        out, into = (f"{r.device}:{r.sink}" if r.sink else r.device for r in (self._output, self._input))
        version = self._portaudio.get_portaudio_version()[1].split(",")[0]
        return f"sound card, output '{out}', input '{into}', {self.sample_rate} Hz, {version}"

    def start(self) -> None:
        """Open the stream and wait until it has settled. Call before the mains goes on. Idempotent.

        Raises InstrumentError: rate refused, device busy, opened but no block within two seconds.
        """
        if self._stream is not None:
            return
        wanted = {
            "samplerate": self.sample_rate,
            "device": (self._input_index, self._output_index),
            "channels": 2,
            "dtype": "float32",
            "extra_settings": self._extra,
        }
        with portaudio.server_environment(self._output, self._input), portaudio.quiet():
            try:
                stream = self._portaudio.Stream(
                    **wanted,
                    # The host's own blocks: made to fit another size, PortAudio 19.6 plays pieces of an audio server's
                    # output twice and reports nothing.
                    blocksize=0,
                    latency=self._latency_s,
                    callback=self._callback,
                    clip_off=True,
                    dither_off=True,
                )
            except self._portaudio.PortAudioError as error:
                lacking = audio_server_names.lacking(self._output, self._input) if self._is_server else ""
                if lacking:
                    raise InstrumentError(lacking) from error
                raise portaudio.translate(error, doing="it was opened", sample_rate=self.sample_rate) from error
            try:
                self._require_rate(float(stream.samplerate))
                blocks = self._blocks
                stream.start()
                self._await_block(stream, blocks)
                self._await_settled(stream)
            except self._portaudio.PortAudioError as error:
                portaudio.close_stream(self._portaudio, stream)
                raise portaudio.translate(error, doing="it was started", sample_rate=self.sample_rate) from error
            except InstrumentError:
                portaudio.close_stream(self._portaudio, stream)
                raise
        self._stream = stream
        self._moved = ""
        self._look_where()
        if self._moved:
            self.close()
            raise InstrumentError(self._moved)
        _open_cards.append(self)
        # Registered after sounddevice's own, so it comes first: that one waits for a hung server for ever.
        atexit.register(self.close)

    def close(self) -> None:
        """Zeros first, then the stream is closed. Idempotent; never raises."""
        self.mute()
        stream, self._stream = self._stream, None
        if stream is not None:
            with portaudio.quiet():
                portaudio.close_stream(self._portaudio, stream)
            if self in _open_cards:
                _open_cards.remove(self)
            atexit.unregister(self.close)

    # Playing and recording -----------------------------------------------------------------------------------------

    def begin(self, stimulus: FloatArray, *, repeat: int = 1, record: tuple[int, int] | None = None) -> None:
        """Start to emit ``stimulus`` and return at once; see ``AudioInterface.begin``."""
        if self._muted:
            raise InstrumentError("The sound card is muted: nothing is played until it is rearmed.")
        if self._stream is None:
            raise InstrumentError("The sound card is not started. Call start() before anything is played.")
        if self._job is not None and not self._job.complete:
            raise InstrumentError("The sound card plays or records already. Call finish() first, or mute().")
        samples = _checked(stimulus)
        if repeat < 1:
            raise InstrumentError(f"repeat = {repeat}. Expected 1 or more times.")
        window = record if record is not None else (0, len(samples) * repeat + self.sample_rate)
        first, stop = window
        if not 0 <= first < stop:
            raise InstrumentError(f"record = ({first}, {stop}). Expected 0 <= first < stop, in frames.")
        self._require_alive()
        self._dropped = False
        self._job = _Playback(samples, repeat, (first, stop))
        if self._is_server and self._clock.now() - self._looked_at > LOOK_WHERE_S:
            self._looked_at = self._clock.now()
            threading.Thread(target=self._look_where, name="where the stream goes", daemon=True).start()

    def finish(self) -> Recording:
        """Wait for the window's end and the emission's, and return what was recorded.

        Raises
        ------
        LostFrames
            If muted on the way.
        InstrumentError
            If nothing was begun, the device has gone, or it runs at another rate than it said.
        """
        job = self._job
        if job is None:
            if self._dropped:
                self._dropped = False
                raise LostFrames(_MUTED_ON_THE_WAY)
            raise InstrumentError("Nothing was begun on the sound card, so there is nothing to finish.")
        try:
            while not job.complete:
                if self._muted or self._job is not job:
                    self._dropped = False
                    if self._moved:
                        raise InstrumentError(self._moved)
                    raise LostFrames(_MUTED_ON_THE_WAY)
                self._require_alive()
                left = max(job.total, job.stop) - job.position
                self._clock.sleep(min(max(left / self.sample_rate / 4.0, 0.002), 0.05))
            self._require_measured_rate(job)
        finally:
            if self._job is job:
                self._job = None
        return Recording(job.recorded.astype(np.float64), self.sample_rate, job.first, job.lost_frames)

    def playing(self) -> bool:
        """True while a stimulus is being emitted; a device that has gone emits nothing, as ``finish`` will say."""
        job = self._job
        return job is not None and not self._muted and job.emitting and self._is_alive()

    def mute(self) -> None:
        """A fade in the next block that is filled, then zeros, until ``rearm``. At once, from any thread or handler."""
        self._muted = True

    def rearm(self) -> None:
        """Allow ``begin`` again. What was muted is dropped, not resumed."""
        if self._muted:
            self._dropped = self._dropped or self._job is not None
            self._job = None  # before the flag: the callback must never see the old stimulus unmuted
            self._muted = False

    # Inside --------------------------------------------------------------------------------------------------------

    def _callback(self, indata: Float32Array, outdata: Float32Array, frames: int, times: Any, status: Any) -> None:
        job = self._job
        if job is None:
            outdata[:] = 0.0
            self._sounding = False
        elif not self._muted:
            job.emit(outdata, frames)
            self._sounding = job.emitting
        elif self._sounding:
            self._sounding = False
            job.emit(outdata, frames)
            fade = self._fade[:: -(-len(self._fade) // max(frames, 1))]  # in a short block fewer and larger steps
            outdata[: len(fade)] *= fade
            outdata[len(fade) :] = 0.0
        else:
            outdata[:] = 0.0
        now = self._clock.now()
        self._last_block_at = now
        self._blocks += 1
        self.block_frames = frames
        gap = bool(status) and (
            status.input_overflow or status.input_underflow or status.output_underflow or status.output_overflow
        )
        if gap:
            self._last_gap_at = now
        if job is None or self._muted:
            return
        job.record(indata, frames)
        if gap:
            job.lost_frames += frames
        if job.position == 0:
            job.started_at = now
        job.last_at = now
        job.last_frames = frames
        job.position += frames

    def _find_devices(self) -> tuple[AudioDevice, AudioDevice]:
        """Output and input. An audio server under load may miss PortAudio's first look, so it gets three."""
        tries = 3 if self._is_server else 1
        for left in reversed(range(tries)):
            with portaudio.server_environment(self._output, self._input):
                if not _open_cards:
                    portaudio.refresh(self._portaudio)
                found = portaudio.devices(self._portaudio)
            try:
                return (
                    portaudio.choose(self._output.device, found, output=True),
                    portaudio.choose(self._input.device, found, output=False),
                )
            except InstrumentError as error:
                if not left:
                    server = self._output.server or self._input.server
                    if not server:
                        raise
                    raise InstrumentError(f"{error} The server named is '{server}'.") from error
                self._clock.sleep(0.5)
        raise AssertionError("the last try returns or raises")

    def check_place(self) -> None:
        """Ask an audio server now where it has the stream. Raises InstrumentError, muted, where that is elsewhere."""
        self._looked_at = self._clock.now()
        self._look_where()
        if self._moved:
            raise InstrumentError(self._moved)

    def _look_where(self) -> None:
        """Ask an audio server where it has this stream now; elsewhere than it should be, and the tone is off."""
        found = audio_server_names.moved(self._output, self._input) if self._is_server else ""
        if found:
            self._moved = (
                f"The audio server has moved the sound card's stream: {found}. The tone is off. A server does so when a "
                "device vanishes or is chosen in the system's sound settings. Plug it in again, give this program its "
                "device there, and start the run again."
            )
            self.mute()

    def _await_block(self, stream: Any, blocks: int) -> None:
        deadline = self._clock.now() + SILENCE_BEFORE_GONE_S
        while self._blocks == blocks:
            if self._clock.now() > deadline or not stream.active:
                raise InstrumentError(
                    f"The sound card was opened but asked for no audio within {SILENCE_BEFORE_GONE_S:g} s. Expected "
                    "blocks of audio for the whole run. Check that the device (or its audio server) is not suspended "
                    "and that no other program holds it."
                )
            self._clock.sleep(_POLL_S)

    def _await_settled(self, stream: Any) -> None:
        started = self._clock.now()
        while stream.active and self._clock.now() - started < _SETTLE_AT_MOST_S:
            if self._clock.now() - max(self._last_gap_at, started) >= self._settle_s:
                return
            self._clock.sleep(_POLL_S)

    def _is_alive(self) -> bool:
        stream = self._stream
        silent_s = self._clock.now() - self._last_block_at
        return stream is not None and bool(stream.active) and silent_s <= SILENCE_BEFORE_GONE_S

    def _require_alive(self) -> None:
        """Raise InstrumentError where the stream has stopped or no block has come for too long."""
        if self._is_alive():
            return
        silent_s = self._clock.now() - self._last_block_at
        self._job = None
        seen = "its stream has stopped" if silent_s <= SILENCE_BEFORE_GONE_S else f"no audio for {silent_s:.1f} s"
        raise InstrumentError(
            f"The sound card has gone: {seen}. Expected blocks of audio for the whole run. Nothing is played any more. "
            "Check the cable, or that the audio server still runs, and start the run again."
        )

    def _require_rate(self, rate: float) -> None:
        if not abs(rate - self.sample_rate) <= 1e-3 * self.sample_rate:
            raise InstrumentError(
                f"The sound card opened at {rate:g} Hz. Expected {self.sample_rate} Hz, as [audio] sample_rate says. "
                "Write the rate that the device runs at."
            )

    def _require_measured_rate(self, job: _Playback) -> None:
        """Compare frames with seconds, where nothing was lost and it lasted long enough to tell."""
        seconds = job.last_at - job.started_at
        if seconds < _RATE_CHECK_S or job.lost_frames:
            return
        rate = (job.position - job.last_frames) / seconds
        # A buffer's worth may come early or late at each end.
        tolerance = _RATE_TOLERANCE + 2.0 * self._latency_s / seconds
        if not abs(rate / self.sample_rate - 1.0) <= tolerance:
            raise InstrumentError(
                f"The sound card handled {rate:.0f} frames a second, by this computer's clock. Expected "
                f"{self.sample_rate}. Set the device to that rate in the system's settings, or write its own rate "
                "under [audio] sample_rate."
            )


_open_cards: list[SoundCard] = []  # looking for devices again would close their streams


def _checked(stimulus: FloatArray) -> FloatArray:
    samples = np.asarray(stimulus, dtype=np.float64)
    if samples.ndim != 2 or samples.shape[1] != 2 or len(samples) == 0:
        raise InstrumentError(f"Stimulus of shape {samples.shape}. Expected (frames, 2), at least one frame.")
    peak = float(np.max(np.abs(samples)))  # NaN where any sample is
    if not peak <= 1.0:
        raise InstrumentError(
            f"Stimulus with a sample of {peak:g}. Expected finite values of at most 1.0 (full scale). Lower the level."
        )
    return samples
