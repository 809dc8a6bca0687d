"""The sound card's driver on a PortAudio that is not there: its stream is driven block by block, by the test's clock.

The same driver on a real PortAudio and audio server: ``tests/audio_server``.
"""

from __future__ import annotations

import inspect
import subprocess
import sys
import tracemalloc
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from benchtest.errors import InstrumentError, LostFrames
from benchtest.instruments import portaudio
from benchtest.instruments.protocols import AudioInterface
from benchtest.instruments.soundcard import SoundCard

RATE = 48_000
DELAY = 9001
"""Frames from output to input of the fake card, more than its longest block, as behind real buffers."""

FLAGS = ("input_overflow", "input_underflow", "output_underflow", "output_overflow")


class Status(SimpleNamespace):
    """Callback flags, as sounddevice hands them over: true where any is set."""

    def __init__(self, **set_flags: bool) -> None:
        super().__init__(**dict.fromkeys(FLAGS, False) | {"priming_output": False} | set_flags)

    def __bool__(self) -> bool:
        return any(vars(self).values())


class FakePortAudioError(Exception):
    pass


class FakeStream:
    """A stream whose callback is called by ``run``; output comes back as input after DELAY frames."""

    def __init__(self, fake: FakePortAudio, **options: Any) -> None:
        if fake.refuses is not None:
            raise fake.refuses
        self.options = options
        self.callback = options["callback"]
        self.samplerate = fake.opened_rate
        self.active = False
        self.closed = False
        self.emitted: list[np.ndarray] = []
        self.status: list[Status] = []  # for the next blocks
        self._line = np.zeros((DELAY, 2), dtype=np.float32)

    def start(self) -> None:
        self.active = True

    def abort(self, ignore_errors: bool = True) -> None:
        self.active = False

    def close(self, ignore_errors: bool = True) -> None:
        self.closed = True

    def run(self, frames: int) -> None:
        output = np.full((frames, 2), 9.0, dtype=np.float32)  # rubbish: whatever is not written would be heard
        status = self.status.pop(0) if self.status else Status()
        self.callback(self._line[:frames].copy(), output, frames, None, status)
        self._line = np.concatenate([self._line[frames:], output])
        self.emitted.append(output)


class FakePortAudio:
    """The part of sounddevice that is used, with two stereo devices, and the clock that drives the streams."""

    PortAudioError = FakePortAudioError

    def __init__(self) -> None:
        self.refuses: Exception | None = None
        self.opened_rate = float(RATE)
        self.frames_per_second = float(RATE)
        self.block_sizes: Callable[[], int] = lambda: 512
        self.stalled = False
        self.streams: list[FakeStream] = []
        self._now = 0.0
        self._due = 0.0
        self._exit_handler = lambda: None

    def query_hostapis(self) -> list[dict[str, Any]]:
        return [{"name": "ALSA"}]

    def query_devices(self) -> list[dict[str, Any]]:
        def device(name: str, outputs: int, inputs: int) -> dict[str, Any]:
            return {
                "name": name,
                "hostapi": 0,
                "max_output_channels": outputs,
                "max_input_channels": inputs,
                "default_samplerate": 48_000.0,
            }

        return [device("USB one", 2, 2), device("USB two", 2, 2), device("Microphone", 0, 1), device("pulse", 32, 32)]

    def get_portaudio_version(self) -> tuple[int, str]:
        return (0, "PortAudio of the tests, nowhere")

    def _terminate(self) -> None:
        pass

    def _initialize(self) -> None:
        pass

    def Stream(self, **options: Any) -> FakeStream:
        self.streams.append(FakeStream(self, **options))
        return self.streams[-1]

    # The clock: waiting is what makes blocks come.

    def now(self) -> float:
        return self._now

    def sleep(self, seconds: float) -> None:
        self._now += seconds
        self._due += seconds * self.frames_per_second
        for stream in self.streams:
            while stream.active and not self.stalled and self._due >= (frames := self.block_sizes()):
                stream.run(frames)
                self._due -= frames


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> FakePortAudio:
    fake = FakePortAudio()
    monkeypatch.setattr(portaudio, "load", lambda: fake)
    return fake


@pytest.fixture
def card(fake: FakePortAudio) -> Iterator[SoundCard]:
    card = SoundCard("USB one", "USB one", RATE, clock=fake)
    card.start()
    yield card
    card.close()


def noise(frames: int, seed: int = 1) -> np.ndarray:
    """Values that float32 holds exactly, no two alike, so that every misplaced frame shows."""
    return np.random.default_rng(seed).integers(1, 2**23, size=(frames, 2)) / 2.0**24


# Opening ---------------------------------------------------------------------------------------------------------------


