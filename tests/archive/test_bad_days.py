"""A clock that is set back, a share that answers slowly, a folder that goes: the run is complete or says what it is not."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from benchtest import archive
from benchtest.archive import durable
from benchtest.errors import FileError
from benchtest.procedure import Procedure, RunResult, run
from benchtest.reading import Reading
from benchtest.safety import open_bench

SET_BACK = timedelta(days=2)


@pytest.fixture(autouse=True)
def _own_cache(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


def three_steps(between: Callable[[], None]) -> Procedure:
    """Three steps of two readings (invented values); ``between`` is called in the middle of the second."""
    test = Procedure("Three steps", name="three_steps", tones=False)

    def step(number: int) -> None:
        def body(bench, amplifier):
            for channel in bench.channels:
                bench.sleep(5.0, why="settling")
                yield Reading(quantity="dc_offset", channel=channel, value=0.001 * number, unit="V")
                if number == 2 and channel == "left":
                    between()

        body.__name__ = f"step_{number}"
        test.step(f"Step {number}", why="invented", hook_up="nothing", outside=True, takes="10 s")(body)

    for number in (1, 2, 3):
        step(number)
    return test


def carried_out(
    here, between: Callable[[], None] = lambda: None, listen: Callable[[Any], None] = lambda event: None
) -> RunResult:
    with open_bench(None) as bench:
        return run(three_steps(between), bench, archive=here, listeners=[listen])


def test_clock_set_back_in_mid_run_leaves_its_times_in_order(tmp_path, monkeypatch):
    class SetBack(datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime.now(tz) - SET_BACK

    def set_back() -> None:
        for module in ("benchtest.procedure", "benchtest.bench", "benchtest.archive.annex"):
            monkeypatch.setattr(f"{module}.datetime", SetBack)

    before = datetime.now(UTC)
    carried_out(tmp_path, set_back)
    (line,) = archive.open(tmp_path).runs()
    found = archive.Run(line.folder)
    times = [row["time_utc"] for row in found.rows()]
    assert len(times) == 6
    assert times == sorted(times)
    assert times[0] >= before - timedelta(seconds=1)
    assert times[-1] - times[0] == pytest.approx(timedelta(seconds=25), abs=timedelta(seconds=2))  # the bench's clock
    assert found.summary["ended_utc"] >= found.summary["started_utc"]
    assert found.state == "finished"


def test_run_after_the_clock_was_set_back_harms_no_earlier_one(tmp_path, new_run, row):
    first = new_run(tmp_path, started=datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC))
    first.append_reading(row(first.run_id))
    first.close({"result": "passed"})
    kept = {path: path.read_bytes() for path in first.folder.rglob("*") if path.is_file()}
    workshop = archive.open(tmp_path)
    assert len(workshop.runs(index=True)) == 1
    second = new_run(tmp_path, started=datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC) - SET_BACK)
    second.append_reading(row(second.run_id, value=0.05))
    second.close({"result": "passed"})
    # files written by the clock that was set back are older than those the index knows
    for path in second.folder.rglob("*"):
        os.utime(path, (0, 0))
    assert {path: path.read_bytes() for path in kept} == kept
    assert len(workshop.runs(index=True)) == len(workshop.runs(index=False)) == 2
    path = second.folder / "readings.csv"
    path.write_bytes(path.read_bytes().replace(b"0.05", b"0.07"))  # the same size, and an older time than before
    os.utime(path, (0, -5))
    where = archive.Filter(conditions=(archive.condition("dc_offset > 0.06"),))
    assert [line.folder for line in workshop.runs(where, index=True)] == [second.folder]


def test_slow_folder_loses_nothing_and_a_reading_is_shown_only_once_it_is_there(tmp_path, monkeypatch):
    """A network share, imitated: each write and each sync waits. What is heard of a reading is on the disk by then."""
    real_write, real_sync = os.write, os.fdatasync
    waits: list[str] = []

    def slow_write(handle: int, data: bytes) -> int:
        waits.append("write")
        time.sleep(0.01)
        return real_write(handle, data[: max(1, len(data) // 2)])  # and takes half of it at a time

    def slow_sync(handle: int) -> None:
        waits.append("sync")
        time.sleep(0.02)
        real_sync(handle)

    late: list[int] = []

    def listen(event: Any) -> None:
        if event["event"] == "reading":
            shown = event["row"]["sequence"]
            (path,) = tmp_path.rglob("readings.csv")
            there = [line.split(",")[1] for line in path.read_text(encoding="utf-8").splitlines()[1:]]
            late.extend([shown] if str(shown) not in there else [])

    with monkeypatch.context() as patched:
        patched.setattr(durable.os, "write", slow_write)
        patched.setattr(durable.os, "fdatasync", slow_sync)
        carried_out(tmp_path, listen=listen)
    assert waits.count("sync") >= 6
    assert late == []
    (line,) = archive.open(tmp_path).runs()
    found = archive.Run(line.folder)
    assert found.state == "finished"
    assert [row["sequence"] for row in found.rows()] == [1, 2, 3, 4, 5, 6]
    assert found.check is not None
    assert found.check.intact


def test_folder_removed_in_mid_run_ends_it_with_the_reason_and_harms_no_other(tmp_path):
    other = carried_out(tmp_path / "archive")
    before = {p: p.read_bytes() for p in (tmp_path / "archive").rglob("*") if p.is_file()}

    def removed() -> None:
        for folder in archive.open(tmp_path / "archive").folders():
            if str(folder) != other.summary["folder"]:
                shutil.rmtree(folder)

    shown: list[int] = []
    with pytest.raises(
        FileError,
        match=r"the folder .*, with .* in it, is not there any more \(No such file or directory\): it was removed",
    ):
        carried_out(
            tmp_path / "archive",
            removed,
            lambda e: shown.append(e["row"]["sequence"]) if e["event"] == "reading" else None,
        )
    assert shown == [1, 2, 3]  # what could not be kept was not shown either
    assert {p: p.read_bytes() for p in (tmp_path / "archive").rglob("*") if p.is_file()} == before
