"""The real sound card's driver over PortAudio and PulseAudio: every bit, every gap, and what goes wrong."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Iterator

import numpy as np
import pytest

from benchtest.errors import InstrumentError
from benchtest.instruments.soundcard import SoundCard
from benchtest.safety.capturing import LATEST_S
from simulated_instruments.audio_bridge import AudioBridge
from simulated_instruments.audio_server import INPUT_SINK, OUTPUT_SINK, AudioServer

pytestmark = pytest.mark.needs("pulseaudio", "pulseaudio-utils", "libportaudio2", "libasound2-plugins")

GAIN = np.array([0.5, -0.25])  # as in conftest.py
TRIES = 3
"""A busy machine may cost a capture a gap; taken again so often at most, as the measurements do."""


def counting(frames: int) -> np.ndarray:
    """Each frame is its own number, which float32 holds exactly, so that every lost or doubled frame shows."""
    return np.repeat(np.arange(1, frames + 1)[:, None] / 2.0**24, 2, axis=1)


def heard(recorded: np.ndarray) -> np.ndarray:
    """The recording without the silence round it."""
    loud = np.flatnonzero(recorded[:, 0])
    assert len(loud) > 0, "nothing was heard"
    return recorded[loud[0] : loud[-1] + 1]


def test_every_bit_comes_through(sound_card: SoundCard) -> None:
    sound_card.start()
    stimulus = counting(2 * sound_card.sample_rate)
    expected = stimulus * GAIN
    differences = []
    for _ in range(TRIES):
        sound_card.begin(stimulus)
        recording = sound_card.finish()
        found = heard(recording.samples)
        if recording.lost_frames == 0 and found.shape == expected.shape:
            np.testing.assert_array_equal(found, expected)
            return
        differences.append((recording.lost_frames, len(found) - len(expected)))
    pytest.fail(f"(frames lost, frames too many) in {TRIES} captures: {differences}")


def test_latency_stays_what_it_is_while_the_stream_is_open(sound_card: SoundCard) -> None:
    sound_card.start()
    latencies = []
    for _ in range(TRIES + 1):
        sound_card.begin(counting(4800), record=(0, sound_card.sample_rate))
        recording = sound_card.finish()
        if recording.lost_frames == 0:
            latencies.append(int(np.flatnonzero(recording.samples[:, 0])[0]))
    assert len(latencies) >= 2
    assert len(set(latencies)) < len(latencies)  # a gap moves it; without one it repeats to the frame
    assert (
        max(latencies) < LATEST_S * sound_card.sample_rate
    )  # within what a run looks for; how far depends on the machine


def test_no_such_sink_names_what_to_do(server: AudioServer) -> None:
    card = SoundCard(f"pulse:nowhere@{server.address}", server.input_device, server.sample_rate)
    with pytest.raises(InstrumentError, match=r"no sink 'nowhere'.*pulse:benchtest_output"):
        card.start()
    card.close()


def test_no_such_server_names_what_to_do() -> None:
    with pytest.raises(InstrumentError, match=r"No sound card 'pulse' as output.*The server named is 'unix:/nowhere"):
        SoundCard("pulse:a@unix:/nowhere/native", "pulse:a.monitor@unix:/nowhere/native", 96_000)


# Each of these has a process of its own: a hung PortAudio cannot be used again, and that is part of what is tested.
VICTIM = """
import sys, time
import numpy as np
from benchtest.errors import InstrumentError
from benchtest.instruments.soundcard import SoundCard
card = SoundCard(sys.argv[1], sys.argv[2], 96000, settle_s=0.2)
card.start()
card.begin(np.full((96000, 2), 0.1), repeat=60)
print("playing", flush=True)
began = time.monotonic()
try:
    card.finish()
except InstrumentError as error:
    print(error, flush=True)
