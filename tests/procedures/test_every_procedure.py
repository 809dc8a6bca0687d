"""Every procedure against a healthy amplifier of each kind of output stage and against each fault: no exception, nothing
unsafe. A sample by default; all of it is slow, most of an hour for each seed, and can be made in parts: with
BENCHTEST_KEPT=FILE each case that passed is a line of FILE, and is not run again while it is there."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchtest.durations import total_seconds
from benchtest.procedure import load_procedure
from simulated_instruments.faults import SCENARIOS
from tests.procedures.conftest import KINDS, PROCEDURES, RunIt

ALL = sorted(path.stem for path in PROCEDURES.glob("*.py") if not path.stem.startswith("_"))
COLD_OR_SHORT = ("sort_the_pile", "incoming_check", "left_against_right")
KEPT = os.environ.get("BENCHTEST_KEPT", "")
SEEDS = int(os.environ.get("BENCHTEST_SEEDS", "1"))
FIRST = int(os.environ.get("BENCHTEST_FIRST_SEED", "1"))


def passed_before(case: str) -> bool:
    if not (KEPT and Path(KEPT).is_file()):
        return False
    return any(json.loads(line)["case"] == case for line in Path(KEPT).read_text("utf-8").splitlines())


@pytest.fixture
def keep(request: pytest.FixtureRequest) -> Iterator[dict]:
    """Leaves out a case that the kept file holds; what a passed one puts in here is added to the file."""
    case = request.node.name
    if passed_before(case):
        pytest.skip("passed before, by BENCHTEST_KEPT")
    line: dict = {}
    began = time.monotonic()
    yield line
    if KEPT and line:
        with Path(KEPT).open("a", encoding="utf-8") as file:
            file.write(json.dumps({"case": case, **line, "seconds": round(time.monotonic() - began, 1)}) + "\n")


def harmless(heard) -> None:
    assert heard.result.summary["result"] in ("passed", "failed", "inconclusive", "stopped")
    assert heard.unsafe_acts == []
    assert heard.loudest <= 1.0


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("scenario", KINDS)
@pytest.mark.parametrize("procedure", ALL)
def test_a_healthy_amplifier_of_each_kind(run_it: RunIt, procedure, scenario, keep):
    heard = run_it(procedure, scenario=scenario)
    harmless(heard)
    failed = [(r["quantity"], r["channel"], r["value"], r["note"]) for r in heard.result.rows if r["verdict"] == "fail"]
    assert failed == []
    keep["result"] = heard.result.summary["result"]


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("scenario", [name for name in SCENARIOS if name not in KINDS])
@pytest.mark.parametrize("procedure", ALL)
@pytest.mark.parametrize("seed", range(FIRST, FIRST + SEEDS), ids=lambda seed: f"seed{seed:02}")
def test_each_fault(run_it: RunIt, procedure, scenario, seed, keep):
    heard = run_it(procedure, scenario=scenario, seed=seed)
    harmless(heard)
    keep["result"] = heard.result.summary["result"]


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("procedure", [name for name in ALL if name != "find_fault"])  # which goes as far as it must
def test_estimated_time_is_kept_within_a_tenth(run_it: RunIt, procedure):
    said_s = total_seconds(step.takes for step in load_procedure(str(PROCEDURES / f"{procedure}.py")).steps)
    assert run_it(procedure, scenario="healthy").result.summary["bench_seconds"] == pytest.approx(said_s, rel=0.1)


@pytest.mark.parametrize("scenario", KINDS)
@pytest.mark.parametrize("procedure", COLD_OR_SHORT)
def test_the_short_ones_pass_a_healthy_amplifier_of_each_kind(run_it: RunIt, procedure, scenario):
    heard = run_it(procedure, scenario=scenario, bench_file="demo_handheld_bench.toml")
    harmless(heard)
    failed = [(r["quantity"], r["channel"], r["value"], r["note"]) for r in heard.result.rows if r["verdict"] == "fail"]
    assert failed == []


@pytest.mark.parametrize(
    "scenario", ["output-pair-shorted", "rail-missing", "speaker-fuse-open", "input-pair-unbalanced"]
)
@pytest.mark.parametrize("procedure", COLD_OR_SHORT)
def test_the_short_ones_bear_a_sample_of_faults_with_one_meter(run_it: RunIt, procedure, scenario):
    harmless(run_it(procedure, scenario=scenario, channel="left", bench_file="demo_handheld_bench.toml"))
