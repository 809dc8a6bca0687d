"""A run folder as it is written: complete, in the agreed formats, whatever the amplifier is called."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import subprocess
from datetime import datetime

import numpy as np
import pytest
import soundfile

from benchtest.archive import RunWriter
from benchtest.archive.waveforms import read_waveform
from benchtest.errors import FileError
from benchtest.reading import COLUMNS

HOSTILE = [
    "../../etc", '=HYPERLINK("http://x")', "<script>alert(1)</script>", "x" * 300, "🎵", "", "a/b\\c\x00d", "con", ".",
]  # fmt: skip


def test_folder_is_there_at_once_and_reads_as_unfinished(tmp_path, new_run):
    writer = new_run(tmp_path)
    assert writer.folder.parent.name == "2031-05-06"
    assert re.fullmatch(r"070809-power_on-demo-60-[0-9a-f]{6}", writer.folder.name)
    page = json.loads((writer.folder / "run.json").read_text())
    assert page["result"] is None
    assert page["run_id"] == writer.run_id
    assert (writer.folder / "readings.csv").read_bytes() == ",".join(COLUMNS).encode() + b"\r\n"
    assert not (writer.folder / "manifest.sha256").exists()
    writer.abandon()


def test_reading_is_in_the_file_when_the_call_returns(tmp_path, new_run, row):
    writer = new_run(tmp_path)
    writer.append_event({"event": "step_started", "time_s": 0.0, "step": "DC check"})
    writer.append_reading(row(writer.run_id, 1, note='a "b", c\r\nd'))
    table = list(csv.DictReader(io.StringIO((writer.folder / "readings.csv").read_bytes().decode(), newline="")))
    assert table[0]["value"] == "0.0123"
    assert table[0]["note"] == 'a "b", c\r\nd'
    assert table[0]["simulated"] == "true"
    assert table[0]["time_utc"] == "2031-05-06T07:08:09.000Z"
    assert json.loads(table[0]["conditions"]) == {"volume": "minimum"}
    writer.abandon()


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="sha256sum belongs to coreutils")
def test_sha256sum_accepts_the_manifest_of_a_closed_run(tmp_path, new_run, row):
    writer = new_run(tmp_path)
    writer.append_reading(row(writer.run_id))
    writer.save_capture("1 W", np.zeros((100, 2)), 96000, volts_per_full_scale=1.0, meta={})
    writer.save_curve("noise", {"time_s": np.arange(3.0)}, units={"time_s": "s"}, title="t", meta={})
    writer.close({"result": "passed", "exit_status": 0})
    (writer.folder / "report.html").write_text("derived")
    lines = (writer.folder / "manifest.sha256").read_text().splitlines()
    named = {line.split("  ", 1)[1] for line in lines}
    everything = {p.relative_to(writer.folder).as_posix() for p in writer.folder.rglob("*") if p.is_file()}
    assert named == everything - {"manifest.sha256", "report.html"}
    check = ["sha256sum", "--check", "--strict", "manifest.sha256"]
    assert subprocess.run(check, cwd=writer.folder, capture_output=True).returncode == 0
    (writer.folder / "readings.csv").write_bytes(b"altered")
    assert subprocess.run(check, cwd=writer.folder, capture_output=True).returncode == 1


@pytest.mark.parametrize(
    "name",
    [
        "../../etc",
        '=HYPERLINK("http://x")',
        "<script>alert(1)</script>",
        "x" * 300,
        "🎵",
        "",
        "a/b\\c\x00d",
        "con",
        ".",
    ],
)
def test_hostile_amplifier_name_stays_in_the_archive(tmp_path, name, new_run):
    archive = tmp_path / "archive"
    writer = new_run(archive, name)
    writer.close({"result": "passed", "amplifier": {"name": name}})
    assert writer.folder.resolve().parent.parent == archive.resolve()
    assert re.fullmatch(r"070809-power_on-[a-z0-9_-]{1,40}-[0-9a-f]{6}", writer.folder.name)
    assert [p.name for p in tmp_path.iterdir()] == ["archive"]
    assert json.loads((writer.folder / "run.json").read_text())["amplifier"]["name"] == name


def test_two_runs_of_the_same_second_get_two_folders(tmp_path, monkeypatch, new_run):
    drawn = iter(["aaaaaa", "aaaaaa", "bbbbbb"])
    monkeypatch.setattr("benchtest.archive.names.secrets.token_hex", lambda n: next(drawn))
    first, second = new_run(tmp_path), new_run(tmp_path)
    assert first.folder.name.endswith("aaaaaa")
    assert second.folder.name.endswith("bbbbbb")
    first.abandon()
    second.abandon()


def test_archive_that_is_a_file_is_refused_with_a_remedy(tmp_path, new_run):
    (tmp_path / "archive").write_text("")
    with pytest.raises(FileError, match=r"(?s)archive.*Expected a folder.*--archive"):
        new_run(tmp_path / "archive")


def test_start_without_a_zone_is_refused(tmp_path):
    with pytest.raises(ValueError, match="without a zone"):
        RunWriter.create(tmp_path, procedure="p", amplifier_name="a", started_utc=datetime(2031, 5, 6), header={})


def test_nothing_is_added_to_a_closed_run_and_closing_twice_does_no_harm(tmp_path, new_run, row):
    writer = new_run(tmp_path)
    writer.close({"result": "passed"})
    writer.close({"result": "failed"})
    assert json.loads((writer.folder / "run.json").read_text())["result"] == "passed"
    with pytest.raises(FileError, match="closed"):
        writer.append_reading(row())


@pytest.mark.parametrize(("peak", "scale"), [(0.9, 2.0), (2.0, 4.0), (5.0, 8.0)])
def test_capture_comes_back_in_volts_within_half_a_step_and_never_clips(tmp_path, peak, scale, new_run):
    writer = new_run(tmp_path)
    samples = peak * np.random.default_rng(1).uniform(-1, 1, (4000, 2))
    samples[7, 1] = -peak
    path = writer.save_capture("THD+N at 1 W", samples, 96000, volts_per_full_scale=2.0, meta={"step": "x"})
    writer.close({})
    entry = json.loads((writer.folder / "captures" / "index.jsonl").read_text())
    assert entry["file"] == "captures/001-thd-n-at-1-w.flac"
    assert entry["volts_per_full_scale"] == scale
    assert json.loads(soundfile.SoundFile(path).comment)["volts_per_full_scale"] == scale
    assert soundfile.info(path).subtype == "PCM_24"
    back = read_waveform(path, entry["volts_per_full_scale"])
    assert back.sample_rate == 96000
    # One step of 24 bit: libsndfile scales by 2^23 - 1 going out and by 2^23 coming in, so half a step and one more.
    np.testing.assert_allclose(back.samples, samples, atol=1.5 * scale / 2**23)


def test_capture_that_is_no_data_is_refused(tmp_path, new_run):
    writer = new_run(tmp_path)
    with pytest.raises(ValueError, match="not finite"):
        writer.save_capture("x", np.full((10, 2), np.nan), 96000, volts_per_full_scale=1.0, meta={})
    writer.abandon()


def test_curves_of_one_name_are_both_kept(tmp_path, new_run):
    writer = new_run(tmp_path)
    column = {"time_s": np.array([0.0, 1 / 3]), "left_v": np.array([1e-9, np.nan])}
    units = {"time_s": "s", "left_v": "V"}
    first = writer.save_curve("offset_warmup", column, units=units, title="Warm-up", meta={"limit_v": 0.1})
    second = writer.save_curve("offset_warmup", column, units=units, title="Warm-up", meta={})
    writer.close({})
    assert (first.name, second.name) == ("offset_warmup.csv", "offset_warmup-2.csv")
    assert first.read_bytes() == b"time_s,left_v\r\n0,1e-09\r\n0.333333333,NaN\r\n"
    with pytest.raises(FileError):
        writer.save_curve("late", column, units=units, title="", meta={})