card.close()
print("closed", flush=True)
"""


@pytest.fixture
def own_server() -> Iterator[AudioServer]:
    with AudioServer() as running:
        yield running


@pytest.mark.parametrize("end", [signal.SIGKILL, signal.SIGTERM, signal.SIGSTOP])
def test_server_that_ends_or_hangs_in_mid_run_is_said_within_seconds(own_server: AudioServer, end: int) -> None:
    bridge = AudioBridge(lambda samples: samples * GAIN, own_server)
    command = [sys.executable, "-c", VICTIM, own_server.output_device, own_server.input_device]
    victim = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert victim.stdout is not None
    assert victim.stdout.readline() == "playing\n"
    time.sleep(0.5)
    own_server.signal(end)
    began = time.monotonic()
    said, noise = victim.communicate(timeout=30.0)
    took = time.monotonic() - began
    own_server.signal(signal.SIGKILL)  # a stopped one would not end when asked to
    bridge.close()
    assert "The sound card has gone" in said
    assert said.endswith("closed\n")
    assert victim.returncode == 0, noise
    assert took < 15.0  # 2 s without a block, 3 s for a close that hangs, the rest for a busy machine


LEFT_OPEN = """
import sys
from benchtest.instruments.soundcard import SoundCard
SoundCard(sys.argv[1], sys.argv[2], 96000, settle_s=0.2).start()
print("open", flush=True)
sys.stdin.read()
"""


def test_program_ends_though_its_sound_card_was_left_open_on_a_server_that_hangs(own_server: AudioServer) -> None:
    command = [sys.executable, "-c", LEFT_OPEN, own_server.output_device, own_server.input_device]
    program = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert program.stdout is not None
    assert program.stdout.readline() == "open\n"
    own_server.signal(signal.SIGSTOP)
    try:
        program.communicate(timeout=20.0)
    finally:
        program.kill()
        own_server.signal(signal.SIGKILL)
    assert program.returncode == 0


# The server and the bridge -------------------------------------------------------------------------------------------------


def pactl(server: AudioServer, *words: str) -> str:
    return subprocess.run(
        ["pactl", *words], env=server.environment(), capture_output=True, text=True, check=True
    ).stdout


def test_sinks_run_at_float32_and_96_khz(server: AudioServer) -> None:
    sinks = {line.split("\t")[1]: line.split("\t")[3] for line in pactl(server, "list", "short", "sinks").splitlines()}
    assert sinks == {OUTPUT_SINK: "float32le 2ch 96000Hz", INPUT_SINK: "float32le 2ch 96000Hz"}


def test_server_sees_no_hardware_and_reads_no_configuration(server: AudioServer) -> None:
    modules = {line.split("\t")[1] for line in pactl(server, "list", "short", "modules").splitlines()}
    assert modules == {"module-null-sink", "module-native-protocol-unix"}


def test_named_server_gets_the_sinks_and_gives_them_back(own_server: AudioServer) -> None:
    with pytest.raises(InstrumentError, match=f"has a sink '{OUTPUT_SINK}' already"):
        AudioServer(own_server.address)
    for module in pactl(own_server, "list", "short", "modules").splitlines():
        if "module-null-sink" in module:
            pactl(own_server, "unload-module", module.split("\t")[0])
    with AudioServer(own_server.address) as named:
        assert OUTPUT_SINK in pactl(own_server, "list", "short", "sinks")
        assert named.is_running()
    assert OUTPUT_SINK not in pactl(own_server, "list", "short", "sinks")
    assert own_server.is_running()


def test_named_server_that_is_not_there() -> None:
    with pytest.raises(InstrumentError, match="No PulseAudio server answers at 'unix:/nowhere/native'"):
        AudioServer("unix:/nowhere/native")


def test_server_leaves_nothing_behind() -> None:
    server = AudioServer()
    directory = server.directory
    assert directory is not None
    assert directory.stat().st_mode & 0o077 == 0
    server.close()
    server.close()
    assert not directory.exists()
    assert not server.is_running()


def test_bridge_says_that_the_server_has_ended(own_server: AudioServer) -> None:
    bridge = AudioBridge(lambda samples: samples, own_server)
    own_server.signal(signal.SIGKILL)
    deadline = time.monotonic() + 10.0
    while bridge.is_running() and time.monotonic() < deadline:
        time.sleep(0.02)
    assert bridge.failure is not None
    bridge.close()
    bridge.close()


def test_bridge_keeps_what_its_rendering_raised(own_server: AudioServer) -> None:
    def render(samples: np.ndarray) -> np.ndarray:
        raise ValueError("the amplifier is on fire")

    bridge = AudioBridge(render, own_server)
    deadline = time.monotonic() + 10.0
    while bridge.is_running() and time.monotonic() < deadline:
        time.sleep(0.02)
    assert "on fire" in str(bridge.failure)
    bridge.close()
