"""``benchtest procedures`` and ``benchtest scenarios``: what can be run, and what can be wrong."""

from __future__ import annotations

from pathlib import Path

import click


@click.group(invoke_without_command=True)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_context
def procedures(context: click.Context, as_json: bool) -> None:
    """List the procedures that can be run: ./procedures first, then the installed ones."""
    if context.invoked_subcommand is not None:
        return
    from benchtest.cli.output import print_json
    from benchtest.durations import in_words
    from benchtest.procedure import find_procedures, load_procedure

    found = []
    for name, path in find_procedures().items():
        procedure = load_procedure(str(path))
        found.append(
            {
                "name": name,
                "title": procedure.title,
                "summary": procedure.summary,
                "steps": len(procedure.steps),
                "seconds": procedure.seconds,
                "path": str(path),
            }
        )
    if as_json:
        print_json(found)
        return
    for item in found:
        takes = f", about {in_words(float(item['seconds']))}" if item["seconds"] else ""  # type: ignore[arg-type]
        click.echo(f"{item['name']:<24} {item['title']} ({item['steps']} steps{takes})\n{'':<24} {item['summary']}")


@procedures.command()
@click.argument("file")
@click.option("--amplifier", "amplifier_file", type=click.Path(path_type=Path), help="Amplifier file (TOML).")
@click.option(
    "--bench", "bench_file", type=click.Path(path_type=Path), help="Bench file (TOML): which meters there are."
)
@click.option("--require", default=None, metavar="SET", help="A published requirement set to be held to.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def check(file: str, amplifier_file: Path | None, bench_file: Path | None, require: str | None, as_json: bool) -> int:
    """Check FILE (or a procedure by name): its form, then its order, levels and limits in a rehearsal.

    Nothing is driven. Exit status 2 (a file that cannot be used) if something is wrong, 0 if there are notes at most.
    """
    from benchtest.amplifier_file import load_amplifier
    from benchtest.cli.output import print_json
    from benchtest.cli.run import demo_amplifier_file
    from benchtest.procedure import load_procedure
    from benchtest.procedure_checks import form, gone_through, limits_reached
    from benchtest.rehearsal import rehearse

    procedure = load_procedure(file)
    amplifier = load_amplifier(amplifier_file if amplifier_file is not None else demo_amplifier_file())
    found = list(form(procedure))
    if not any(each.weight == "error" for each in found):
        rehearsal = rehearse(procedure, amplifier, bench_file)
        found += [*gone_through(procedure, rehearsal), *limits_reached(amplifier, rehearsal, require=require)]
    wrong = [each for each in found if each.weight == "error"]
    if as_json:
        print_json([{"weight": each.weight, "step": each.step, "words": each.words} for each in found])
        return 2 if wrong else 0
    for each in [*wrong, *(each for each in found if each.weight == "note")]:
        click.echo(each.line)
    notes = len(found) - len(wrong)
    click.echo(f"{file}: {len(wrong) or 'nothing'} wrong, {notes or 'no'} note{'' if notes == 1 else 's'}.")
    return 2 if wrong else 0


@procedures.command()
@click.argument("file", type=click.Path(path_type=Path))
def new(file: Path) -> None:
    """Write a new procedure to FILE from the template, to be changed."""
    from benchtest.errors import FileError
    from benchtest.procedure import procedure_folders

    path = file.with_suffix(".py")
    template = next((p for folder in procedure_folders() if (p := folder / "_template.py").is_file()), None)
    if template is None:
        raise FileError("_template.py is missing beside the procedures. Install benchtest again.")
    if path.exists():
        raise FileError(f"{path} is there already. Expected a new name: nothing is written over.")
    path.parent.mkdir(parents=True, exist_ok=True)
    lines = template.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(lines).rstrip() + "\n", encoding="utf-8")
    click.echo(f"{path}: change it, then 'benchtest procedures check {path}' and 'benchtest run {path} --rehearse'.")


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def scenarios(as_json: bool) -> None:
    """List what can be wrong with the simulated amplifier or its bench, grouped as one would look for it."""
    from benchtest.cli.output import print_json
    from simulated_instruments.faults import SCENARIOS

    if as_json:
        print_json([{"name": s.name, "group": s.group, "about": s.one_line} for s in SCENARIOS.values()])
        return
    groups = list(dict.fromkeys(scenario.group for scenario in SCENARIOS.values()))
    group = ""
    for scenario in sorted(SCENARIOS.values(), key=lambda one: groups.index(one.group)):
        if scenario.group != group:
            group = scenario.group
            click.echo(group)
        click.echo(f"  {scenario.name:<32} {scenario.one_line}")
