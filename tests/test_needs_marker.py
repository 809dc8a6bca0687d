"""The ``needs`` marker: left out and listed by name, or an error; never silently passed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

CONFTEST = Path(__file__).with_name("conftest.py")
TESTS = """
import pytest

@pytest.mark.needs("benchtest-no-such-package")
def test_that_needs_a_package():
    raise AssertionError("run although its package is absent")

@pytest.mark.needs("dpkg")
def test_whose_package_is_there():
    pass

def test_that_needs_nothing():
    pass
"""


def run_pytest(folder: Path, *options: str, **environment: str) -> subprocess.CompletedProcess[str]:
    (folder / "conftest.py").write_text(CONFTEST.read_text())
    (folder / "test_it.py").write_text(TESTS)
    (folder / "pytest.ini").write_text("[pytest]\nmarkers =\n    needs: packages\n")
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *options],
        cwd=folder,
        env={**{k: v for k, v in os.environ.items() if k != "BENCHTEST_REQUIRE_ALL"}, **environment},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.needs("dpkg")
def test_absent_package_is_left_out_and_named(tmp_path: Path) -> None:
    run = run_pytest(tmp_path)
    assert run.returncode == 0, run.stdout + run.stderr
    assert "2 passed, 1 deselected" in run.stdout
    assert "test_it.py::test_that_needs_a_package (needs benchtest-no-such-package)" in run.stdout


@pytest.mark.needs("dpkg")
def test_absent_package_is_an_error_where_all_are_required(tmp_path: Path) -> None:
    run = run_pytest(tmp_path, BENCHTEST_REQUIRE_ALL="1")
    assert run.returncode == pytest.ExitCode.USAGE_ERROR
    assert "apt install benchtest-no-such-package" in run.stdout + run.stderr


@pytest.mark.needs("dpkg")
def test_a_test_that_is_not_asked_for_needs_nothing(tmp_path: Path) -> None:
    run = run_pytest(tmp_path, "-k", "nothing", BENCHTEST_REQUIRE_ALL="1")
    assert run.returncode == 0, run.stdout + run.stderr
