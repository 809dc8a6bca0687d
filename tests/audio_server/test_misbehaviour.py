"""The whole way from the safety limits through PortAudio to an audio server that misbehaves: what is said, and when.

Each message is held to name what happened and what to do. A busy machine may lose frames by itself; where that would spoil
a test it is tried again, TRIES times at most, as measurements do.
"""

from __future__ import annotations

import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime

import numpy as np
import pytest

from benchtest import fitness
from benchtest.amplifier_file import unknown_amplifier
from benchtest.bench import Instruments
from benchtest.bench_file import bench_from_text
from benchtest.errors import InstrumentError, LostFrames, SafetyStop
from benchtest.instruments import audio_server_names, soundcard
from benchtest.instruments.clock import WallClock
from benchtest.instruments.soundcard import SoundCard
from benchtest.safety import GuardedBench
from simulated_instruments.audio_bridge import AudioBridge
from simulated_instruments.audio_server import INPUT_SINK, OUTPUT_SINK, AudioServer

pytestmark = pytest.mark.needs("pulseaudio", "pulseaudio-utils", "libportaudio2", "libasound2-plugins")

RATE = 96_000
TRIES = 3
BENCH = """
[bench]
name = "over an audio server"
simulated = true
[load]
left_ohm = 8.0
right_ohm = 8.0
tolerance_percent = 1.0
[audio]
driver = "sound_card"
output_device = "o"
input_device = "i"
sample_rate = 96000
output_full_scale_v = 1.0
input_full_scale_v = 1.0
left_input_divider = 1.0
right_input_divider = 1.0
"""


class NobodyAsked:
    """An operator who does what he is told, at once: there is nothing to plug in here."""

    def set(self, settings, *, say):
        pass

    def tell(self, text):
        pass

    def close(self):
        pass


class Path:
    """What stands between the sinks: a faint noise, as converters give, and whatever a test does to the blocks."""

    def __init__(self) -> None:
        self.change: Callable[[np.ndarray], np.ndarray] = lambda samples: samples
        self._noise = np.random.default_rng(1).standard_normal((65_536, 2)) * 1e-5

    def __call__(self, samples: np.ndarray) -> np.ndarray:
        return self.change(samples + self._noise[: len(samples)])


@pytest.fixture
def own() -> Iterator[AudioServer]:
    with AudioServer() as server:
        yield server


@pytest.fixture
def path() -> Path:
    return Path()


@pytest.fixture
def bench(own: AudioServer, path: Path) -> Iterator[GuardedBench]:
    bridge = AudioBridge(path, own)
    opened = a_bench(own)
    yield opened
    own.signal(signal.SIGCONT)
    opened.close()
    bridge.close()


def a_bench(server: AudioServer, rate: int = RATE) -> GuardedBench:
    card = SoundCard(server.output_device, server.input_device, rate, settle_s=0.2)
    instruments = Instruments(
        file=bench_from_text(BENCH.replace("96000", str(rate)), "bench.toml"), path=None, clock=WallClock(),
        operator=NobodyAsked(), meters={}, audio=card, mains_socket=None, simulated=True, started_utc=datetime.now(UTC),
        seed=0, closers=[card.close],
    )  # fmt: skip
    bench = GuardedBench(instruments, unknown_amplifier())
    bench.hook_up(sound_card="loopback")
    return bench


def notes(bench: GuardedBench) -> list[str]:
    found: list[str] = []
    bench.events.subscribe(lambda event: found.append(event["text"]) if event["event"] == "note" else None)
    return found


def pactl(server: AudioServer, *words: str) -> str:
    return subprocess.run(
        ["pactl", *words], env=server.environment(), capture_output=True, text=True, check=True
    ).stdout


def in_mid_tone(bench: GuardedBench, act: Callable[[], object], hold_s: float = 5.0) -> str:
    """What the bench says where something happens in the middle of a tone."""
    bench.loopback_tone(0.5, hold_s=0.5, window_s=0.2)
    timer = threading.Timer(1.5, act)
    timer.start()
    try:
        with pytest.raises(InstrumentError) as caught:
            bench.loopback_tone(0.5, hold_s=hold_s, window_s=0.5)
    finally:
        timer.join()
    return str(caught.value)


