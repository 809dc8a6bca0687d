"""An audio server of our own, once for all tests, and sound cards on it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from benchtest.instruments.protocols import FloatArray
from benchtest.instruments.soundcard import SoundCard
from simulated_instruments.audio_bridge import AudioBridge
from simulated_instruments.audio_server import AudioServer

GAIN = np.array([0.5, -0.25])
"""What stands between the sinks where no amplifier is needed: powers of two, so that float32 keeps every bit."""


def gain(samples: FloatArray) -> FloatArray:
    return samples * GAIN


@pytest.fixture(scope="session")
def server() -> Iterator[AudioServer]:
    with AudioServer() as running:
        yield running


@pytest.fixture(scope="session")
def bridge(server: AudioServer) -> Iterator[AudioBridge]:
    running = AudioBridge(gain, server)
    yield running
    running.close()


@pytest.fixture
def sound_card(server: AudioServer, bridge: AudioBridge) -> Iterator[SoundCard]:
    card = SoundCard(server.output_device, server.input_device, server.sample_rate, settle_s=0.2)
    yield card
    card.close()
