"""``benchtest procedures`` and ``benchtest scenarios``: what can be run, and what can be wrong."""

from __future__ import annotations

import click


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def procedures(as_json: bool) -> None:
    """List the procedures that can be run: ./procedures first, then the installed ones."""
    from benchtest.cli.output import print_json
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
                "path": str(path),
            }
        )
    if as_json:
        print_json(found)
        return
    for item in found:
        click.echo(f"{item['name']:<20} {item['title']} ({item['steps']} steps)\n{'':<20} {item['summary']}")


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
