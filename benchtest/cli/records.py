"""``benchtest log``, ``show`` and ``report``: runs that were kept."""

from __future__ import annotations

from pathlib import Path

import click

_ARCHIVE = click.option(
    "--archive",
    type=click.Path(path_type=Path),
    default=Path("reports"),
    show_default=True,
    help="Where runs are kept.",
)
_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


@click.command()
@_ARCHIVE
@_JSON
def log(archive: Path, as_json: bool) -> None:
    """List the runs of an archive, the newest first."""
    from benchtest import archive as archives
    from benchtest.cli.output import print_json

    runs = archives.open(archive).runs()
    if as_json:
        print_json([run.as_dict() for run in runs])
        return
    for run in runs:
        item = run.as_dict()
        tag = "SIMULATED" if item.get("simulated") else ""
        click.echo(
            f"{str(item.get('started_utc') or '')[:19]:<20} {item['run_id'][-6:]}  {item.get('procedure') or '?':<14} "
            f"{item.get('amplifier') or '?':<36.36} {item.get('result') or 'unfinished':<13} {tag}"
        )
    if not runs:
        click.echo(f"no runs in {archive}", err=True)


@click.command()
@click.argument("run")
@_ARCHIVE
@_JSON
@click.option("--budget", "budget_of", metavar="QUANTITY", help="Show where the uncertainty of a quantity comes from.")
def show(run: str, archive: Path, as_json: bool, budget_of: str | None) -> None:
    """Show RUN: its id, its folder, the start of either, or 'last'."""
    from benchtest import archive as archives
    from benchtest.cli.output import print_json
    from benchtest.cli.terminal import reading_line

    found = archives.open(archive).find(run)
    if budget_of is not None:
        _show_budget(found.events(), budget_of, as_json)
        return
    if as_json:
        print_json({**found.summary, "state": found.state, "readings": found.rows()})
        return
    summary = found.summary
    tag = "SIMULATED  " if summary.get("simulated") else ""
    click.echo(f"{tag}{summary.get('title') or summary.get('procedure')}: {found.folder} ({found.state})")
    step = None
    for row in found.rows():
        if row["step"] != step:
            step = row["step"]
            click.echo(f"\n{str(step).replace('_', ' ')}")
        click.echo(f"  {tag}{reading_line(row)}")
        if row["note"]:
            click.echo(f"      {row['note']}")
    for cause in summary.get("diagnosis") or []:
        click.echo(f"\nlikely: {cause['cause']} {cause['channel']} ({100 * cause['probability']:.0f} %)")
        click.echo(f"  next check: {cause['next_check']}")
    click.echo(f"\n{tag}result: {summary.get('result') or 'unfinished'}")


def _show_budget(events: list[dict[str, object]], quantity: str, as_json: bool) -> None:
    from benchtest.cli.output import print_json
    from benchtest.cli.terminal import reading_line
    from benchtest.errors import FileError

    kept: list[dict[str, object]] = []
    for event in events:
        row = event.get("row")
        if event.get("event") == "reading" and isinstance(row, dict):
            kept.append({"row": row, "budget": event.get("budget") or {}})
    chosen = [item for item in kept if item["row"]["quantity"] == quantity]  # type: ignore[index]
    if not chosen:
        known = sorted({str(item["row"]["quantity"]) for item in kept})  # type: ignore[index]
        raise FileError(f"this run has no reading of {quantity!r}. It has: {', '.join(known) or 'none'}.")
    if as_json:
        print_json(chosen)
        return
    for item in chosen:
        row, budget = item["row"], item["budget"]
        click.echo(reading_line(row))  # type: ignore[arg-type]
        for name, u in sorted(budget.items(), key=lambda part: -part[1]):  # type: ignore[attr-defined]
            click.echo(f"      {name:<32} u = {u:.3g} {row['unit']}")  # type: ignore[index]


@click.command()
@click.argument("run")
@_ARCHIVE
@_JSON
def report(run: str, archive: Path, as_json: bool) -> None:
    """Write the report of RUN again, from its folder's files."""
    from benchtest import archive as archives
    from benchtest.cli.output import print_json
    from benchtest.report import render

    page = render(archives.open(archive).find(run).folder)
    if as_json:
        print_json({"report": str(page)})
    else:
        click.echo(page)
