"""How long the analysis takes, as ratios in one run, and what memory a long recording takes. Reported, never judged."""

import json
import statistics
import subprocess
import sys
import time

import numpy as np
import pytest
from scipy import fft

from benchtest.analysis import analyse

pytestmark = pytest.mark.benchmark


def capture(rate, seconds):
    """An amplifier's output: tone, two harmonics, hum, noise."""
    t = np.arange(round(rate * seconds)) / rate
    angle = 2 * np.pi * 997.01 * t
    x = np.cos(angle) + 1e-3 * np.cos(2 * angle) + 3e-4 * np.cos(3 * angle) + 1e-3 * np.sin(2 * np.pi * 50.02 * t)
    x += 1e-5 * np.random.default_rng(0).standard_normal(len(t))
    return np.column_stack([x, 0.5 * x])


def alternating(*calls, repeats=25):
    """Median wall time of each call, taken in turns so that all meet the same machine."""
    times = [[] for _ in calls]
    for _ in range(repeats):
        for call, taken in zip(calls, times, strict=True):
            start = time.perf_counter()
            call()
            taken.append(time.perf_counter() - start)
    return [statistics.median(taken) for taken in times]


def test_all_figures_against_one_fourier_transform(record_property, capsys):
    x = capture(192000, 1.0)
    short = capture(96000, 0.25)
    transform, figures, one_capture = alternating(
        lambda: fft.rfft(x, axis=0), lambda: analyse(x, 192000), lambda: analyse(short, 96000, fundamental_hz=1000.0)
    )
    record_property("analyse_over_rfft", figures / transform)
    with capsys.disabled():
        print(
            f"\nanalyse, 1 s of 2 channels at 192 kHz: {figures * 1e3:.1f} ms, {figures / transform:.1f} times one rfft"
        )
        print(f"analyse, 0.25 s of 2 channels at 96 kHz: {one_capture * 1e3:.1f} ms")


LONG = """
import json, resource, time
import numpy as np
from benchtest.analysis.long_records import analyse_blocks
rate, minutes = 96000, 10
t = np.arange(rate) / rate
x = np.cos(2 * np.pi * 997.0 * t) + 1e-4 * np.random.default_rng(0).standard_normal(rate)
x = np.column_stack([x, 0.5 * x])
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
start = time.perf_counter()
result = analyse_blocks((x.copy() for _ in range(60 * minutes)), rate)
taken = time.perf_counter() - start
after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps({"times_real_time": 60 * minutes / taken, "more_mb": (after - before) / 1024, "s": result.duration_s}))
"""


def test_ten_minutes_in_blocks(record_property, capsys):
    done = subprocess.run([sys.executable, "-c", LONG], capture_output=True, text=True, check=True, timeout=300)
    figures = json.loads(done.stdout)
    assert figures["s"] == 600.0
    for name, value in figures.items():
        record_property(name, value)
    with capsys.disabled():
        print(f"\nten minutes of 2 channels at 96 kHz: {figures['times_real_time']:.0f} times real time, "
              f"{figures['more_mb']:.0f} MB more than before")  # fmt: skip
