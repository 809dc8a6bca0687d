"""``benchtest verify``: is this bench fit to measure, and what is its own floor?"""

from __future__ import annotations

from pathlib import Path

import click

_STYLE = {"good": "green", "usable": "yellow", "unfit": "bold red", "not measured": "magenta"}
_SHOWN = {"good": "●", "usable": "◐", "unfit": "✖", "not measured": "○"}


@click.command()
@click.option("--bench", "bench_file", type=click.Path(path_type=Path), help="Bench file (TOML); without: simulated.")
@click.option("--seconds", type=click.FloatRange(0.0, 3600.0), help="How long dropouts are looked for; without: 60 s, "
              "10 s in process on the simulated bench.")  # fmt: skip
@click.option(
    "--output", type=click.Path(path_type=Path), help="Where to keep the floor; without: beside the calibration."
)
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of the simulated bench.")
@click.option("--json", "as_json", is_flag=True, help="Print what was found as JSON.")
def verify(bench_file: Path | None, seconds: float | None, output: Path | None, seed: int, as_json: bool) -> int:
    """Measure what the bench does by itself: residual, noise, response, crosstalk, clocks, dropouts, meter and loads.

    The amplifier is not connected. What is found is kept beside the calibration as the bench's own floor, against which
    runs tell the bench's part from the amplifier's. Exit status 1 where the bench is not fit, 5 where that stays open.
    """
    from dataclasses import asdict

    from rich.console import Console

    from benchtest import fitness, last_bench
    from benchtest.calibration import load_calibration, save_calibration
    from benchtest.cli.output import print_json
    from benchtest.cli.terminal import Terminal
    from benchtest.safety import open_bench

    console = Console(stderr=as_json, highlight=False)
    terminal = Terminal()
    with open_bench(bench_file, seed=seed) as bench:
        terminal.person_is_asked = bench.file.operator.driver == "person"
        bench.events.subscribe(terminal)
        watched_s = seconds if seconds is not None else 10.0 if bench_file is None else fitness.WATCHED_S
        found = fitness.verify(bench, watched_s=watched_s)
        calibration = bench.calibration
    path = output or fitness.floor_file(bench_file, calibration)
    kept = bench_file is not None or output is not None
    if kept:
        fitness.save_fitness(found, path)
        if calibration.kind == "measured" and calibration.path:
            where = Path(calibration.path)  # read again: the one in use has had a drift added
            save_calibration(found.as_floor_of(load_calibration(where)), where)
    if bench_file is not None:
        last_bench.remember(bench_file)
    if as_json:
        print_json({**asdict(found), "verdict": found.verdict, "file": str(path) if kept else None})
    tag = "SIMULATED  " if found.simulated else ""
    for check in found.checks:
        console.print(
            f"{tag}{_SHOWN[check.verdict]} {check.title:<32} {shown(check.value, check.unit):>14}  {check.verdict}",
            style=_STYLE[check.verdict], markup=False, soft_wrap=True,
        )  # fmt: skip
        if check.verdict != fitness.GOOD:
            console.print(f"      {check.words}.", markup=False, soft_wrap=True)
    console.print(f"{tag}{conclusion(found)}", style="bold", markup=False, soft_wrap=True)
    if kept:
        console.print(f"kept in {path}", markup=False, soft_wrap=True)
    return {fitness.UNFIT: 1, fitness.NOT_MEASURED: 5}.get(found.verdict, 0)


def shown(value: float | None, unit: str) -> str:
    """A value as the list shows it.

    >>> shown(0.00019, "V"), shown(-0.012, "dB"), shown(None, "V"), shown(2.0, "1")
    ('190.0 uV', '-0.012 dB', '-', '2')
    """
    from benchtest.big_digits import in_figures

    if value is None:
        return "-"
    if unit in ("V", "s", "ohm", "Hz"):
        return " ".join(in_figures(value, unit))
    return f"{value:.3g} {unit}".removesuffix(" 1")


def conclusion(found: object) -> str:
    """One line: fit or not, and whose fault what was found is."""
    from benchtest.fitness import NOT_MEASURED, UNFIT, Fitness

    assert isinstance(found, Fitness)
    wrong = [check.title for check in found.checks if check.verdict == UNFIT]
    if wrong:
        return f"NOT FIT to measure: {', '.join(wrong)}. That is your bench, not the amplifier: mend it first."
    if found.verdict == NOT_MEASURED:
        return "Not everything could be looked at: whether this bench is fit stays open."
    return "Fit to measure. What an amplifier shows at or below these figures is your bench, not the amplifier."
