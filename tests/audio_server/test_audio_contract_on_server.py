"""The real sound card's driver keeps the audio contract, over PortAudio and an audio server's null sinks.

The tests are those of ``tests/contract/test_audio_contract.py``; here the loop they run on is a real one.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from benchtest.instruments.clock import WallClock
from benchtest.instruments.protocols import AudioInterface, Clock
from benchtest.instruments.soundcard import SoundCard

pytestmark = pytest.mark.needs("pulseaudio", "pulseaudio-utils", "libportaudio2", "libasound2-plugins")

_path = Path(__file__).parents[1] / "contract" / "test_audio_contract.py"
_spec = importlib.util.spec_from_file_location("audio_contract", _path)
assert _spec is not None
assert _spec.loader is not None
_contract = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_contract)

_tests = {name: found for name, found in vars(_contract).items() if name.startswith("test_")}
assert len(_tests) > 10, f"the contract's tests are not in {_path} any more"
globals().update(_tests)
audio, clock = _contract.audio, _contract.clock


@pytest.fixture
def loop(sound_card: SoundCard) -> tuple[AudioInterface, Clock]:
    sound_card.start()
    return sound_card, WallClock()


def test_windows_of_the_same_emission_are_continuous(audio: AudioInterface) -> None:
    """As in the contract, with windows that open when the sound has passed a server's longer latency."""
    phases = []
    for first in (48_000, 72_000):
        audio.begin(_contract.tone(audio, 9600), repeat=10, record=(first, first + 9600))
        recorded = audio.finish().samples[:, 0]
        phases.append(np.angle(np.sum(recorded * np.exp(-2j * np.pi * 1000.0 / audio.sample_rate * np.arange(9600)))))
    assert phases[0] == pytest.approx(phases[1], abs=1e-3)  # 24 000 frames are 250 periods at 96 kHz
