"""Tests that need a Debian package: left out and listed by name where it is absent, an error where all are required.
What skips itself (a Python package that is not installed, a file system without a feature) is listed by name as well.

``@pytest.mark.needs("pulseaudio", "libportaudio2")`` names the packages. With BENCHTEST_REQUIRE_ALL=1 in the
environment, as in continuous integration, an absent package ends the run with a usage error.
"""

from __future__ import annotations

import functools
import os
import shutil
import subprocess
from collections.abc import Iterable, Iterator

import pytest
from hypothesis import settings

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the arrays are small, and several processes share the machine
settings.register_profile("benchtest", deadline=None)  # a busy machine is no fault of the code
settings.load_profile("benchtest")

REQUIRE_ALL = "BENCHTEST_REQUIRE_ALL"

_LEFT_OUT = pytest.StashKey[dict[str, list[str]]]()


@functools.cache
def is_installed(package: str) -> bool:
    """Whether a Debian package is there; on other systems, whether there is a program of its name."""
    query = shutil.which("dpkg-query")
    if query is None:
        return shutil.which(package) is not None
    answer = subprocess.run(
        [query, "--show", "--showformat=${db:Status-Status}", package], capture_output=True, text=True, check=False
    )
    return answer.returncode == 0 and answer.stdout.strip() == "installed"


def absent_packages(markers: Iterable[pytest.Mark]) -> list[str]:
    """Which packages of a test's ``needs`` markers are not there, in alphabetical order."""
    return sorted({package for marker in markers for package in marker.args if not is_installed(package)})


@pytest.hookimpl(trylast=True)  # after -m and -k: what is not asked for needs nothing
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    left_out: dict[str, list[str]] = {}
    for item in items:
        absent = absent_packages(item.iter_markers("needs"))
        if absent:
            left_out[item.nodeid] = absent
    if left_out and os.environ.get(REQUIRE_ALL, "") not in ("", "0"):
        packages = sorted({package for absent in left_out.values() for package in absent})
        raise pytest.UsageError(
            f"{len(left_out)} tests need Debian packages that are not installed: {', '.join(packages)}. "
            f"{REQUIRE_ALL} is set, so nothing may be left out. Run 'apt install {' '.join(packages)}'."
        )
    config.stash[_LEFT_OUT] = left_out
    if left_out:
        config.hook.pytest_deselected(items=[item for item in items if item.nodeid in left_out])
        items[:] = [item for item in items if item.nodeid not in left_out]


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    left_out = config.stash.get(_LEFT_OUT, {})
    if left_out:
        terminalreporter.section("left out: Debian packages that are not installed")
    for test, absent in left_out.items():
        terminalreporter.line(f"{test} (needs {', '.join(absent)})")
    skipped = terminalreporter.stats.get("skipped", [])
    if skipped:
        terminalreporter.section("skipped, each with its reason")
    for report in skipped:
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        terminalreporter.line(f"{report.nodeid} ({reason.removeprefix('Skipped: ')})")


@pytest.fixture(scope="session", autouse=True)
def _a_state_of_their_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """The bench used last and the truths of simulated runs are the user's: tests keep theirs elsewhere."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        yield
