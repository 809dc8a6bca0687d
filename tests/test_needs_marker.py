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


def test_what_skips_itself_is_named_with_its_reason(tmp_path: Path) -> None:
    (tmp_path / "test_more.py").write_text(
        "import pytest\n\n\ndef test_without_a_module():\n    pytest.importorskip('benchtest_no_such_module')\n"
    )
    (tmp_path / "test_whole.py").write_text(
        "import pytest\n\npytest.importorskip('benchtest_no_such_module', reason='a whole file of them')\n"
    )
    run = run_pytest(tmp_path)
    assert run.returncode == 0, run.stdout + run.stderr
    assert "test_more.py::test_without_a_module (could not import 'benchtest_no_such_module'" in run.stdout
    assert "test_whole.py (a whole file of them)" in run.stdout


@pytest.mark.needs("dpkg")
def test_the_tests_against_a_circuit_simulator_are_named_where_it_is_absent(tmp_path: Path) -> None:
    """An answer of the package manager that knows of no such package stands for a machine without it."""
    manager = tmp_path / "dpkg-query"
    manager.write_text('#!/bin/sh\ncase "$*" in *ngspice*) exit 1;; esac\nexec /usr/bin/dpkg-query "$@"\n')
    manager.chmod(0o755)
    root = Path(__file__).parents[1]
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "--collect-only", "-p", "no:cacheprovider",
         "tests/simulated_instruments/supply/test_against_ngspice.py"],
        cwd=root, capture_output=True, text=True, check=False,
        env={**os.environ, "PATH": f"{tmp_path}:{os.environ['PATH']}", "BENCHTEST_REQUIRE_ALL": ""},
    )  # fmt: skip
    assert "left out: Debian packages that are not installed" in run.stdout
    assert "test_against_ngspice.py::test_inrush_of_the_core (needs ngspice)" in run.stdout
