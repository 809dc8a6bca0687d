"""How much faster than real time the amplifier renders; reported, never judged."""

from __future__ import annotations

import time

import pytest

from tests.simulated_instruments.amplifier.playing import GAIN_HINT, RATE, switched_on, tone


@pytest.mark.benchmark
@pytest.mark.parametrize(
    ("what", "frequency", "volts"),
    [("clean", 1000.0, 2.83), ("half power", 1000.0, 15.5), ("clipping", 1000.0, 24.3), ("fast", 20000.0, 15.0),
     ("fast, clipping", 20000.0, 24.3)],
)  # fmt: skip
def test_times_real_time(what, frequency, volts, capsys):
    amplifier = switched_on(noise=1.0)
    stimulus = tone(frequency, volts / GAIN_HINT, seconds=5.0)
    amplifier.render(stimulus[:48000], RATE)
    best = min(_seconds(amplifier, stimulus) for _ in range(3))
    with capsys.disabled():
        print(f"\n{what}: {5.0 / best:.0f} times real time, two channels at 96 kHz, of processor time")


def _seconds(amplifier, stimulus) -> float:
    start = time.process_time()
    amplifier.render(stimulus, RATE)
    return time.process_time() - start