def test_importing_benchtest_loads_no_portaudio() -> None:
    code = "import benchtest, benchtest.instruments.soundcard, sys; sys.exit('sounddevice' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize(
    ("error", "said"),
    [
        pytest.param(OSError("PortAudio library not found"), "apt install libportaudio2", id="no PortAudio"),
        pytest.param(ImportError("No module named 'sounddevice'"), "sounddevice cannot be imported", id="no package"),
    ],
)
def test_without_portaudio_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, error: Exception, said: str
) -> None:
    def import_module(name: str) -> None:
        raise error

    monkeypatch.setattr(portaudio.importlib, "import_module", import_module)
    with pytest.raises(InstrumentError, match=said):
        SoundCard("pulse", "pulse", RATE)


@pytest.mark.parametrize(
    ("output", "input", "said"),
    [
        ("USB", "USB one", "not unique as output.*'USB one, ALSA'.*'USB two, ALSA'"),
        ("USB one", "FireWire", "No sound card 'FireWire' as input.*'USB two, ALSA'"),
        ("USB one", "Microphone", "fewer than 2 input channels"),
        ("", "USB one", "name of the sound card is empty"),
        ("pulse:", "USB one", "names no sink"),
        ("pulse:a@unix:/one", "pulse:b@unix:/two", "two audio servers"),
    ],
)
def test_device_that_cannot_be_meant(fake: FakePortAudio, output: str, input: str, said: str) -> None:
    with pytest.raises(InstrumentError, match=said):
        SoundCard(output, input, RATE, clock=fake)


def test_devices_by_whole_name_or_unique_part(fake: FakePortAudio) -> None:
    card = SoundCard("usb TWO", "one, alsa", RATE, clock=fake)
    card.start()
    assert fake.streams[0].options["device"] == (0, 1)  # input, output
    assert str(RATE) in card.identity()
    assert isinstance(card, AudioInterface)
    card.close()


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (
            FakePortAudioError("Invalid sample rate [PaErrorCode -9997]", -9997),
            f"Expected a device that runs at {RATE}",
        ),
        (FakePortAudioError("Invalid number of channels [PaErrorCode -9998]", -9998), "two channels each way"),
        (FakePortAudioError("Device unavailable [PaErrorCode -9985]", -9985), "busy or gone"),
        (FakePortAudioError("Unanticipated host error", -9999, (0, -111, "Connection refused")), "audio server runs"),
    ],
)
def test_refusal_is_translated_with_its_text_and_a_remedy(fake: FakePortAudio, error: Exception, said: str) -> None:
    fake.refuses = error
    with pytest.raises(InstrumentError, match=said) as caught:
        SoundCard("USB one", "USB one", RATE, clock=fake).start()
    assert str(error) in str(caught.value)


def test_another_rate_than_asked_for_is_refused(fake: FakePortAudio) -> None:
    fake.opened_rate = 44_100.0
    with pytest.raises(InstrumentError, match="opened at 44100 Hz"):
        SoundCard("USB one", "USB one", RATE, clock=fake).start()
    assert fake.streams[0].closed


def test_stream_without_a_block_is_refused(fake: FakePortAudio) -> None:
    fake.stalled = True
    with pytest.raises(InstrumentError, match="asked for no audio"):
        SoundCard("USB one", "USB one", RATE, clock=fake).start()


def test_audio_servers_address_is_in_the_environment_only_while_it_is_opened(
    fake: FakePortAudio, monkeypatch: pytest.MonkeyPatch
) -> None:
    import os

    seen: dict[str, str | None] = {}
    make = fake.Stream

    def stream(**options: Any) -> FakeStream:
        seen.update({name: os.environ.get(name) for name in ("PULSE_SERVER", "PULSE_SINK", "PULSE_SOURCE")})
        return make(**options)

    monkeypatch.setattr(fake, "Stream", stream)
    monkeypatch.setenv("PULSE_SINK", "mine")
    monkeypatch.delenv("PULSE_SERVER", raising=False)
    card = SoundCard("pulse:out@unix:/there", "pulse:in.monitor@unix:/there", RATE, clock=fake)
    card.start()
    card.close()
    assert seen == {"PULSE_SERVER": "unix:/there", "PULSE_SINK": "out", "PULSE_SOURCE": "in.monitor"}
    assert os.environ["PULSE_SINK"] == "mine"
    assert "PULSE_SERVER" not in os.environ


# Playing and recording ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(8))
def test_every_frame_is_where_it_belongs_whatever_the_blocks(card: SoundCard, fake: FakePortAudio, seed: int) -> None:
    rng = np.random.default_rng(seed)
    fake.block_sizes = lambda: int(rng.integers(1, 9000))
    length, repeat = int(rng.integers(1, 6000)), int(rng.integers(1, 9))
    stimulus = noise(length, seed)
    first = int(rng.integers(0, 12_000))
    stop = first + int(rng.integers(1, 40_000))
    card.begin(stimulus, repeat=repeat, record=(first, stop))
    recording = card.finish()
    played = np.concatenate([np.zeros((DELAY, 2)), np.tile(stimulus, (repeat, 1)), np.zeros((stop, 2))])
    np.testing.assert_array_equal(recording.samples, played[first:stop])
    assert (recording.first_frame, recording.sample_rate, recording.lost_frames) == (first, RATE, 0)


