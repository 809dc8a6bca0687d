"""How long a workshop's archive takes: reported, never judged. 20 000 runs, 2 million readings, all invented."""

from __future__ import annotations

import json
import os
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from benchtest import archive
from benchtest.archive.table import encode_row, header_line

pytestmark = pytest.mark.benchmark
RUNS, READINGS = 20_000, 100


@pytest.mark.timeout(900)
def test_report_the_speed_of_a_large_archive(tmp_path, row, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    here = tmp_path / "archive"
    _many_runs(here, row)
    workshop = archive.open(here)
    wanted = archive.Filter(amplifier="demo 7", conditions=(archive.condition("dc_offset > 0.12"),))
    figures: dict[str, tuple[float, float]] = {}

    def timed(what: str, index: bool) -> list[str]:
        start, spent = time.perf_counter(), time.process_time()
        found = [run.run_id for run in workshop.runs(wanted, index=index)]
        figures[what] = time.perf_counter() - start, time.process_time() - spent
        return found

    cold, warm, without = timed("cold index", True), timed("warm index", True), timed("no index", False)
    assert cold == warm == without
    assert 0 < len(warm) < RUNS
    start, spent = time.perf_counter(), time.process_time()
    frame = workshop.readings()
    figures["readings() of all"] = time.perf_counter() - start, time.process_time() - spent
    assert len(frame) == RUNS * READINGS
    told = ", ".join(f"{what} {wall:.2f} s (processor {spent:.2f} s)" for what, (wall, spent) in figures.items())
    load = os.getloadavg()[0]
    print(
        f"\n{RUNS} runs, {RUNS * READINGS} readings, load {load:.1f}: {told}; found {len(warm)} runs", file=sys.stderr
    )


def _many_runs(here: Path, row) -> None:
    rng = np.random.default_rng(7)
    started = datetime(2031, 1, 1, tzinfo=UTC)
    lines = [
        encode_row(row("RUN", n, quantity=f"quantity_{n % 20}" if n % 5 else "dc_offset")) for n in range(READINGS)
    ]
    body = b"".join(lines)
    for number in range(RUNS):
        moment = started + timedelta(minutes=13 * number)
        name = f"{moment:%H%M%S}-power_on-demo-{number % 40}-{number:06x}"
        folder = here / f"{moment:%Y-%m-%d}" / name
        folder.mkdir(parents=True)
        run_id = f"{moment:%Y-%m-%d}-{name}"
        page = {
            "format_version": 1, "run_id": run_id, "procedure": "power_on", "result": "passed", "simulated": True,
            "amplifier": {"amplifier": {"name": f"Demo {number % 40}", "serial": f"DEMO-{number:05d}"}},
            "started_utc": moment.isoformat(), "readings_count": READINGS,
        }  # fmt: skip
        value = f",{0.1 * rng.random() + 0.03:.6f},".encode()
        (folder / "run.json").write_text(json.dumps(page))
        (folder / "readings.csv").write_bytes(
            header_line() + body.replace(b"RUN", run_id.encode()).replace(b",0.0123,", value)
        )
        (folder / "manifest.sha256").write_text("")
