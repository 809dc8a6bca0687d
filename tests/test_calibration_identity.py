"""A calibration belongs to the instruments that it was made on: one of a simulated bench is refused on a real one."""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace

import pytest

from benchtest.bench import simulated_bench_text
from benchtest.bench_file import bench_from_text
from benchtest.calibration import check_calibration, load_calibration, make_calibration, save_calibration
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
    assert "CALIBRATION REFUSED" in render(ended.folder).read_text()
    assert "CALIBRATION REFUSED" in capsys.readouterr().err