def test_zeros_are_emitted_before_between_and_after(card: SoundCard, fake: FakePortAudio) -> None:
    stimulus = noise(1000)
    for _ in range(2):
        card.begin(stimulus, repeat=2)
        card.finish()
        fake.sleep(0.1)
    emitted = np.concatenate(fake.streams[0].emitted)
    assert np.count_nonzero(np.any(emitted != 0.0, axis=1)) == 2 * 2 * len(stimulus)
    assert np.max(np.abs(emitted)) < 1.0


def test_a_million_repetitions_take_no_more_memory(card: SoundCard) -> None:
    stimulus = noise(48_000)
    tracemalloc.start()
    card.begin(stimulus, repeat=1_000_000, record=(0, 4800))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    card.mute()
    # The stimulus as float32, its check in float64, the window: about twice the stimulus itself.
    assert peak < 3 * stimulus.nbytes


@pytest.mark.parametrize("flag", FLAGS)
def test_gap_that_the_driver_reports_is_counted(card: SoundCard, fake: FakePortAudio, flag: str) -> None:
    fake.streams[0].status = [Status(), Status(**{flag: True}), Status()]
    card.begin(noise(4096), record=(0, 4096))
    assert card.finish().lost_frames == 512


def test_priming_and_gaps_while_nothing_plays_are_none(card: SoundCard, fake: FakePortAudio) -> None:
    fake.streams[0].status = [Status(output_underflow=True)]
    fake.sleep(0.1)
    fake.streams[0].status = [Status(priming_output=True)]
    card.begin(noise(4096), record=(0, 4096))
    assert card.finish().lost_frames == 0


# Alone with the device ---------------------------------------------------------------------------------------------------


def device(name: str, host_api: str) -> portaudio.AudioDevice:
    return portaudio.AudioDevice(0, name, host_api, 2, 2, 48_000.0)


@pytest.mark.parametrize(
    ("host_api", "name", "expected"),
    [
        ("Windows WASAPI", "Line (USB)", ("wasapi", {"exclusive": True})),
        (
            "Core Audio",
            "USB",
            ("core", {"change_device_parameters": True, "fail_if_conversion_required": True}),
        ),
    ],
)
def test_exclusive_is_asked_of_the_host_api_that_has_it(host_api: str, name: str, expected: object) -> None:
    """The options are those of sounddevice's documentation."""
    module = SimpleNamespace(
        WasapiSettings=lambda **more: ("wasapi", more), CoreAudioSettings=lambda **more: ("core", more)
    )
    one = device(name, host_api)
    assert portaudio.exclusive_settings(module, one, one) == (expected, expected)


def test_sounddevice_takes_those_options() -> None:
    sounddevice = pytest.importorskip("sounddevice", exc_type=(ImportError, OSError))
    assert {"exclusive"} <= set(inspect.signature(sounddevice.WasapiSettings.__init__).parameters)
    known = set(inspect.signature(sounddevice.CoreAudioSettings.__init__).parameters)
    assert {"change_device_parameters", "fail_if_conversion_required"} <= known
    assert "extra_settings" in inspect.signature(sounddevice.Stream.__init__).parameters


@pytest.mark.parametrize(
    ("host_api", "name"), [("ASIO", "USB"), ("Windows WDM-KS", "USB"), ("ALSA", "USB: - (hw:1,0)")]
)
def test_hardware_is_exclusive_by_itself(host_api: str, name: str) -> None:
    one = device(name, host_api)
    assert portaudio.exclusive_settings(SimpleNamespace(), one, one) is None


@pytest.mark.parametrize(("host_api", "name"), [("ALSA", "pulse"), ("ALSA", "default"), ("MME", "USB")])
def test_a_shared_device_cannot_be_had_alone(host_api: str, name: str) -> None:
    one = device(name, host_api)
    with pytest.raises(InstrumentError, match=r"is shared with other programs.*exclusive = true.*hw:"):
        portaudio.exclusive_settings(SimpleNamespace(), one, one)


