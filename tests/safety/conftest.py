"""A simulated bench behind its limits, with everything that its sound card was made to emit."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

import benchtest.bench
from benchtest.amplifier_file import load_amplifier
from benchtest.safety import GuardedBench, open_bench

DEMO = Path(__file__).parents[2] / "procedures" / "demo_amplifier.toml"


@dataclass
class Emitted:
    """The largest sample of every stimulus that was begun, and the simulated bench behind."""

    peaks: list[float] = field(default_factory=list)
    bench: object = None

    def loudest(self) -> float:
        return max(self.peaks, default=0.0)


@pytest.fixture
def emitted(monkeypatch: pytest.MonkeyPatch) -> Emitted:
    """Listens at the sound card, below every limit."""
    seen = Emitted()
    make = benchtest.bench._simulated_bench

    def listening(seed: int, scenario: str, channel: str | None):
        simulated = make(seed, scenario, channel)
        card = simulated.audio()
        begin = card.begin

        def begin_heard(stimulus, **more):
            seen.peaks.append(float(np.max(np.abs(stimulus), initial=0.0)))
            return begin(stimulus, **more)

        card.begin = begin_heard
        seen.bench = simulated
        return simulated

    monkeypatch.setattr(benchtest.bench, "_simulated_bench", listening)
    return seen


@pytest.fixture
def bench(emitted: Emitted):
    """The healthy simulated bench, stated scales, nothing connected yet."""
    with open_bench(None, amplifier=load_amplifier(DEMO), calibrate=False) as opened:
        yield opened


def ready_to_drive(bench: GuardedBench) -> None:
    """Load on, mains on, DC checks passed, sound card in, volume full."""
    bench.hook_up(lamp="out", load="load", inputs="shorted", volume="full")
    bench.mains_on()
    bench.sleep(20.0)
    for channel in bench.channels:
        assert bench.dc_check(channel).outcome == "good"
    bench.hook_up(inputs="sound_card")
