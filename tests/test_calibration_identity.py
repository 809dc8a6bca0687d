"""A calibration belongs to the instruments that it was made on: one of a simulated bench is refused on a real one."""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

from benchtest.bench import simulated_bench_text
from benchtest.bench_file import bench_from_text
from benchtest.calibration import (
    calibration_for,
    check_calibration,
    load_calibration,
    make_calibration,
    save_calibration,
    stated_scales,
)
from benchtest.cli.calibrate import calibrate
from benchtest.cli.terminal import Terminal
from benchtest.errors import FileError
from benchtest.procedure import load_procedure, run
from benchtest.safety import open_bench

REAL_CARD = "sound card 'line', 96000 Hz"


@pytest.fixture(scope="module")
def made():
    with open_bench(None, calibrate=False) as bench:
        return make_calibration(bench)


@pytest.fixture
def real_bench():
    """What a calibration is checked against; its file is the simulated bench's, its instruments are not."""
    instruments = [{"kind": "audio interface", "identity": REAL_CARD}]
    file = bench_from_text(simulated_bench_text(), "a bench")
    return SimpleNamespace(simulated=False, file=file, describe=lambda: {"instruments": instruments})


def test_it_says_that_it_was_made_on_a_simulated_bench(made, tmp_path):
    path = tmp_path / "calibration.toml"
    save_calibration(made, path)
    assert load_calibration(path).simulated is True
    path.write_text(path.read_text().replace("simulated = true", 'simulated = "yes"'))
    with pytest.raises(FileError, match="Expected true or false"):
        load_calibration(path)


def test_a_real_bench_refuses_it_and_uses_what_its_file_states(made, real_bench):
    used = check_calibration(replace(made, path="calibration.toml"), real_bench)
    assert used.kind == "stated"
    assert used.output_volts_per_full_scale == (2.0, 2.0)
    assert used.warning.startswith("CALIBRATION REFUSED: calibration.toml was made on a SIMULATED bench")
    assert "NOT CALIBRATED" in used.warning


def test_one_of_before_the_mark_is_known_by_the_instruments_it_names(made, real_bench):
    assert check_calibration(replace(made, simulated=False), real_bench).kind == "stated"


def test_one_of_another_real_card_is_used_and_said(made, real_bench):
    other = replace(made, simulated=False, meter="a meter", sound_card="sound card 'front'")
    used = check_calibration(other, real_bench)
    assert used.kind == "measured"
    assert "another sound card" in used.warning
    assert check_calibration(replace(other, sound_card=REAL_CARD), real_bench).warning == ""


def test_the_refusal_stands_in_run_json_on_the_page_and_on_the_screen(made, real_bench, tmp_path, capsys):
    from benchtest.report import render

    used = check_calibration(made, real_bench)
    with open_bench(None, calibrate=False) as bench:
        bench._GuardedBench__driving.calibration = used
        ended = run(load_procedure("morning_check"), bench, archive=tmp_path, listeners=[Terminal()])
    kept = json.loads((ended.folder / "run.json").read_text())["calibration"]
    assert (kept["kind"], kept["warning"][:19]) == ("stated", "CALIBRATION REFUSED")
    page = render(ended.folder).read_text()
    assert 'role="note">CALIBRATION REFUSED' in page  # above the figures, not only in the small print
    assert "CALIBRATION REFUSED" in capsys.readouterr().err


def test_a_calibration_file_that_is_not_there_yet_is_none_and_said(tmp_path):
    """The bench file that the questions make names a file that `calibrate` has still to write."""
    text = simulated_bench_text() + '\n[calibration]\nfile = "calibration.toml"\n'
    bench = SimpleNamespace(simulated=False, file=bench_from_text(text, "a bench"))
    used = calibration_for(bench, tmp_path / "my_bench.toml")
    assert used.kind == "stated"
    assert used.warning.startswith(f"NOT CALIBRATED: {tmp_path / 'calibration.toml'}")
    assert "benchtest calibrate" in used.warning


def test_calibrating_reads_no_old_file(tmp_path, monkeypatch):
    """One that is broken, or of another version, is what calibrating mends."""
    path = tmp_path / "bench.toml"
    path.write_text(simulated_bench_text() + '\n[calibration]\nfile = "calibration.toml"\n')
    (tmp_path / "calibration.toml").write_text("format = 0\n")
    ran = CliRunner().invoke(calibrate, ["--bench", str(path)])
    assert ran.exit_code == 0, ran.output
    assert load_calibration(tmp_path / "calibration.toml").kind == "measured"


def test_another_meter_and_another_divider_are_said(made, real_bench):
    real = replace(made, simulated=False, meter="maker,old meter,1,1", sound_card=REAL_CARD)
    assert check_calibration(real, real_bench).warning == ""  # a bench without its meters says nothing of them
    here = [*real_bench.describe()["instruments"], {"kind": "multimeter", "identity": "maker,new meter,2,1"}]
    real_bench.describe = lambda: {"instruments": here}
    assert (
        "another multimeter (maker,old meter,1,1; now maker,new meter,2,1)"
        in check_calibration(real, real_bench).warning
    )
    text = simulated_bench_text().replace("left_input_divider = 23.3", "left_input_divider = 12.0")
    real_bench.file = bench_from_text(text, "a bench")
    assert "other dividers or full scales" in check_calibration(real, real_bench).warning


def test_what_the_file_stated_is_kept_with_the_calibration(made, tmp_path):
    save_calibration(made, tmp_path / "c.toml")
    assert (
        load_calibration(tmp_path / "c.toml").stated
        == made.stated
        == stated_scales(bench_from_text(simulated_bench_text(), "a bench"))
    )
