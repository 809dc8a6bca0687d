"""``benchtest score``: play many simulated faults headless, and print how good the diagnosis is.

Resumable: every case is a line of a file, and what is in it is not played again. One of the doors to the simulated bench.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from benchtest.scoring import Scored


@click.command()
@click.argument("kept", type=click.Path(path_type=Path))
@click.option("--seeds", type=int, default=20, show_default=True, help="Seeds a fault; as many healthy sets in all.")
@click.option("--first-seed", type=int, default=1_000_000, show_default=True, help="From here on; tune on others.")
@click.option(
    "--procedure", "stage", type=click.Choice(["both", "power_on", "find_fault"]), default="both", show_default=True
)
@click.option("--only", multiple=True, metavar="SCENARIO", help="These scenarios only. May be given again.")
@click.option("--processes", type=int, default=2, show_default=True)
@click.option("--minutes", type=float, default=120.0, show_default=True, help="Stop playing after so long.")
@click.option("--tune", type=click.Path(path_type=Path), help="Write likelihoods.toml from the kept cases instead.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def score(
    kept: Path, seeds: int, first_seed: int, stage: str, only: tuple[str, ...], processes: int, minutes: float,
    tune: Path | None, as_json: bool,
) -> int:  # fmt: skip
    """Play faults, keep each case's readings in the file KEPT (JSON lines), and print the table from all of them."""
    from benchtest.cli.output import print_json
    from benchtest.scoring import calibrated, calibration, confusion, confusion_text, deciles, table, table_text

    if tune is not None:
        return _tune(kept, tune)
    _play(kept, list(_wanted(seeds, first_seed, stage, only)), processes, minutes)
    cases = [_scored(page) for page in _pages(kept) if page["seed"] >= first_seed]
    rows, bins, confused = table(cases, not_shown=NOT_SHOWN), calibration(cases), confusion(cases)
    tenths = deciles(cases)
    rows.append(calibrated(tenths))
    if as_json:
        print_json({"table": rows, "calibration": bins, "deciles": tenths, "confusion": confused, "cases": len(cases)})
        return 0
    click.echo(table_text(rows))
    for how, some in (("bins of equal count", tenths), ("bins of equal width", bins)):
        click.echo(f"\nStated probability of the first group against how often it is right, {how}:")
        for one in some:
            click.echo(f"  {one['from']:5.3f} to {one['to']:5.3f}  {one['cases']:>5} cases  stated "
                       f"{100 * one['stated']:5.1f} %  right {100 * one['right']:5.1f} %")  # fmt: skip
    click.echo("\nWhat came first, by what was true:")
    click.echo(confusion_text(confused))
    return 0


NOT_SHOWN = ("transformer-shorted-turn",)
"""Faults whose signature the power-on test does not show. A shorted turn and shorted outputs both hold the series lamp
bright, where that test stops at once; find_fault reads the rails on the lamp, which part the two."""


def _wanted(seeds: int, first: int, stage: str, only: tuple[str, ...]) -> Iterator[tuple[str, int, str]]:
    """Every case that is to be played: each fault with its own seeds, and as many healthy sets as faulty ones.

    "both": every fault with either procedure, one round of healthy sets in four with find_fault. After any number of rounds
    each fault, each procedure and the healthy sets have had their share, so that it can be ended early.
    """
    from simulated_instruments.faults import SCENARIOS

    names = [n for n in SCENARIOS if n not in ("healthy-bridged", "bridged-half-dead") and (not only or n in only)]
    faults = [n for n in names if not n.startswith("healthy")]
    healthy = [n for n in names if n.startswith("healthy")]
    stages = ("power_on", "find_fault") if stage == "both" else (stage,)
    for k in range(seeds):
        for i, name in enumerate(faults):
            for each in stages:
                yield name, first + 1000 * i + k + (1_000_000 if each != stages[0] else 0), each
            if healthy:
                number = k * len(faults) + i
                yield (
                    healthy[0] if number % 4 else healthy[(number // 4) % len(healthy)],
                    first + 500_000 + number,
                    stages[-1] if k % 4 == 3 else stages[0],
                )


def _pages(kept: Path) -> Iterator[dict[str, Any]]:
    for path in (kept, *sorted(kept.parent.glob(f"{kept.name}.part*"))):
        if path.is_file():
            for line in path.read_text(encoding="utf-8").splitlines():
                try:
                    yield json.loads(line)
                except ValueError:  # a line that was cut when a process was ended
                    continue


def _play(kept: Path, wanted: list[tuple[str, int, str]], processes: int, minutes: float) -> None:
    import multiprocessing

    done = {(page["scenario"], page["seed"], page.get("stage", "power_on")) for page in _pages(kept)}
    rest = [case for case in wanted if case not in done]
    if not rest:
        return
    click.echo(f"{len(wanted) - len(rest)} of {len(wanted)} cases are kept already; {len(rest)} to play.", err=True)
    until = time.monotonic() + 60.0 * minutes
    parts = [(rest[i::processes], kept.with_name(f"{kept.name}.part{i}"), until) for i in range(processes)]
    if processes == 1:
        _play_part(*parts[0])
        return
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=_play_part, args=part) for part in parts]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()


