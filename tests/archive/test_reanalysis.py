"""Readings recomputed from captures: against closed forms, against the run itself, and beside it without touching it."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from benchtest import archive
from benchtest.archive.finding import check_run
from benchtest.archive.manifest import check_manifest
from benchtest.archive.reanalysis import reanalyse, reanalyse_many
from benchtest.archive.run import FINISHED, Run
from benchtest.archive.table_reading import read_table
from benchtest.cli import benchtest
from benchtest.errors import FileError

RATE, FRAMES = 96000, 33600
CALIBRATION = {
    "kind": "measured", "made_utc": "", "meter": "", "sound_card": "", "frequency_hz": 1000.0,
    "output_volts_per_full_scale": [2.0, 2.0], "input_volts_per_full_scale": [45.0, 45.0],
    "meter_relative": 5e-4, "own_relative": 2e-4,
}  # fmt: skip
AMPLIFIER = {"name": "Demo 60", "rated_power_w": 60.0, "rated_load_ohm": 8.0}


@pytest.fixture
def kept_tone(tmp_path, new_run, row):
    """kept_tone(thd, old): a run with one capture of a tone whose THD is ``thd`` (ratio) and an old reading of it."""

    def make(thd: float, old_percent: float, here=tmp_path / "archive"):
        writer = new_run(here, amplifier=AMPLIFIER, calibration=CALIBRATION)
        t = np.arange(FRAMES) / RATE
        # harmonics 2 and 3 in the ratio 3 : 4, so that the root of their squares is thd
        wave = np.sin(2e3 * np.pi * t) + thd * (
            0.6 * np.sin(4e3 * np.pi * t + 0.3) + 0.8 * np.sin(6e3 * np.pi * t - 1.1)
        )
        noise = np.random.default_rng(1).standard_normal((FRAMES, 2)) * 1e-5
        volts = 4.0 * wave[:, None] * np.ones((1, 2)) + noise
        writer.append_event({"event": "step_started", "step": "distortion"})
        common = {"channel": "left", "unit": "%", "frequency_hz": 1000.0, "level": 2.83, "level_unit": "V", "load_ohm": 8.0,
                  "conditions": {"at": "1 W", "driven": "one", "volume": "full"}, "step": "distortion"}  # fmt: skip
        gain = row(writer.run_id, 1, quantity="gain", unit="dB", value=31.0, channel="left")
        thd_row = row(writer.run_id, 2, quantity="thd", value=old_percent, expanded_uncertainty=0.001, **common)
        for each in (gain, thd_row):
            writer.append_reading(each)
            writer.append_event({"event": "reading", "row": {**each, "time_utc": None}})
        path = writer.save_capture(
            "tone_1_W_left", volts, RATE, volts_per_full_scale=45.0, meta={"frequency_hz": 1000.0}
        )
        writer.append_event({"event": "capture", "path": f"captures/{path.name}"})
        writer.close({"result": "passed"})
        return Run(writer.folder)

    return make


@pytest.fixture(scope="module")
def real_run(tmp_path_factory):
    """A whole run on the simulated bench."""
    here = tmp_path_factory.mktemp("real")
    CliRunner().invoke(benchtest, ["run", "power_on", "--yes", "--archive", str(here)], standalone_mode=False)
    return archive.open(here).find("last")


def _bytes(folder):
    return {path.relative_to(folder): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("thd", [0.01, 0.001, 0.0003])
def test_a_wrong_old_reading_is_put_right_by_the_closed_form(kept_tone, thd):
    run = kept_tone(thd, old_percent=5.0)
    found = reanalyse(run.folder)
    (change,) = found.changes
    assert change.after == pytest.approx(100 * thd, rel=1e-3)  # noise at -112 dB of the tone moves it by less
    assert change.notable
    assert change.before == 5.0
    assert change.difference == pytest.approx(100 * thd - 5.0, rel=1e-3)
    assert found.without_capture == 1


def test_the_old_folder_is_left_as_it_was_and_the_new_one_has_a_manifest_of_its_own(kept_tone):
    run = kept_tone(0.001, old_percent=0.1)
    before = _bytes(run.folder)
    found = reanalyse(run.folder)
    assert found.annex is not None
    after = _bytes(run.folder)
    assert {path: data for path, data in after.items() if path in before} == before
    assert all(path.parts[0] == found.annex.name for path in after.keys() - before.keys())
    assert check_manifest(found.annex).intact
    assert check_run(run.folder).state == FINISHED
    assert check_run(run.folder).added == ()
    rows = read_table(found.annex / "readings.csv").rows
    assert [(row["sequence"], row["quantity"], row["run_id"]) for row in rows] == [(2, "thd", run.run_id)]
    page = json.loads((found.annex / "reanalysis.json").read_text())
    assert page["software"]["benchtest"]
    assert page["readings_count"] == 1
    again = reanalyse(run.folder)
    assert again.annex not in (None, found.annex)


def test_a_fresh_run_is_recomputed_as_it_was(real_run):
    found = reanalyse(real_run.folder)
    quantities = {change.quantity for change in found.changes}
    assert quantities >= {"thd", "thd_n", "noise", "noise_a_weighted", "signal_to_noise", "hum"}
    assert quantities >= {"frequency_response", "crosstalk"}
    rows = [r for r in real_run.rows() if r["quantity"] in ("frequency_response", "crosstalk")]
    again = {change.sequence for change in found.changes}
    assert len(rows) >= 12
    assert {row["sequence"] for row in rows} <= again
    assert {
        row["sequence"] for row in real_run.rows() if row["quantity"] == "thd" and '"orders"' in row["conditions"]
    } <= again
    for change in found.changes:
        assert change.difference is not None
        assert abs(change.difference) <= 0.2 * (change.before_uncertainty or 0.0), change
        assert change.before_verdict == change.after_verdict, change
    assert any("output" in what or "percent" in what for what, _ in found.not_recomputed)


TOGETHER = {
    "gain": 2, "channel_balance": 1, "balance_deviation": 1, "output_power": 4, "output_voltage": 4, "turn_off_transient": 2,
}  # fmt: skip
"""Readings of a run that rest on several captures, or on a stretch of one, and how many of each are recomputed."""


def test_what_rests_on_several_captures_is_recomputed_from_all_of_them(real_run):
    found = [change for change in reanalyse(real_run.folder).changes if change.quantity in TOGETHER]
    assert {name: sum(c.quantity == name for c in found) for name in TOGETHER} == TOGETHER
    for change in found:
        assert change.after == pytest.approx(change.before, abs=0.02 * change.before_uncertainty)  # 24 bits of a FLAC
        assert change.after_uncertainty == pytest.approx(change.before_uncertainty, rel=0.01)
        assert change.after_verdict == change.before_verdict


@pytest.mark.parametrize("quantity", list(TOGETHER))
def test_what_was_written_wrong_is_put_right(real_run, tmp_path, quantity):
    folder = tmp_path / "2031-05-06" / real_run.folder.name
    shutil.copytree(real_run.folder, folder, ignore=shutil.ignore_patterns("reanalysis-*"))
    known = next(c.sequence for c in reanalyse(real_run.folder).changes if c.quantity == quantity)
    row = next(r for r in real_run.rows() if r["sequence"] == known)
    text = (folder / "readings.csv").read_text(encoding="utf-8")
    lines = text.splitlines(keepends=True)
    where = next(i for i, line in enumerate(lines) if line.split(",")[1] == str(row["sequence"]))
    lines[where] = lines[where].replace(repr(row["value"]), repr(row["value"] * 1.5), 1)
    (folder / "readings.csv").write_text("".join(lines), encoding="utf-8", newline="")
    found = {change.sequence: change for change in reanalyse(folder).changes}
    change = found[row["sequence"]]
    assert change.before == pytest.approx(1.5 * row["value"])
    assert change.after == pytest.approx(row["value"], rel=1e-3)
    assert change.notable


def test_half_of_a_powers_captures_is_not_enough(real_run, tmp_path):
    folder = tmp_path / "2031-05-06" / real_run.folder.name
    shutil.copytree(real_run.folder, folder, ignore=shutil.ignore_patterns("reanalysis-*"))
    gone = next((folder / "captures").glob("*power_one_left_above*"))
    gone.unlink()
    found = reanalyse(folder)
    assert any(gone.name in what and "is missing" in why for what, why in found.not_recomputed)
    powers = {(c.channel, "one" in c.conditions) for c in found.changes if c.quantity == "output_power"}
    assert powers == {("right", True), ("left", False), ("right", False)}


def test_what_todays_code_changes_is_listed_by_how_much(real_run, tmp_path, monkeypatch):
    from benchtest.safety import tone

    folder = tmp_path / "2031-05-06" / real_run.folder.name
    shutil.copytree(real_run.folder, folder, ignore=shutil.ignore_patterns("reanalysis-*"))
    real = tone.tone_figures
    monkeypatch.setattr(tone, "tone_figures", lambda *a: replace(real(*a), thd=0.5))
    changed = {c.quantity: c for c in reanalyse(folder).changes if c.notable}
    assert {"thd"} <= set(changed) <= {"thd", "thd_n"}  # the uncertainty of THD+N knows the THD
    assert changed["thd"].after == pytest.approx(50.0, rel=1e-3)
    assert (changed["thd"].before_verdict, changed["thd"].after_verdict) == ("pass", "fail")


def test_a_response_that_was_written_wrong_is_put_right_from_the_sweep(real_run, tmp_path):
    folder = tmp_path / "2031-05-06" / real_run.folder.name
    shutil.copytree(real_run.folder, folder, ignore=shutil.ignore_patterns("reanalysis-*"))
    (folder / "manifest.sha256").unlink()
    lines = (folder / "readings.csv").read_bytes().decode().split("\r\n")
    where = next(k for k, line in enumerate(lines) if ",frequency_response,right," in line and ",20000" in line)
    row = next(r for r in real_run.rows() if r["sequence"] == int(lines[where].split(",")[1]))
    cells = lines[where].split(",")
    cells[7] = "-2.5"
    lines[where] = ",".join(cells)
    (folder / "readings.csv").write_bytes("\r\n".join(lines).encode())
    (change,) = (c for c in reanalyse(folder).changes if c.sequence == row["sequence"])
    assert change.before == -2.5
    assert change.after == pytest.approx(row["value"], abs=0.2 * row["expanded_uncertainty"])
    assert change.notable


def test_a_capture_that_was_replaced_is_never_analysed(kept_tone, tmp_path):
    run = kept_tone(0.001, old_percent=0.1)
    other = kept_tone(0.02, old_percent=2.0, here=tmp_path / "other")
    name = run.captures()[0]["file"]
    shutil.copyfile(other.folder / name, run.folder / name)
    with pytest.raises(FileError, match="was altered since the run was closed"):
        reanalyse(run.folder)
    assert not list(run.folder.glob("reanalysis-*"))


@pytest.mark.parametrize(
    ("spoil", "match"),
    [
        (lambda f: (f / "events.jsonl").write_text(""), "no reading rests on this capture alone"),
        (lambda f: shutil.rmtree(f / "captures"), "it kept no captures"),
        (
            lambda f: (f / "run.json").write_text(json.dumps({"calibration": {"kind": "x"}})),
            "no calibration that can be used",
        ),
    ],
)
def test_what_cannot_be_recomputed_is_refused_with_the_reason(kept_tone, spoil, match):
    run = kept_tone(0.001, old_percent=0.1)
    (run.folder / "manifest.sha256").unlink()
    spoil(run.folder)
    with pytest.raises(FileError, match=match):
        reanalyse(run.folder)


@pytest.mark.slow
def test_several_processes_give_what_one_gives(kept_tone, tmp_path):
    folders = [kept_tone(0.001 * (n + 1), 0.1, here=tmp_path / f"a{n}").folder for n in range(3)]
    one = {r.folder: [c.after for c in r.changes] for r in reanalyse_many(folders, workers=1)}
    several = {r.folder: [c.after for c in r.changes] for r in reanalyse_many(folders, workers=2)}
    assert one == several


@pytest.mark.slow
def test_a_dask_cluster_gives_what_one_process_gives(kept_tone, tmp_path):
    distributed = pytest.importorskip("distributed")
    folders = [kept_tone(0.001 * (n + 1), 0.1, here=tmp_path / f"a{n}").folder for n in range(2)]
    one = {r.folder: [c.after for c in r.changes] for r in reanalyse_many(folders, workers=1)}
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None
    ) as cluster:
        there = {
            r.folder: [c.after for c in r.changes]
            for r in reanalyse_many(folders, workers=1, dask=cluster.scheduler_address)
        }
    assert one == there


def test_no_scheduler_at_the_address_is_said(tmp_path):
    pytest.importorskip("distributed")
    with pytest.raises(FileError, match="no Dask scheduler answers"):
        list(reanalyse_many([tmp_path], workers=1, dask="nothing://here"))


def test_one_bad_run_does_not_stop_the_others(kept_tone, tmp_path):
    good = kept_tone(0.001, old_percent=0.1)
    empty = tmp_path / "archive" / "2031-05-06" / "070809-power_on-demo-0a1b2c"
    empty.mkdir(parents=True)
    found = list(reanalyse_many([empty, good.folder], workers=1))
    assert [bool(outcome.error) for outcome in found] == [True, False]


def test_the_command_lists_changes_and_refuses_to_guess_which_runs(kept_tone):
    run = kept_tone(0.001, old_percent=5.0)
    shelf = str(run.folder.parents[1])
    result = CliRunner().invoke(benchtest, ["reanalyse", "last", "--archive", shelf], standalone_mode=False)
    assert result.exception is None
    assert "THD left" in result.stdout
    assert "was serviceable, is" in result.stdout or "5 / 0.1" in result.stdout
    result = CliRunner().invoke(benchtest, ["reanalyse", "--archive", shelf], standalone_mode=False)
    assert "no RUN" in str(result.exception.message)
    result = CliRunner().invoke(
        benchtest, ["reanalyse", "--amplifier", "demo", "--archive", shelf, "--json"], standalone_mode=False
    )
    (page,) = json.loads(result.stdout)
    assert page["changes"][0]["notable"] is True
