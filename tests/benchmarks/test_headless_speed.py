"""What a whole simulated run costs without report, terminal and archive; reported, never judged."""

from __future__ import annotations

import time

import pytest

from tests.procedures.test_power_on import power_on


@pytest.mark.benchmark
def test_seconds_of_a_headless_run(capsys):
    power_on(None, seed=0)  # imports, tables
    took = []
    for seed in (1, 2, 3):
        wall, processor = time.perf_counter(), time.process_time()
        power_on(None, seed=seed)
        took.append((time.perf_counter() - wall, time.process_time() - processor))
    wall_s, processor_s = min(took)
    with capsys.disabled():
        print(f"\npower_on without report, terminal and archive: {wall_s:.1f} s, {processor_s:.1f} s of processor time")