def _play_part(cases: Iterable[tuple[str, int, str]], path: Path, until: float) -> None:
    with path.open("a", encoding="utf-8") as file:
        for scenario, seed, stage in cases:
            if time.monotonic() > until:
                return
            file.write(json.dumps(play_case(scenario, seed, stage), default=str) + "\n")
            file.flush()


def play_case(scenario: str, seed: int, stage: str) -> dict[str, Any]:
    """One case, played headless: the truth, how it ended, every row."""
    from benchtest.cli.run import demo_amplifier_file
    from benchtest.instruments.protocols import Operator
    from benchtest.procedure import load_procedure, run
    from benchtest.safety import open_bench
    from benchtest.training.lessons import amplifier_for
    from simulated_instruments.truth import draw_truth

    amplifier = amplifier_for(scenario, demo_amplifier_file())
    operators: list[Operator] = []

    def remember(operator: Operator) -> Operator:
        operators.append(operator)
        return operator

    with open_bench(None, amplifier=amplifier, scenario=scenario, seed=seed, wrap_operator=remember) as bench:
        result = run(load_procedure(stage), bench, archive=None)
        simulated = getattr(operators[0], "_bench", None)
        unsafe = list(getattr(simulated, "unsafe_acts", ()))
    return {
        "scenario": scenario, "seed": seed, "stage": stage, "channel": draw_truth(seed, scenario).channel,
        "result": result.summary["result"], "error": result.summary["error"], "unsafe": unsafe, "rows": result.rows,
    }  # fmt: skip


def _scored(page: dict[str, Any]) -> Scored:
    from benchtest.cli.run import demo_amplifier_file
    from benchtest.diagnosis import diagnose
    from benchtest.scoring import Scored
    from benchtest.training.lessons import amplifier_for
    from simulated_instruments.faults import SCENARIOS

    amplifier = amplifier_for(page["scenario"], demo_amplifier_file())
    listed = tuple((c.cause, c.channel, c.probability) for c in diagnose(page["rows"], amplifier))
    scenario = SCENARIOS.get(page["scenario"])
    return Scored(
        page["scenario"], page["channel"], listed, intermittent=bool(scenario and scenario.intermittent),
        unsafe=bool(page.get("unsafe")), stage=page.get("stage", "power_on"),
    )  # fmt: skip


def _tune(kept: Path, target: Path) -> int:
    """likelihoods.toml from every kept case."""
    from dataclasses import replace

    from benchtest.cli.run import demo_amplifier_file
    from benchtest.diagnosis.knowledge import HEALTHY, shipped
    from benchtest.diagnosis.tuning import as_toml, case_of, tune
    from benchtest.training.lessons import amplifier_for

    demo = demo_amplifier_file()
    known = replace(shipped(), normal={}, tables={})
    pages = [p for p in _pages(kept) if len(p["rows"]) >= 8]
    cases = [case_of(p["scenario"], p["channel"], p["rows"], amplifier_for(p["scenario"], demo)) for p in pages]
    cases = [case for case in cases if case.cause in known.causes or case.cause == HEALTHY]
    seeds = sorted(p["seed"] for p in pages)
    said = f"computed from the model of the simulated bench: {len(cases)} runs, seeds {seeds[0]} to {seeds[-1]}"
    target.write_text(as_toml(tune(cases, known), said), encoding="utf-8")
    click.echo(f"Written: {target} ({said}).")
    return 0
