"""``benchtest run``: a procedure, from the first prompt to the report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from benchtest.amplifier_file import AmplifierSpec
    from benchtest.instruments.protocols import Operator
    from benchtest.procedure import Procedure


@click.command()
@click.argument("procedure")
@click.option("--amplifier", "amplifier_file", type=click.Path(path_type=Path), help="Amplifier file (TOML).")
@click.option("--bench", "bench_file", type=click.Path(path_type=Path), help="Bench file (TOML); without: simulated.")
@click.option("--scenario", default="healthy", show_default=True, help="What is wrong with the simulated amplifier.")
@click.option("--channel", type=click.Choice(["left", "right"]), help="The channel that the scenario is in.")
@click.option("--archive", type=click.Path(path_type=Path), default=Path("reports"), show_default=True,
              help="Where runs are kept.")  # fmt: skip
@click.option("--yes", is_flag=True, help="Answer every prompt, on a simulated bench only.")
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of the simulated bench.")
@click.option("--require", default=None, metavar="SET", help="Judge by a published requirement set first.")
@click.option("--resume", is_flag=False, flag_value="last", default=None, metavar="[RUN]",
              help="Go on with a run that was interrupted; without RUN the last one.")  # fmt: skip
@click.option("--methods", is_flag=True, help="Show how the figures compare with published methods.")
@click.option("--rehearse", "only_rehearse", is_flag=True, help="Kit, hook-ups, levels and time; nothing is driven.")
@click.option("--json", "as_json", is_flag=True, help="Print run.json to standard output.")
def run(
    procedure: str,
    amplifier_file: Path | None,
    bench_file: Path | None,
    scenario: str,
    channel: str | None,
    archive: Path,
    yes: bool,
    seed: int,
    require: str | None,
    resume: str | None,
    methods: bool,
    only_rehearse: bool,
    as_json: bool,
) -> int:
    """Run PROCEDURE: a path, or a name ('benchtest procedures' lists them).

    Without --bench the simulated bench is used, and without --amplifier its demo amplifier's file.
    """
    from benchtest.amplifier_file import load_amplifier, unknown_amplifier
    from benchtest.cli.output import print_json
    from benchtest.cli.terminal import Terminal
    from benchtest.durations import in_words
    from benchtest.procedure import load_procedure
    from benchtest.procedure import run as carry_out
    from benchtest.report import render
    from benchtest.resuming import earlier_run
    from benchtest.safety import open_bench

    test = load_procedure(procedure)
    if amplifier_file is not None:
        amplifier = load_amplifier(amplifier_file)
    elif bench_file is None:
        amplifier = load_amplifier(demo_amplifier_file(scenario))
    else:
        amplifier = unknown_amplifier()
    if only_rehearse:
        return rehearsed(test, amplifier, bench_file, as_json=as_json)
    earlier = None
    if resume is not None:
        earlier = earlier_run(archive, resume, test.name, [step.name for step in test.steps], amplifier)
    terminal = Terminal()
    terminal.warn_first(test.title, test.cautions, test.kit)
    if test.seconds is not None:
        terminal.console.print(f"About {in_words(test.seconds)} on the bench's clock.", markup=False)
    if bench_file is not None and (words := hook_ups_in_words(test, amplifier, bench_file)):
        terminal.console.print(words, markup=False, soft_wrap=True)
    with open_bench(
        bench_file,
        amplifier=amplifier,
        seed=seed,
        scenario=scenario,
        channel=channel,
        calibrate=test.tones,
        wrap_operator=None if yes else confirmed_by_a_person,
    ) as bench:
        if yes and not bench.simulated:
            terminal.console.print(
                "--yes answers for nobody on a real bench; every prompt is asked.", style="bold yellow", markup=False
            )
        terminal.person_is_asked = not (yes and bench.simulated)
        try:
            result = carry_out(test, bench, archive=archive, listeners=[terminal], require=require, earlier=earlier)
        finally:
            terminal.close()
    if result.folder is not None:
        page = render(result.folder)
        terminal.console.print(f"Report: {page}", markup=False, soft_wrap=True)
    if methods:
        from benchtest.comparison import comparison_lines

        for line in comparison_lines(result.rows, amplifier):
            terminal.console.print(line, markup=False, soft_wrap=True)
    if as_json:
        print_json(result.summary)
    return result.exit_status


OUTPUTS = {"left_output", "right_output"}


def hook_ups_in_words(test: Procedure, amplifier: AmplifierSpec, bench_file: Path) -> str:
    """How often a person connects something, where meters have to be carried; "" with a meter on each output, and on a
    simulated bench. Counted in a rehearsal, which touches nothing.

    Raises FileError for a bench file that cannot be used.
    """
    from benchtest.bench_file import load_bench
    from benchtest.rehearsal import rehearse

    file = load_bench(bench_file)
    if file.bench.simulated or {meter.connected_to for meter in file.dmm} >= OUTPUTS:
        return ""
    rehearsal = rehearse(test, amplifier, bench_file)
    if rehearsal.result.summary["result"] in ("stopped", "error"):
        return ""
    return (
        f"With the meters of this bench: {rehearsal.hook_ups} hook-ups. A meter that stays on each output "
        "(connected_to in the bench file) saves most of them; --rehearse lists them."
    )


def confirmed_by_a_person(operator: Operator) -> Operator:
    """On a simulated bench a person confirms each prompt, then the bench acts; a person's own prompts stay as they are."""
    from benchtest.instruments.person import PersonOperator
    from benchtest.instruments.prompts_first import PromptsFirst

    return operator if isinstance(operator, PersonOperator) else PromptsFirst(operator)


def rehearsed(test: Procedure, amplifier: AmplifierSpec, bench_file: Path | None, *, as_json: bool) -> int:
    """Print a rehearsal; 0 where it went through, the exit status of what stopped it otherwise."""
    from benchtest.cli.output import print_json
    from benchtest.rehearsal import rehearse

    rehearsal = rehearse(test, amplifier, bench_file)
    if as_json:
        print_json(rehearsal.as_dict())
    else:
        click.echo("\n".join(rehearsal.lines()))
    ended = rehearsal.result
    return ended.exit_status if ended.summary["result"] in ("stopped", "error") else 0


DEMO_OF = {
    "healthy-dc-servo": "demo_dc_servo.toml",
    "healthy-capacitor-coupled": "demo_capacitor_coupled.toml",
    "healthy-bridged": "demo_bridged.toml",
    "bridged-half-dead": "demo_bridged.toml",
}
"""Scenarios in which the simulated amplifier has another kind of output stage, and its sheet."""


def demo_amplifier_file(scenario: str = "healthy") -> Path:
    """The amplifier file of the simulated bench's amplifier, beside the procedures."""
    from benchtest.errors import FileError
    from benchtest.procedure import procedure_folders

    for folder in procedure_folders():
        path = folder / DEMO_OF.get(scenario, "demo_amplifier.toml")
        if path.is_file():
            return path
    raise FileError("demo_amplifier.toml is missing beside the procedures. Install benchtest again.")
