"""A run read back: what was given comes out, torn and edited files are met with sense, runs are found."""

from __future__ import annotations

import csv
import io
import json
import os

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtest import archive
from benchtest.archive.table import encode_row, header_line
from benchtest.archive.table_reading import parse_table
from benchtest.errors import FileError

# Whatever a person or a program can put into a text: control characters, quotes, formulas, other scripts.
TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=40)
NUMBER = st.none() | st.floats(allow_nan=False)


@given(note=TEXT, step=TEXT, value=NUMBER, limit=NUMBER, volume=TEXT, simulated=st.booleans())
def test_row_survives_the_round_trip(row, note, step, value, limit, volume, simulated):
    given_row = row(note=note, step=step, value=value, upper_limit=limit, conditions={"v": volume}, simulated=simulated)
    table = parse_table(header_line() + encode_row(given_row), "readings.csv")
    assert table.rows == [given_row | {"claim_verdict": ""}]
    assert table.remarks == ()


@given(note=TEXT)
def test_no_cell_is_a_formula_to_a_spreadsheet(row, note):
    record = next(csv.reader(io.StringIO(encode_row(row(note=note)).decode(), newline="")))
    assert not record[-1].startswith(("=", "+", "-", "@", "\t", "\r", "\n"))


@given(note=TEXT, cut=st.integers(min_value=1))
def test_torn_last_line_is_left_out_and_the_lines_before_it_stay(row, note, cut):
    whole, torn = encode_row(row(sequence=1, note=note)), encode_row(row(sequence=2, note=note))
    data = header_line() + whole + torn[: -1 - cut % (len(torn) - 1)]
    rows = parse_table(data, "readings.csv", closed=False).rows
    assert [r["sequence"] for r in rows] == [1]


def test_not_a_number_is_written_as_csvw_spells_it_and_read_back(row):
    line = encode_row(row(value=float("nan"), lower_limit=float("-inf"), upper_limit=float("inf")))
    assert b",NaN," in line
    assert b",-INF,INF," in line
    back = parse_table(header_line() + line, "x").rows[0]
    assert np.isnan(back["value"])
    assert (back["lower_limit"], back["upper_limit"]) == (float("-inf"), float("inf"))


def test_file_saved_by_a_spreadsheet_is_still_understood(row):
    plain = header_line() + encode_row(row(note="a, b"))
    records = list(csv.reader(io.StringIO(plain.decode(), newline="")))
    order = sorted(range(len(records[0])), key=lambda i: records[0][i])
    text = io.StringIO()
    for number, record in enumerate(records):
        cells = [record[i] for i in order]
        if number:
            cells = [c.replace(".", ",") if c.replace(".", "").replace("-", "").isdigit() else c for c in cells]
            cells = [c.upper() if c in ("true", "false") else c for c in cells]
        csv.writer(text, delimiter=";", lineterminator="\n").writerow(cells)
    table = parse_table(b"\xef\xbb\xbf" + text.getvalue().encode(), "readings.csv")
    assert table.rows == parse_table(plain, "x").rows
    assert len(table.remarks) == 2


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (b"0.0123", b"12 mV", r"row 2, column value: '12 mV'. Expected a number"),
        (b"0.0123", b'"1,234"', r"column value: '1,234'"),
        (b"true", b"yes", r"column simulated: 'yes'. Expected true or false"),
        (b"2031-05-06T07:08:09.000Z", b"06.05.31", r"column time_utc: '06.05.31'"),
        (b"quantity", b"quantities", r"lacks the columns quantity"),
        (b"demo method", b"a,b", r"row 2: 26 cells. Expected 25"),
        (b"demo method", b"\xff", r"not UTF-8"),
    ],
)
def test_what_would_have_to_be_guessed_is_refused_with_its_place(row, old, new, message):
    data = (header_line() + encode_row(row())).replace(old, new)
    with pytest.raises(FileError, match=message):
        parse_table(data, "readings.csv")


def test_closed_run_is_finished_until_a_file_is_altered(tmp_path, new_run, row):
    writer = new_run(tmp_path)
    writer.append_reading(row(writer.run_id))
    unfinished = archive.Run(writer.folder)
    assert unfinished.state == "unfinished"
    assert unfinished.summary["result"] == "unfinished"
    writer.close({"result": "passed", "exit_status": 0})
    run = archive.Run(writer.folder)
    assert (run.state, run.summary["result"], run.summary["readings_count"]) == ("finished", "passed", 1)
    (writer.folder / "photograph.jpg").write_bytes(b"")
    assert archive.Run(writer.folder).state == "finished"
    assert archive.Run(writer.folder).check.added == ("photograph.jpg",)
    (writer.folder / "readings.csv").write_bytes(header_line())
    assert archive.Run(writer.folder).check.altered == ("readings.csv",)
    (writer.folder / "events.jsonl").unlink()
    assert archive.Run(writer.folder).check.missing == ("events.jsonl",)
    assert archive.Run(writer.folder).state == "altered"


