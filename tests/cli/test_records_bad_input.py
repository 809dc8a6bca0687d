"""Hostile names, edited files, folders of another time: escaped or refused with a reason, never executed or overwritten."""

from __future__ import annotations

import csv
import json
import re
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchtest.archive import Run, RunWriter
from benchtest.archive.job_card import add_entry, read_card
from benchtest.cli import benchtest
from benchtest.errors import FileError
from benchtest.reading import Reading, Verdict, as_row

STARTED = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
NAMES = [
    '=HYPERLINK("http://x","y")', "../../etc", "<script>alert(1)</script>", "x" * 300, "🎵", "", "a\r\nb,\"c", "{{ 7*7 }}",
    "@SUM(1)", "-1+1|cmd", "'; drop table run; --",
]  # fmt: skip


@pytest.fixture(autouse=True)
def _own_cache(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


def make_run(here: Path, name: str = "Demo 60", serial: str = "DEMO-1", value: float = 0.0123) -> Path:
    writer = RunWriter.create(
        here, procedure="power_on", amplifier_name=name, started_utc=STARTED,
        header={"simulated": False, "amplifier": {"name": name, "serial": serial}, "bench": {"name": name}},
    )  # fmt: skip
    for number, channel in enumerate(("left", "right"), 1):
        reading = Reading(
            quantity="dc_offset", channel=channel, value=value, unit="V", expanded_uncertainty=0.001, verdict=Verdict.PASS,
            lower_limit=-0.1, upper_limit=0.1, note=name, method=name, conditions={"volume": name},
        )  # fmt: skip
        writer.append_reading(
            as_row(reading, run_id=writer.run_id, sequence=number, time_utc=STARTED, procedure="power_on", step="dc_check",
                   simulated=False)
        )  # fmt: skip
    writer.close({"result": "passed", "exit_status": 0})
    return writer.folder


def call(*arguments: object) -> str:
    result = CliRunner().invoke(benchtest, list(map(str, arguments)), standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.stdout


def _contents(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("name", NAMES)
def test_a_hostile_name_goes_through_every_command_and_stays_a_name(tmp_path, name):
    here = tmp_path / "archive"
    one, two = make_run(here, name, serial=name), make_run(here, name, serial=name, value=0.02)
    before = _contents(here)
    (first, _) = json.loads(call("log", "--archive", here, "--json"))
    assert first["amplifier"] == name
    if name:
        assert len(json.loads(call("log", "--archive", here, "--serial", name, "--json"))) == 2
    call("compare", one, two, "--archive", here, "--page", tmp_path / "compare.html")
    call("trend", "dc_offset", "--archive", here, "--page", tmp_path / "trend.html")
    call("export", "--archive", here, "--output", tmp_path / "all.csv")
    call("report", one, "--archive", here)
    call("owner", one, "--archive", here, "--before", "none")
    call("card", one, "--archive", here, "--complaint", name or "none", "--by", name)
    for page in (tmp_path / "compare.html", tmp_path / "trend.html", one / "report.html", one / "owner.html"):
        text = page.read_text(encoding="utf-8")
        assert "<script" not in text
        assert not re.search(r"\b49\b", text) or "{{" not in name
    with (tmp_path / "all.csv").open(newline="", encoding="utf-8") as file:
        for cells in csv.reader(file):
            assert not any(cell.startswith(("=", "+", "@", "\t", "\r")) for cell in cells)
            assert not any(cell.startswith("-") and not _is_number(cell) for cell in cells)
    assert {path: data for path, data in _contents(here).items() if path in before} == before
    assert {path.name for path in tmp_path.iterdir()} <= {
        "archive",
        "cache",
        "compare.html",
        "trend.html",
        "all.csv",
        "all.csv-metadata.json",
    }
    assert {path.parent.parent for path in here.rglob("run.json")} == {here / "2031-05-06"}


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def test_a_csv_that_a_spreadsheet_has_saved_gives_the_same_comparison(tmp_path):
    here = tmp_path / "archive"
    one, two = make_run(here), make_run(here, value=0.02)
    truth = json.loads(call("compare", one, two, "--archive", here, "--json"))["readings"]
    path = two / "readings.csv"
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    columns = sorted(rows[0])  # another order
    with path.open("w", newline="", encoding="utf-8-sig") as file:  # a byte order mark
        writer = csv.DictWriter(file, columns, delimiter=";")
        writer.writeheader()
        for row in rows:
            numbers = ("value", "expanded_uncertainty", "lower_limit", "upper_limit", "coverage_factor")
            writer.writerow({k: v.replace(".", ",") if k in numbers else v for k, v in row.items()})
    assert json.loads(call("compare", one, two, "--archive", here, "--json"))["readings"] == truth
    result = CliRunner().invoke(benchtest, ["check-archive", "--archive", str(here)], standalone_mode=False)
    assert result.return_value == 1
    assert "altered: readings.csv" in result.stdout
    assert "the separator is ';'" in result.stdout


@pytest.mark.parametrize(
    "command",
    [["show"], ["report"], ["owner"], ["card"], ["compare", "other"], ["export", "--anonymous", "--output", "out"]],
)
def test_a_folder_from_a_future_version_is_refused_and_left_as_it_is(tmp_path, command):
    here = tmp_path / "archive"
    future, other = make_run(here), make_run(here)
    page = json.loads((future / "run.json").read_text()) | {"format_version": 99}
    (future / "run.json").write_text(json.dumps(page))
    before = _contents(here)
    name, *more = command
    more = [str(other) if part == "other" else str(tmp_path / part) if part == "out" else part for part in more]
    options = ["--complaint", "x"] if name == "card" else []
    with pytest.raises(FileError, match="format_version 99"):
        call(name, future, *more, *options, "--archive", here)
    assert _contents(here) == before
    lines = json.loads(call("log", "--archive", here, "--json"))
    assert sorted(line["state"] for line in lines) == ["finished", "unreadable"]
    found = json.loads(
        CliRunner().invoke(benchtest, ["check-archive", "--archive", str(here), "--json"], standalone_mode=False).stdout
    )
    assert found["states"]["unreadable"] == 1


def test_two_runs_with_one_id_are_named_and_neither_is_touched(tmp_path):
    here = tmp_path / "archive"
    one = make_run(here)
    twin = one.with_name(one.name[:-6] + "abcdef")
    shutil.copytree(one, twin)
    before = _contents(here)
    result = CliRunner().invoke(benchtest, ["check-archive", "--archive", str(here)], standalone_mode=False)
    assert result.return_value == 1
    assert "two runs with one id" in result.stdout
    with pytest.raises(FileError, match="Move one of them out"):
        call("export", "--archive", here, "--output", tmp_path / "all.csv")
    assert not (tmp_path / "all.csv").exists()
    assert _contents(here) == before


# Surrogates have no UTF-8 and are written as their escape; the rest must come back as it was entered.
TEXT = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=60).filter(lambda text: text.strip())


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
@given(complaint=TEXT, fitted=st.lists(TEXT, max_size=3), minutes=st.floats(0, 1000))
def test_a_job_card_comes_back_as_it_was_entered(tmp_path_factory, complaint, fitted, minutes):
    run = Run(make_run(tmp_path_factory.mktemp("card")))
    add_entry(run, texts={"complaint": complaint}, fitted=fitted, minutes=minutes)
    card = read_card(run)
    assert card.complaint == complaint.strip()
    assert card.fitted == tuple(text.strip() for text in fitted)
    assert card.minutes == minutes
    assert card.remarks == ()


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
@given(name=TEXT, serial=TEXT)
def test_what_run_json_holds_comes_back_as_it_was(tmp_path_factory, name, serial):
    summary = Run(make_run(tmp_path_factory.mktemp("meta"), name, serial)).summary
    assert summary["amplifier"] == {"name": name, "serial": serial}
