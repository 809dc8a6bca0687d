"""What every audio interface keeps, at its protocol; the loop is closed (output into input), whatever lies between."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import numpy as np
import pytest

from benchtest.errors import InstrumentError, LostFrames
from benchtest.instruments.control_port import PacedAudio
from benchtest.instruments.protocols import AudioInterface, Clock
from simulated_instruments.bench import SimulatedBench
from simulated_instruments.control_port import serve_control

MOST_LATENCY_S = 0.5


@pytest.fixture(params=["simulated", "paced"])
def loop(request: pytest.FixtureRequest) -> Iterator[tuple[AudioInterface, Clock]]:
    bench = SimulatedBench(seed=3)
    bench.operator().set({"sound_card": "loopback", "inputs": "sound_card"}, say="loop it back")
    server = serve_control(bench)
    audio: AudioInterface = bench.audio()
    if request.param == "paced":
        audio = PacedAudio(audio, server.resource)
    audio.start()
    yield audio, bench.clock
    audio.close()
    server.close()
    bench.close()


@pytest.fixture
def audio(loop: tuple[AudioInterface, Clock]) -> AudioInterface:
    return loop[0]


@pytest.fixture
def clock(loop: tuple[AudioInterface, Clock]) -> Clock:
    return loop[1]


def tone(audio: AudioInterface, frames: int, amplitude: float = 0.5) -> np.ndarray:
    wave = amplitude * np.sin(2 * np.pi * 1000.0 / audio.sample_rate * np.arange(frames))
    return np.column_stack([wave, wave])


def test_it_is_an_audio_interface(audio: AudioInterface) -> None:
    assert isinstance(audio, AudioInterface)
    assert str(audio.sample_rate) in audio.identity()


def test_start_twice_is_start(audio: AudioInterface) -> None:
    audio.start()
    audio.begin(tone(audio, 100), record=(0, 100))
    assert len(audio.finish().samples) == 100


def test_the_window_asked_for_is_what_comes(audio: AudioInterface) -> None:
    audio.begin(tone(audio, 9600), repeat=3, record=(1234, 45_678))
    recording = audio.finish()
    assert recording.samples.shape == (45_678 - 1234, 2)
    assert recording.samples.dtype == np.float64
    assert recording.first_frame == 1234
    assert recording.sample_rate == audio.sample_rate
    assert recording.lost_frames == 0


def test_without_a_window_a_second_more_is_recorded(audio: AudioInterface) -> None:
    audio.begin(tone(audio, 4800), repeat=2)
    recording = audio.finish()
    assert recording.first_frame == 0
    assert len(recording.samples) == 9600 + audio.sample_rate


def test_the_tone_is_in_the_recording_as_long_as_it_was_emitted(audio: AudioInterface) -> None:
    audio.begin(tone(audio, 9600), repeat=2)
    recorded = audio.finish().samples[:, 0]
    loud = np.flatnonzero(np.abs(recorded) > 0.1 * np.max(np.abs(recorded)))
    assert 0 <= loud[0] <= MOST_LATENCY_S * audio.sample_rate
    # 10 % of the peak is passed within 2 frames of the ends of a 96-frame period.
    assert loud[-1] - loud[0] == pytest.approx(19_200, abs=10)


def test_windows_of_the_same_emission_are_continuous(audio: AudioInterface) -> None:
    """A later window is the same sound further on: the phase of a steady tone agrees."""
    phases = []
    for first in (24_000, 48_000):
        audio.begin(tone(audio, 9600), repeat=10, record=(first, first + 9600))
        n = np.arange(9600)
        recorded = audio.finish().samples[:, 0]
        phases.append(np.angle(np.sum(recorded * np.exp(-2j * np.pi * 1000.0 / audio.sample_rate * n))))
    assert phases[0] == pytest.approx(phases[1], abs=1e-3)  # 24 000 frames are 250 periods at 96 kHz


def test_a_begin_while_playing_is_refused(audio: AudioInterface) -> None:
    audio.begin(tone(audio, 9600))
    with pytest.raises(InstrumentError):
        audio.begin(tone(audio, 9600))
    audio.finish()


def test_finish_without_begin_is_refused(audio: AudioInterface) -> None:
    with pytest.raises(InstrumentError, match="begun"):
        audio.finish()


def test_playing_until_emission_has_ended(audio: AudioInterface, clock: Clock) -> None:
    assert audio.playing() is False
    audio.begin(tone(audio, 9600), repeat=10, record=(0, 960))
    clock.sleep(0.1)
    assert audio.playing() is True
    audio.finish()
    assert audio.playing() is False


@pytest.mark.parametrize(
    "stimulus",
    [
        pytest.param(np.full((10, 2), np.nan), id="nan"),
        pytest.param(np.full((10, 2), np.inf), id="infinite"),
        pytest.param(np.full((10, 2), 1.01), id="above full scale"),
        pytest.param(np.zeros((10, 1)), id="one channel"),
        pytest.param(np.zeros(10), id="flat"),
    ],
)
def test_an_impossible_stimulus_is_refused(audio: AudioInterface, stimulus: np.ndarray) -> None:
    with pytest.raises(InstrumentError):
        audio.begin(stimulus)
    assert audio.playing() is False


@pytest.mark.parametrize("record", [(-1, 10), (10, 10), (20, 10)])
def test_an_impossible_window_is_refused(audio: AudioInterface, record: tuple[int, int]) -> None:
    with pytest.raises(InstrumentError, match="record"):
        audio.begin(tone(audio, 100), record=record)


def test_mute_is_latched_until_rearm(audio: AudioInterface) -> None:
    audio.mute()
    with pytest.raises(InstrumentError, match="muted"):
        audio.begin(tone(audio, 9600))
    audio.rearm()
    audio.begin(tone(audio, 9600), record=(0, 9600))
    assert len(audio.finish().samples) == 9600


def test_muted_on_the_way_there_is_no_recording(audio: AudioInterface, clock: Clock) -> None:
    audio.begin(tone(audio, 9600), repeat=100)
    clock.sleep(0.2)
    thread = threading.Thread(target=audio.mute)
    thread.start()
    thread.join()
    assert audio.playing() is False
    with pytest.raises(LostFrames, match="muted"):
        audio.finish()


def test_what_was_muted_stays_lost_after_rearm(audio: AudioInterface, clock: Clock) -> None:
    audio.begin(tone(audio, 9600), repeat=100)
    clock.sleep(0.2)
    audio.mute()
    audio.rearm()
    assert audio.playing() is False
    with pytest.raises(LostFrames):
        audio.finish()


def test_after_a_mute_and_rearm_something_else_can_be_played(audio: AudioInterface, clock: Clock) -> None:
    audio.begin(tone(audio, 9600), repeat=100)
    clock.sleep(0.2)
    audio.mute()
    audio.rearm()
    audio.begin(tone(audio, 960), record=(0, 960))
    assert len(audio.finish().samples) == 960


def test_closed_it_plays_nothing(audio: AudioInterface) -> None:
    audio.close()
    with pytest.raises(InstrumentError):
        audio.begin(tone(audio, 960))
