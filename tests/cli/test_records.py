"""log, check-archive, export, compare and trend as they are typed; the archive is invented."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner

from benchtest.archive import RunWriter
from benchtest.cli import benchtest
from benchtest.errors import FileError
from benchtest.reading import Reading, Verdict, as_row

FIRST = datetime(2031, 5, 6, 7, 0, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _own_cache(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture
def shelf(tmp_path):
    """Five runs, a week apart: four of one set whose gain rises, and one of another that was never closed."""
    here = tmp_path / "archive"
    for number in range(5):
        name, serial = ("Demo 60", "DEMO-1") if number < 4 else ("Other 20", "DEMO-2")
        when = FIRST + timedelta(days=7 * number)
        writer = RunWriter.create(
            here, procedure="power_on", amplifier_name=name, started_utc=when,
            header={"simulated": False, "amplifier": {"name": name, "serial": serial}, "bench": {"name": "desk"}},
        )  # fmt: skip
        for place, (quantity, value, unit) in enumerate(
            (("gain", 31.0 + 0.1 * number + 0.001 * (number == 2), "dB"), ("dc_offset", -0.02 * number, "V"))
        ):
            reading = Reading(
                quantity=quantity, channel="left", value=value, unit=unit, expanded_uncertainty=0.01,
                verdict=Verdict.FAIL if quantity == "dc_offset" and number == 3 else Verdict.PASS,
            )  # fmt: skip
            writer.append_reading(
                as_row(reading, run_id=writer.run_id, sequence=place + 1, time_utc=when, procedure="power_on", step="s",
                       simulated=False)
            )  # fmt: skip
        if number < 4:
            writer.close({"result": "failed" if number == 3 else "passed", "exit_status": 0})
        else:
            writer.abandon()
    return here


def call(*arguments: object, status: int = 0) -> str:
    result = CliRunner().invoke(benchtest, list(map(str, arguments)), standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    assert (result.return_value or 0) == status, result.output
    return result.stdout


@pytest.mark.parametrize(
    ("options", "count"),
    [
        ([], 5),
        (["--amplifier", "demo"], 4),
        (["--serial", "DEMO-2"], 1),
        (["--procedure", "other"], 0),
        (["--result", "failed"], 1),
        (["--result", "unfinished"], 1),
        (["--where", "dc_offset > 0.01"], 0),
        (["--where", "|dc_offset| > 30 mV"], 3),
        (["--where", "|dc_offset| > 30 mV", "--where", "gain < 31.25"], 1),
        (["--since", "2031-05-13", "--until", "2031-05-20"], 2),
    ],
)
def test_log_lists_what_the_filters_ask_for(shelf, options, count):
    found = json.loads(call("log", "--archive", shelf, "--json", *options))
    assert len(found) == count
    assert call("log", "--archive", shelf, *options).count("power_on") == count


def test_history_of_a_set_says_what_failed(shelf):
    text = call("log", "--archive", shelf, "--serial", "DEMO-1")
    assert text.count("failed: DC at the output left") == 1


@pytest.mark.parametrize(
    ("condition", "match"),
    [
        ("|dc_offset| < 1", "only be asked for with >"),
        ("|dc_offset > 1", "is no condition"),
        ("dc_offset > 1 W", "no unit of the same kind"),
        ("something_new > 1 V", "not known here"),
    ],
)
def test_a_condition_that_makes_no_sense_is_refused_with_the_reason(shelf, condition, match):
    with pytest.raises(FileError, match=match):
        call("log", "--archive", shelf, "--where", condition)


def test_check_archive_tells_altered_from_unfinished_by_its_exit_status(shelf):
    text = call("check-archive", "--archive", shelf, status=5)
    assert "4 finished" in text
    assert "1 unfinished" in text
    folder = next(shelf.glob("2031-05-06/*"))
    (folder / "readings.csv").write_text((folder / "readings.csv").read_text().replace("31.0", "30.0"))
    (folder / "events.jsonl").unlink()
    text = call("check-archive", "--archive", shelf, status=1)
    assert "altered: readings.csv" in text
    assert "missing: events.jsonl" in text
    found = json.loads(call("check-archive", "--archive", shelf, "--json", status=1))
    assert found["states"] == {"unfinished": 1, "finished": 3, "altered": 1}


def test_check_of_a_whole_archive_is_quiet_and_0(shelf, tmp_path):
    call("export", next(shelf.glob("2031-05-06/*")), "--output", tmp_path / "one", "--archive", shelf)
    assert call("check-archive", "--archive", tmp_path / "one") == f"1 runs in {tmp_path / 'one'}: 1 finished\n"


def test_compare_names_change_significance_and_what_was_not_the_same(shelf, tmp_path):
    runs = [run["run_id"] for run in json.loads(call("log", "--archive", shelf, "--json"))]
    page = tmp_path / "page.html"
    found = json.loads(call("compare", runs[-1], runs[1], "--archive", shelf, "--json", "--page", page))
    gain, offset = found["readings"]
    assert gain["difference"] == pytest.approx(0.3)
    assert gain["uncertainty"] == pytest.approx(0.01414, rel=1e-3)  # sqrt(2) * 0.01
    assert gain["significant"] is True
    assert offset["after_verdict"] == "fail"
    assert "DC at the output" in page.read_text()
    text = call("compare", runs[-1], runs[0], "--archive", shelf)
    assert "serial number: DEMO-1 / DEMO-2" in text
    assert "LEFT" in text
    assert "*+0.400" in text


def test_a_page_never_replaces_a_file_that_is_none_of_ours(shelf, tmp_path):
    runs = [run["run_id"] for run in json.loads(call("log", "--archive", shelf, "--json"))]
    mine = tmp_path / "letter.html"
    mine.write_text("<p>mine</p>")
    with pytest.raises(FileError, match="no page of this program"):
        call("compare", runs[1], runs[0], "--archive", shelf, "--page", mine)
    assert mine.read_text() == "<p>mine</p>"
    for _ in range(2):
        call("compare", runs[1], runs[0], "--archive", shelf, "--page", tmp_path / "page.html")


def test_trend_of_a_reference_says_that_the_bench_drifts(shelf, tmp_path):
    page = tmp_path / "trend.html"
    text = call("trend", "gain", "--archive", shelf, "--serial", "DEMO-1", "--reference", "--page", page)
    assert "the BENCH that drifts (Gain)" in text
    assert "the BENCH that drifts (Gain)" in page.read_text()
    found = json.loads(call("trend", "gain", "--archive", shelf, "--json"))
    assert len(found["trends"][0]["points"]) == 5
    assert "several sets" in found["says"][-1]
    with pytest.raises(FileError, match="no reading of 'thd'"):
        call("trend", "thd", "--archive", shelf)


def test_export_writes_what_the_filters_choose(shelf, tmp_path):
    call("export", "--archive", shelf, "--output", tmp_path / "a.csv", "--serial", "DEMO-1")
    assert (tmp_path / "a.csv").read_text().count("DEMO-1") == 8
    for wrong in (["last", "--parquet"], ["last", "--serial", "x"], ["--anonymous"]):
        with pytest.raises(Exception, match=r"leave|name it"):
            call("export", *wrong, "--archive", shelf, "--output", tmp_path / "b")
    assert not (tmp_path / "b").exists()


def test_every_command_lists_its_options_without_reading_anything():
    for name in ("log", "compare", "trend", "check-archive", "export"):
        assert "--archive" in call(name, "--help")