# Tone off ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("frames", [64, 512, 4096])
def test_after_a_mute_one_block_fades_and_then_there_are_zeros(
    card: SoundCard, fake: FakePortAudio, frames: int
) -> None:
    fake.block_sizes = lambda: frames
    card.begin(np.full((48_000, 2), 0.5), repeat=10)
    fake.sleep(0.2)
    blocks = len(fake.streams[0].emitted)
    assert np.all(fake.streams[0].emitted[-1] == 0.5)
    card.mute()
    assert not card.playing()
    fake.sleep(0.4)
    first, *after = fake.streams[0].emitted[blocks:]
    assert len(after) > 1
    assert not any(np.any(block) for block in after)
    assert first[0, 0] == 0.5
    assert np.all(np.diff(first[:, 0]) <= 0.0)
    assert np.max(-np.diff(first[:, 0])) < 0.5 / 25  # no step in it: 5 ms, or the block where that is shorter
    assert np.count_nonzero(first[:, 0]) <= 0.005 * RATE
    with pytest.raises(LostFrames, match="muted"):
        card.finish()


def test_nothing_is_repeated_by_a_mute_while_nothing_plays(card: SoundCard, fake: FakePortAudio) -> None:
    card.begin(np.full((1000, 2), 0.5), record=(0, 1000))
    card.finish()
    blocks = len(fake.streams[0].emitted)
    card.mute()
    fake.sleep(0.1)
    assert not any(np.any(block) for block in fake.streams[0].emitted[blocks:])


def test_muted_while_somebody_waits(card: SoundCard, fake: FakePortAudio, monkeypatch: pytest.MonkeyPatch) -> None:
    wait = fake.sleep

    def sleep(seconds: float) -> None:
        wait(seconds)
        if fake.now() > 1.0:
            card.mute()

    monkeypatch.setattr(fake, "sleep", sleep)
    card.begin(noise(48_000), repeat=100)
    with pytest.raises(LostFrames, match="muted"):
        card.finish()


def test_rearmed_it_does_not_go_on(card: SoundCard, fake: FakePortAudio) -> None:
    card.begin(noise(48_000), repeat=10)
    fake.sleep(0.1)
    card.mute()
    with pytest.raises(InstrumentError, match="muted"):
        card.begin(noise(10))
    card.rearm()  # at once: no block has come in between
    blocks = len(fake.streams[0].emitted)
    fake.sleep(0.1)
    assert not any(np.any(block) for block in fake.streams[0].emitted[blocks:])


def test_interrupted_wait_ends_the_tone(card: SoundCard, fake: FakePortAudio, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(seconds: float) -> None:
        raise KeyboardInterrupt

    card.begin(noise(48_000), repeat=10)
    with monkeypatch.context() as patch:
        patch.setattr(fake, "sleep", interrupted)
        with pytest.raises(KeyboardInterrupt):
            card.finish()
    assert not card.playing()
    fake.sleep(0.1)
    assert not np.any(fake.streams[0].emitted[-1])


# What goes wrong ---------------------------------------------------------------------------------------------------------


def test_stream_that_stops_is_a_device_that_has_gone(card: SoundCard, fake: FakePortAudio) -> None:
    card.begin(noise(48_000), repeat=10)
    fake.sleep(0.1)
    assert card.playing()
    fake.streams[0].active = False
    assert not card.playing()  # or who watches while it plays would watch for ever
    with pytest.raises(InstrumentError, match="has gone: its stream has stopped"):
        card.finish()
    with pytest.raises(InstrumentError, match="has gone"):
        card.begin(noise(10))


def test_no_block_for_two_seconds_is_a_device_that_has_gone(card: SoundCard, fake: FakePortAudio) -> None:
    card.begin(noise(48_000), repeat=10)
    fake.sleep(0.1)
    before = fake.now()
    fake.stalled = True
    with pytest.raises(InstrumentError, match="has gone: no audio for"):
        card.finish()
    assert 2.0 <= fake.now() - before <= 2.5


def test_rate_by_the_clock_is_compared_with_what_was_asked_for(card: SoundCard, fake: FakePortAudio) -> None:
    fake.frames_per_second = 44_100.0
    card.begin(noise(48_000), repeat=6)
    with pytest.raises(InstrumentError, match=r"handled 44\d\d\d frames a second"):
        card.finish()


def test_not_started_it_plays_nothing(fake: FakePortAudio) -> None:
    with pytest.raises(InstrumentError, match="not started"):
        SoundCard("USB one", "USB one", RATE, clock=fake).begin(noise(10))


def test_closing_twice_and_never_started_is_closing(fake: FakePortAudio) -> None:
    card = SoundCard("USB one", "USB one", RATE, clock=fake)
    card.close()
    card.close()


def test_close_that_hangs_is_left_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    import threading

    released = threading.Event()

    class HangingStream:
        def abort(self, ignore_errors: bool) -> None:
            released.wait(10.0)

        close = abort

    monkeypatch.setattr(portaudio, "CLOSE_AT_MOST_S", 0.05)
    monkeypatch.setattr(portaudio, "_hangs", False)
    fake = FakePortAudio()
    portaudio.close_stream(fake, HangingStream())
    with pytest.raises(InstrumentError, match="cannot be opened again"):
        portaudio.refresh(fake)
    released.set()