def test_run_without_manifest_is_unfinished_whatever_its_page_says(tmp_path, new_run):
    writer = new_run(tmp_path)
    writer.close({"result": "passed", "exit_status": 0})
    (writer.folder / "manifest.sha256").unlink()
    assert archive.Run(writer.folder).summary["result"] == "unfinished"
    assert archive.open(tmp_path).runs()[0].result == "unfinished"


def test_events_and_curves_come_back(tmp_path, new_run):
    writer = new_run(tmp_path)
    writer.append_event({"event": "note", "time_s": 1.5, "text": "zwölf\n\ud800", "x": float("nan")})
    columns = {"frequency_hz": np.array([10.0, 20.0]), "level_db": np.array([-120.123456789, np.inf])}
    meta = {"bench_floor_db": -130.0, "driven": ["left"]}
    writer.save_curve("spectrum_left", columns, units={"frequency_hz": "Hz", "level_db": "dB"}, title="S", meta=meta)
    writer.abandon()
    with (writer.folder / "events.jsonl").open("ab") as file:
        file.write(b'{"event": "note", "te')
    run = archive.Run(writer.folder)
    assert [(e["text"], e["x"]) for e in run.events()] == [("zwölf\n\ud800", None)]
    curve = run.curves()["spectrum_left"]
    np.testing.assert_allclose(curve.columns["level_db"], columns["level_db"], rtol=1e-8)
    assert (curve.title, dict(curve.units)) == ("S", {"frequency_hz": "Hz", "level_db": "dB"})
    assert curve.meta == {"bench_floor_db": -130.0, "driven": '["left"]'}


def test_capture_replaced_by_a_shorter_one_is_refused(tmp_path, new_run):
    writer = new_run(tmp_path)
    first = writer.save_capture("a", np.zeros((200, 2)), 48000, volts_per_full_scale=1.0)
    second = writer.save_capture("b", np.zeros((100, 2)), 48000, volts_per_full_scale=1.0)
    writer.close({})
    os.replace(second, first)
    run = archive.Run(writer.folder)
    with pytest.raises(FileError, match=r"100 frames at 48000 Hz\. Expected 200"):
        run.waveform(run.captures()[0])


def test_folder_from_a_future_version_is_refused_and_still_listed(tmp_path, new_run):
    writer = new_run(tmp_path)
    writer.close({"result": "passed"})
    page = json.loads((writer.folder / "run.json").read_text()) | {"format_version": 99}
    (writer.folder / "run.json").write_text(json.dumps(page))
    with pytest.raises(FileError, match=r"format_version 99.*newer program"):
        archive.Run(writer.folder).summary  # noqa: B018
    (line,) = archive.open(tmp_path).runs()
    assert line.state == "unreadable"
    assert "format_version 99" in line.remark


def test_every_stage_of_a_killed_start_can_be_read(tmp_path):
    folder = tmp_path / "2031-05-06" / "070809-power_on-demo-60-0a1b2c"
    folder.mkdir(parents=True)
    run = archive.Run(folder)
    assert (run.state, run.rows(), run.events(), run.curves()) == ("unfinished", [], [], {})
    (line,) = archive.open(tmp_path).runs()
    assert (line.result, line.procedure, line.started_utc) == ("unfinished", "power_on", "2031-05-06T07:08:09.000Z")
    (folder / "readings.csv").write_bytes(header_line()[:20])
    assert archive.Run(folder).rows() == []


def test_run_is_found_by_whatever_names_it_alone(tmp_path, new_run):
    first, second = new_run(tmp_path, "Alpha"), new_run(tmp_path, "Beta")
    for writer in (first, second):
        writer.close({"result": "passed"})
    here = archive.open(tmp_path)
    for text in (first.run_id, first.folder.name, first.run_id[:-3], first.run_id[-6:], str(first.folder)):
        assert here.find(text).folder == first.folder
    assert here.find("last").folder == max(first.folder, second.folder)
    with pytest.raises(FileError, match=rf"(?s)fits 2 runs.*{second.run_id}"):
        here.find("2031-05-06")
    with pytest.raises(FileError, match=rf"(?s)no run .* fits 'gamma'.*{first.run_id}"):
        here.find("gamma")
    with pytest.raises(FileError, match="holds no runs"):
        archive.open(tmp_path / "nowhere").find("last")


def test_what_is_no_run_folder_is_passed_over(tmp_path, new_run):
    new_run(tmp_path).close({})
    (tmp_path / "sample").mkdir()
    (tmp_path / "2031-05-06" / "notes").mkdir()
    (tmp_path / "2031-05-07").write_text("a file")
    assert len(archive.open(tmp_path).runs()) == 1
