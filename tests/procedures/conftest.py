"""Procedures on the simulated bench, heard below every limit, with what nobody should be told to do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import benchtest.bench
from benchtest.amplifier_file import AmplifierSpec, load_amplifier
from benchtest.procedure import RunResult, load_procedure, run
from benchtest.safety import open_bench

PROCEDURES = Path(__file__).parents[2] / "procedures"
KINDS = {
    "healthy": "demo_amplifier",
    "healthy-dc-servo": "demo_dc_servo",
    "healthy-capacitor-coupled": "demo_capacitor_coupled",
    "healthy-bridged": "demo_bridged",
}
"""A healthy amplifier of each kind of output stage, and its file."""


@dataclass
class Heard:
    """A run, what was said in it, and what the simulated bench noticed."""

    result: RunResult
    events: list[dict]
    unsafe_acts: list[str]
    loudest: float

    def rows(self, quantity: str, channel: str | None = None) -> list[dict]:
        return [r for r in self.result.rows if r["quantity"] == quantity and channel in (None, r["channel"])]

    def advice(self) -> dict:
        return self.result.summary["advice"]


RunIt = Callable[..., Heard]


@pytest.fixture
def run_it(monkeypatch: pytest.MonkeyPatch) -> RunIt:
    """Runs a procedure by name; an ending by a fault of the script is raised."""
    simulated: list = []
    peaks: list[float] = []
    make = benchtest.bench._simulated_bench

    def listening(seed: int, scenario: str, channel: str | None):
        bench = make(seed, scenario, channel)
        begin = bench.audio().begin

        def begin_heard(stimulus, **more):
            peaks.append(float(np.max(np.abs(stimulus), initial=0.0)))
            return begin(stimulus, **more)

        bench.audio().begin = begin_heard
        simulated.append(bench)
        return bench

    monkeypatch.setattr(benchtest.bench, "_simulated_bench", listening)

    def carry_out(
        procedure: str,
        *,
        scenario: str = "healthy",
        channel: str | None = None,
        seed: int = 0,
        bench_file: str | None = None,
        amplifier: AmplifierSpec | None = None,
        archive: Path | None = None,
        calibrate: bool = True,
    ) -> Heard:
        said: list[dict] = []
        spec = amplifier or load_amplifier(PROCEDURES / f"{KINDS.get(scenario, 'demo_amplifier')}.toml")
        where = None if bench_file is None else PROCEDURES / bench_file
        with open_bench(
            where, amplifier=spec, scenario=scenario, channel=channel, seed=seed, calibrate=calibrate
        ) as bench:
            test = load_procedure(str(PROCEDURES / f"{procedure}.py"))
            peaks.clear()
            result = run(test, bench, archive=archive, listeners=[said.append])
        if result.summary["result"] == "error" and result.error is not None:
            raise result.error
        return Heard(result, said, list(simulated[-1].unsafe_acts), max(peaks, default=0.0))

    return carry_out