@pytest.mark.slow
@pytest.mark.parametrize("end", [signal.SIGKILL, signal.SIGSTOP])
def test_a_server_that_dies_or_hangs_in_mid_run(bench: GuardedBench, own: AudioServer, end: int) -> None:
    began = time.monotonic()
    said = in_mid_tone(bench, lambda: own.signal(end))
    assert "The sound card has gone" in said
    assert "audio server still runs" in said
    assert time.monotonic() - began < 30.0
    with pytest.raises(SafetyStop, match="the tone was cut off: The sound card has gone"):  # nothing drives again
        bench.loopback_tone(0.5)


@pytest.mark.slow
@pytest.mark.parametrize("sink", [OUTPUT_SINK, INPUT_SINK])
def test_a_device_that_vanishes_in_mid_run_is_no_data(bench: GuardedBench, own: AudioServer, sink: str) -> None:
    """As when its cable is pulled. The server stays, and moves the stream to a device that is left, without a word to
    PortAudio: it is asked, and what was recorded meanwhile must not pass for data."""

    def pull() -> None:
        listed = pactl(own, "list", "short", "modules").splitlines()
        module = next(line.split("\t")[0] for line in listed if f"sink_name={sink}" in line)
        pactl(own, "unload-module", module)

    bench.loopback_tone(0.5, hold_s=0.5, window_s=0.2)
    timer = threading.Timer(2.0, pull)
    timer.start()
    try:
        capture = bench.loopback_tone(0.5, hold_s=5.0, window_s=4.8)
    except InstrumentError as gone:
        told = ("has moved the sound card's stream", "sound card has gone", "captures in a row were not data")
        assert any(words in str(gone) for words in told)  # noqa: PT017
    else:
        assert capture.thrown_away
    finally:
        timer.join()


@pytest.mark.parametrize("way", ["sink-input", "source-output"])
def test_a_stream_that_is_moved_in_mid_run_is_found_and_the_tone_goes_off(
    bench: GuardedBench, own: AudioServer, way: str, monkeypatch
) -> None:
    """As when somebody chooses another device in the desktop's sound settings. PortAudio hears nothing of it."""
    monkeypatch.setattr(soundcard, "LOOK_WHERE_S", 0.0)
    bench.loopback_tone(0.5, hold_s=0.5, window_s=0.2)
    kind, to = ("sink-inputs", INPUT_SINK) if way == "sink-input" else ("source-outputs", f"{OUTPUT_SINK}.monitor")
    ours = [each for each in audio_server_names.listed(kind, own.address) if audio_server_names._is_ours(each)]
    pactl(own, f"move-{way}", str(ours[0]["index"]), to)
    with pytest.raises(InstrumentError, match="has moved the sound card's stream") as caught:
        bench.loopback_tone(0.5, hold_s=3.0, window_s=0.2)
    assert f"is on '{to}'; expected" in str(caught.value)
    assert not bench._GuardedBench__it.audio.playing()
    with pytest.raises(SafetyStop, match="the tone was cut off: The audio server has moved"):  # nothing drives again
        bench.loopback_tone(0.5)


def test_a_card_that_is_asked_says_at_once_whether_it_was_moved(bench: GuardedBench, own: AudioServer) -> None:
    """What capturing asks about each take that is no data, so that a moved stream is not told as a dead channel."""
    bench.loopback_tone(0.5, hold_s=0.5, window_s=0.2)
    ours = [each for each in audio_server_names.listed("sink-inputs", own.address) if audio_server_names._is_ours(each)]
    pactl(own, "move-sink-input", str(ours[0]["index"]), INPUT_SINK)
    audio = bench._GuardedBench__it.audio
    with pytest.raises(InstrumentError, match="has moved the sound card's stream"):
        audio.check_place()
    assert not audio.playing()


def test_a_sink_or_source_that_is_not_there_is_named_with_those_that_are(own: AudioServer) -> None:
    card = SoundCard(own.output_device, own.input_device.replace(".monitor", ""), RATE)
    with pytest.raises(InstrumentError, match=f"no source '{INPUT_SINK}'.*pulse:{INPUT_SINK}.monitor") as caught:
        card.start()
    assert "[audio] input_device" in str(caught.value)


