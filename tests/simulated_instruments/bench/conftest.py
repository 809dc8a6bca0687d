"""A bench, ready to play, and the closed forms that its tests compare with."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from simulated_instruments.bench import SimulatedBench
from simulated_instruments.converters import ConverterErrors

RATE = 96000


@pytest.fixture
def bench() -> Iterator[SimulatedBench]:
    """Seed 5, dummy load on, sound card in, on for a minute, volume at -20 dB."""
    bench = SimulatedBench(seed=5)
    bench.operator().set(
        {"load": "load", "inputs": "sound_card", "volume": "-20 dB", "tone_controls": "defeat", "mains": "on"}, say="up"
    )
    bench.audio().start()
    bench.clock.sleep(60.0)
    yield bench
    bench.close()


@pytest.fixture
def looped() -> Iterator[SimulatedBench]:
    """Seed 5, looped back."""
    bench = SimulatedBench(seed=5)
    bench.operator().set({"sound_card": "loopback", "inputs": "sound_card"}, say="loop it back")
    bench.audio().start()
    yield bench
    bench.close()


@pytest.fixture
def ideal() -> ConverterErrors:
    """A sound card without errors, as far as 24 bits go."""
    return ConverterErrors(
        output_full_scale_v=(2.0, 2.0), input_full_scale_v=(2.0, 2.0), latency_frames=1000, rate_ppm=0.0,
        record_ppm=0.0, output_h2_db=-400.0, output_h3_db=-400.0, input_h2_db=-400.0, input_h3_db=-400.0,
        noise_db=-400.0, crosstalk_db=-400.0, input_highpass_hz=0.01, output_ohm=100.0,
    )  # fmt: skip


@pytest.fixture
def tone():
    """tone(frequency, frames, left, right): a sine in each channel."""

    def make(frequency: float, frames: int, left: float = 0.5, right: float | None = None) -> np.ndarray:
        wave = np.sin(2 * np.pi * frequency / RATE * np.arange(frames))
        return wave[:, None] * np.array([left, left if right is None else right])

    return make
