"""Many runs: one table, one log. The cache is never believed over the folders."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import threading
import time
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchtest import archive
from benchtest.archive import index
from benchtest.archive.table import encode_row, header_line
from benchtest.errors import FileError
from benchtest.reading import COLUMNS

FIRST = datetime(2031, 5, 6, 7, 0, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _own_cache(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture(scope="module")
def six_runs(tmp_path_factory, new_run, row):
    """Six runs of three amplifiers on three days; the last was never closed."""
    here = tmp_path_factory.mktemp("six_runs")
    for number in range(6):
        name = ("Alpha", "Beta", "=Gamma")[number % 3]
        amplifier = {"amplifier": {"name": name, "serial": f"DEMO-{number % 3}"}}
        writer = new_run(here, name, FIRST + timedelta(hours=12 * number), amplifier=amplifier, simulated=number > 0)
        writer.append_reading(row(writer.run_id, 1, value=0.01 * number, simulated=number > 0))
        writer.append_reading(row(writer.run_id, 2, quantity="gain", unit="dB", value=30.0 + number, note="=1+1\r\n,"))
        writer.append_reading(row(writer.run_id, 3, quantity="thd", value=None, simulated=number > 0))
        if number < 5:
            writer.close({"result": "failed" if number == 2 else "passed", "exit_status": 0})
        else:
            writer.abandon()
    return here


@pytest.fixture
def workshop(tmp_path, six_runs):
    """A copy of the six runs, to be spoilt."""
    shutil.copytree(six_runs, tmp_path / "archive")
    return archive.open(tmp_path / "archive")


def test_readings_are_one_tidy_table_with_the_right_types(workshop):
    frame = workshop.readings()
    assert tuple(frame.columns) == (*COLUMNS, "amplifier", "serial_number", "state")
    assert len(frame) == 18
    assert frame["value"].dtype == np.float64
    assert frame["sequence"].dtype == np.int64
    assert frame["simulated"].dtype == np.bool_
    assert isinstance(frame["time_utc"].dtype, pd.DatetimeTZDtype)
    assert str(frame["time_utc"].dt.tz) == "UTC"
    assert pd.api.types.is_string_dtype(frame["note"])
    assert frame["value"].isna().sum() == 6
    assert set(frame["note"]) == {"", "=1+1\r\n,"}
    assert set(frame.loc[frame["amplifier"] == "=Gamma", "serial_number"]) == {"DEMO-2"}
    assert list(frame["state"].unique()) == ["unfinished", "finished"]
    assert set(json.loads(frame["conditions"].iloc[0])) == {"volume"}


def test_table_of_no_runs_has_the_columns(tmp_path):
    frame = archive.open(tmp_path / "nowhere").readings()
    assert len(frame) == 0
    assert "value" in frame.columns


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25, deadline=None)
@given(values=st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=20))
def test_numbers_in_the_table_are_exactly_those_measured(tmp_path_factory, new_run, row, values):
    here = tmp_path_factory.mktemp("exact")
    writer = new_run(here)
    writer._rows.append(b"".join(encode_row(row(value=v)) for v in values), sync=False)
    writer.abandon()
    assert archive.open(here).readings()["value"].tolist() == values


def test_edited_and_torn_files_join_the_table(workshop):
    newest, older = list(workshop.folders())[:2]
    with (newest / "readings.csv").open("ab") as file:
        file.write(b"torn,")
    path = older / "readings.csv"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\r\n,", b" ").replace(b"\r\n", b"\n"))
    assert len(workshop.readings()) == 18


@pytest.mark.parametrize("with_index", [False, True])
@pytest.mark.parametrize(
    ("where", "count"),
    [
        ({}, 6),
        ({"amplifier": "alph"}, 2),
        ({"serial_number": "DEMO-1"}, 2),
        ({"procedure": "power_on"}, 6),
        ({"procedure": "power"}, 0),
        ({"result": "failed"}, 1),
        ({"result": "unfinished"}, 1),
        ({"state": "finished"}, 5),
        ({"simulated": False}, 1),
        ({"since": date(2031, 5, 7)}, 4),
        ({"until": date(2031, 5, 6)}, 2),
        ({"since": date(2031, 5, 7), "until": date(2031, 5, 7)}, 2),
        ({"conditions": (archive.condition("dc_offset > 0.025"),)}, 3),
        ({"conditions": (archive.condition("dc_offset <= 0"),)}, 1),
        ({"conditions": (archive.condition("gain >= 33"), archive.condition("dc_offset < 0.05"))}, 2),
        ({"conditions": (archive.condition("thd < 1"),)}, 0),
    ],
)
def test_filter_gives_the_same_answer_with_and_without_index(workshop, where, count, with_index):
    found = workshop.runs(archive.Filter(**where), index=with_index)
    assert len(found) == count
    assert found == workshop.runs(archive.Filter(**where), index=False)
    assert [run.run_id for run in found] == sorted((run.run_id for run in found), reverse=True)


@pytest.mark.parametrize("text", ["dc_offset", "dc_offset > much", "> 3", "dc_offset == 1", "thd > nan"])
def test_condition_that_is_none_is_refused(text):
    with pytest.raises(FileError, match="Expected a quantity"):
        archive.condition(text)


def test_index_follows_the_folders(workshop, new_run, row):
    where = archive.Filter(conditions=(archive.condition("gain > 100"),))
    assert workshop.runs(where, index=True) == []
    folder = next(iter(workshop.folders()))
    path = folder / "readings.csv"
    before = path.stat()
    path.write_bytes(header_line() + encode_row(row(quantity="gain", value=200.0)))
    assert [run.folder for run in workshop.runs(where, index=True)] == [folder]
    path.write_bytes(path.read_bytes().replace(b"200.0", b"020.0"))  # the same size, another time
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns + 12345))
    assert workshop.runs(where, index=True) == []
    for file in sorted(folder.rglob("*")):
        file.unlink()
    folder.rmdir()
    assert len(workshop.runs(index=True)) == 5
    new_run(workshop.path).close({"result": "passed"})
    assert len(workshop.runs(index=True)) == 6


def test_folders_that_are_far_away_are_asked_several_at_once_with_the_same_answer(workshop, monkeypatch):
    truth = workshop.runs(index=True)
    real, asked = index._stamp, set()

    def slow(folder):
        asked.add(threading.current_thread().name)
        time.sleep(0.003)
        return real(folder)

    monkeypatch.setattr(index, "_stamp", slow)
    monkeypatch.setattr(index, "FIRST_STAMPS", 2)
    assert workshop.runs(index=True) == truth
    assert len(asked) > 1


def test_index_that_is_spoilt_or_foreign_is_made_anew(workshop):
    truth = workshop.runs(index=False)
    path = index.cache_file(workshop.path)
    assert workshop.runs(index=True) == truth
    path.write_bytes(b"no database at all, but long enough to be looked at" * 40)
    assert workshop.runs(index=True) == truth
    path.write_bytes(path.read_bytes()[:3000])
    assert workshop.runs(index=True) == truth
    path.unlink()
    with sqlite3.connect(path) as database:
        database.execute("create table other (x)")
    database.close()
    assert workshop.runs(index=True) == truth
    path.unlink()
    path.mkdir()
    assert workshop.runs(index=True) == truth


def test_cache_that_another_process_holds_is_done_without(workshop, monkeypatch):
    truth = workshop.runs(index=True)
    next(iter(workshop.folders())).joinpath("run.json").touch()
    real = sqlite3.connect
    monkeypatch.setattr(index.sqlite3, "connect", lambda *args, **more: real(*args, **more | {"timeout": 0.01}))
    holder = real(index.cache_file(workshop.path), isolation_level=None)
    holder.execute("begin exclusive")
    assert workshop.runs(index=True) == truth
    holder.execute("rollback")
    holder.close()


def test_check_says_what_is_altered_missing_unfinished_or_unreadable(workshop):
    folders = list(workshop.folders())
    (folders[1] / "events.jsonl").unlink()
    (folders[2] / "readings.csv").write_bytes(b"")
    (folders[3] / "manifest.sha256").write_text("not a manifest\n")
    (folders[4] / "run.json").write_text("{")
    found = list(workshop.check())
    assert [one.state for one in found] == ["unfinished", "altered", "altered", "altered", "unreadable", "finished"]
    assert found[1].missing == ("events.jsonl",)
    assert "is empty" in found[2].remark
    assert "line 1" in found[3].remark
    assert "run.json" in found[4].remark
    assert all(json.dumps(one.as_dict()) for one in found)