def misplaced(frames: int, *, doubled: bool) -> Callable[[np.ndarray], np.ndarray]:
    """Every second a few frames are dropped, or come twice, and nobody reports it."""
    seen = 0
    owed = np.zeros((0, 2))

    def change(samples: np.ndarray) -> np.ndarray:
        nonlocal seen, owed
        seen += len(samples)
        if seen >= RATE // 2:
            seen = 0
            middle = len(samples) // 2
            again = samples[middle - frames : middle] if doubled else samples[:0]
            samples = np.concatenate([samples[:middle], again, samples[middle if doubled else middle + frames :]])
        return samples

    return change


@pytest.mark.parametrize("doubled", [False, True], ids=["dropped", "doubled"])
def test_frames_that_are_lost_or_doubled_unreported_are_no_data(bench: GuardedBench, path: Path, doubled: bool) -> None:
    said = notes(bench)
    bench.loopback_tone(0.5, hold_s=0.5, window_s=0.2)
    path.change = misplaced(37, doubled=doubled)
    capture = bench.loopback_tone(0.5, hold_s=2.5, window_s=2.0)
    assert len(capture.thrown_away) >= 2  # and more on a busy machine, whose audio server loses frames by itself
    assert capture.note  # the third that is unsteady is kept and says what it is
    assert any("thrown away" in text for text in said)
    assert all("frames" in why or "phase" in why or "level" in why for why in (*capture.thrown_away, capture.note))


def test_silenced_blocks_are_no_data(bench: GuardedBench, path: Path) -> None:
    bench.loopback_tone(0.5, hold_s=0.5, window_s=0.2)
    path.change = np.zeros_like
    with pytest.raises(LostFrames, match=r"6 captures in a row were not data .*exact zeros.*Close other programs"):
        bench.loopback_tone(0.5, hold_s=0.5, window_s=0.2)


def test_another_program_plays_into_the_same_sink(bench: GuardedBench, own: AudioServer, tmp_path) -> None:
    bench.loopback_tone(0.5, hold_s=0.5, window_s=0.2)
    quiet = {check.name: check for check in fitness._quiet(bench, {})}
    assert quiet["other_sounds"].verdict == fitness.GOOD, quiet
    t = np.arange(30 * 48_000) / 48_000
    raw = tmp_path / "song.raw"
    raw.write_bytes(np.repeat(0.05 * np.sin(2 * np.pi * 523.0 * t)[:, None], 2, axis=1).astype("<f4").tobytes())
    player = subprocess.Popen(
        ["pacat", "--raw", f"--device={OUTPUT_SINK}", "--format=float32le", "--rate=48000", "--channels=2", str(raw)],
        env=own.environment(), stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        time.sleep(1.5)
        mixed = {check.name: check for check in fitness._quiet(bench, {})}
    finally:
        player.terminate()
        player.wait()
    assert mixed["other_sounds"].verdict == fitness.UNFIT
    assert "523 Hz" in mixed["other_sounds"].words
    assert "close it" in mixed["other_sounds"].words


@pytest.mark.slow
def test_a_server_at_another_rate_resamples_and_is_found_out() -> None:
    """Sinks at 44.1 kHz under a stream of 96 kHz: PortAudio and the server agree, and every level below 20 kHz is right."""
    with AudioServer(sample_rate=44_100) as server:
        bridge = AudioBridge(Path(), server)
        bench = a_bench(server)
        try:
            bench.loopback_tone(0.5, hold_s=0.5, window_s=0.2)
            check = fitness._highest(bench)
        finally:
            bench.close()
            bridge.close()
    assert check.verdict == fitness.UNFIT
    assert check.value < -20.0
    assert "Set the device to 96000 Hz" in check.words


@pytest.mark.slow
def test_at_its_own_rate_nothing_is_resampled(bench: GuardedBench) -> None:
    bench.loopback_tone(0.5, hold_s=0.5, window_s=0.2)
    assert fitness._highest(bench).verdict == fitness.GOOD


@pytest.mark.slow
def test_channels_and_levels_over_the_real_stack(bench: GuardedBench, path: Path) -> None:
    assert [c.verdict for c in fitness._connections(bench)] == [fitness.GOOD, fitness.GOOD]
    path.change = lambda samples: samples[:, ::-1]
    assert {c.name for c in fitness._connections(bench)} == {"swapped_channels"}
