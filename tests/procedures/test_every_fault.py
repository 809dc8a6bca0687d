"""power_on against every scenario: it ends as a run ends, without an exception and without an unsafe act."""

from __future__ import annotations

import os

import pytest

import benchtest.bench
from simulated_instruments.faults import SCENARIOS
from tests.procedures.test_power_on import power_on

SAMPLE = (
    "monitor-loop-open",
    "leads-swapped",
    "rail-missing",
    "output-joint-cracked",
    "mains-setting-wrong",
    "meter-lead-off",
)
SEEDS = int(os.environ.get("BENCHTEST_SEEDS", "20"))
FIRST = int(os.environ.get("BENCHTEST_FIRST_SEED", "0"))
"""Where to begin: a long run can be made in parts."""


@pytest.fixture
def benches(monkeypatch: pytest.MonkeyPatch) -> list:
    """The simulated benches that a run opens, to look at what was done to them."""
    opened: list = []
    make = benchtest.bench._simulated_bench

    def kept(*which):
        opened.append(make(*which))
        return opened[-1]

    monkeypatch.setattr(benchtest.bench, "_simulated_bench", kept)
    return opened


def _runs_well(scenario: str, seed: int, archive, benches: list) -> None:
    result, _ = power_on(archive, scenario=scenario, seed=seed)
    assert result.summary["result"] in ("passed", "failed", "stopped", "inconclusive")
    assert [act for bench in benches for act in bench.unsafe_acts] == []
    if result.folder is not None:
        assert (result.folder / "manifest.sha256").is_file()


@pytest.mark.parametrize("scenario", SAMPLE)
def test_a_run_ends_as_a_run(scenario, tmp_path, benches):
    _runs_well(scenario, 0, tmp_path, benches)


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("scenario", sorted(SCENARIOS))
@pytest.mark.parametrize("seed", range(FIRST, FIRST + SEEDS), ids=lambda seed: f"seed{seed:02}")
def test_every_fault_over_many_seeds(scenario, seed, tmp_path, benches):
    """All scenarios of a seed before those of the next, so that a run that is cut short has seen every fault."""
    _runs_well(scenario, seed, tmp_path if seed == 0 else None, benches)
