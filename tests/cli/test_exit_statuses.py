"""What the exit status says, where it was once another: misspelt names, a fault of the program, what comes first on screen."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from benchtest.quantities import QUANTITIES, near_names

ROOT = Path(__file__).parents[2]


def benchtest(*arguments: object, cwd: Path, typed: str | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "benchtest", *map(str, arguments)], capture_output=True, text=True, cwd=cwd,
        input=typed or "", timeout=120, check=False, env={**os.environ, "XDG_STATE_HOME": str(cwd)},
    )  # fmt: skip


def test_a_misspelt_point_to_watch_is_bad_input_and_told_what_was_near(tmp_path):
    ran = benchtest("watch", "left_ouput", "--simulated", "--count", 1, cwd=tmp_path)
    assert ran.returncode == 2
    assert "Near it: left_output" in ran.stderr
    assert "rail_positive" in ran.stderr


@pytest.mark.parametrize("condition", ["dc_ofset > 0.05", "dc_ofset > 50 mV", "|dc_ofset| > 50 mV"])
def test_a_misspelt_quantity_in_a_condition_is_an_error_not_an_empty_list(tmp_path, condition):
    ran = benchtest("log", "--archive", ROOT / "reports", "--where", condition, cwd=tmp_path)
    assert (ran.returncode, ran.stdout) == (2, "")
    assert "dc_ofset" in ran.stderr
    assert "dc_offset" in ran.stderr


def test_a_known_quantity_that_no_run_has_is_an_empty_list(tmp_path):
    ran = benchtest("log", "--archive", tmp_path / "empty", "--where", "slew_rate > 1", cwd=tmp_path)
    assert ran.returncode == 0
    assert "no such runs" in ran.stderr


def test_names_near_to_nothing_are_none():
    assert near_names("xyzzy", QUANTITIES) == []
    assert {"output_power", "power_bandwidth"} <= set(near_names("power", QUANTITIES))


def test_a_fault_of_the_program_is_no_verdict_on_an_amplifier(tmp_path):
    """Python itself would end with 1, which means that a limit failed."""
    code = (
        "import sys, benchtest.cli as cli\n"
        "cli.COMMANDS['devices'] = ('benchtest.nowhere', 'broken')\n"
        "sys.argv = ['benchtest', 'devices']\n"
        "cli.main()\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path, check=False)
    assert ran.returncode == 3
    assert "Traceback" in ran.stderr
    assert ran.stderr.rstrip().splitlines()[-1].startswith("benchtest: a fault of the program itself (ModuleNotFound")


def test_a_fault_of_a_procedure_script_is_none_either(tmp_path):
    (tmp_path / "broken.py").write_text(
        '"""Broken."""\nfrom benchtest import Procedure\ntest = Procedure("Broken")\n'
        '@test.step("Divide", why="")\ndef divide(bench, amplifier):\n    yield []\n    1 / 0\n'
    )
    ran = benchtest("run", "broken.py", "--yes", cwd=tmp_path)
    assert ran.returncode == 3
    assert "ZeroDivisionError" in ran.stderr


def test_a_procedure_that_is_wrong_is_a_bad_file(tmp_path):
    (tmp_path / "empty.py").write_text('"""Empty."""\nfrom benchtest import Procedure\ntest = Procedure("Empty")\n')
    ran = benchtest("procedures", "check", "empty.py", cwd=tmp_path)
    assert ran.returncode == 2, ran.stdout + ran.stderr


def test_cautions_and_kit_come_before_the_first_prompt(tmp_path):
    """Without --yes the simulated bench is calibrated by a person too: that is asked for after the cautions."""
    ran = benchtest("run", "power_on", cwd=tmp_path, typed="\n")
    caution, kit, prompt = (ran.stderr.index(words) for words in ("Mains kills", "Needed: ", ">> Calibration"))
    assert caution < kit < prompt
    assert ran.stderr.count("Mains kills") == 1


PERSON = """
[bench]
name = "desk"
[operator]
driver = "person"
[load]
left_ohm = 8.0
right_ohm = 8.0
tolerance_percent = 1.0
[[dmm]]
name = "meter"
driver = "handheld"
connected_to = "movable"
"""


def test_with_few_meters_the_hook_ups_are_counted_before_the_first_prompt(tmp_path):
    (tmp_path / "desk.toml").write_text(PERSON)
    ran = benchtest("run", "power_on", "--bench", "desk.toml", cwd=tmp_path, typed="\n")
    counted = re.search(r"With the meters of this bench: (\d+) hook-ups", ran.stderr)
    assert counted is not None, ran.stderr
    assert int(counted[1]) > 8  # what the meters of the default bench need
    assert counted.start() < ran.stderr.index("any key when done")
    assert "SIMULATED" not in ran.stderr
