"""``benchtest log``, ``show`` and ``report``: runs that were kept."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchtest.cli.choosing import ARCHIVE, JSON, filtered

if TYPE_CHECKING:
    from benchtest.archive import Filter, RunSummary


@click.command()
@filtered
@ARCHIVE
@JSON
def log(where: Filter, archive: Path, as_json: bool) -> None:
    """List the runs of an archive, the newest first. With --serial: the history of one set, with its job cards."""
    from benchtest import archive as archives
    from benchtest.cli.output import print_json

    runs = archives.open(archive).runs(where)
    history = [_history(run) for run in runs] if where.serial_number else [{} for _ in runs]
    if as_json:
        print_json([{**run.as_dict(), **more} for run, more in zip(runs, history, strict=True)])
        return
    for run, more in zip(runs, history, strict=True):
        tag = "  SIMULATED" if run.simulated else ""
        click.echo(
            f"{run.started_utc[:16].replace('T', ' '):<16}  {run.run_id[-6:]}  {run.procedure or '?':<14} "
            f"{run.amplifier or '?':<36.36} {run.result or 'unfinished':<12}{tag}"
        )
        if run.remark:
            click.echo(f"      {run.remark}")
        _print_history(more)
    if not runs:
        click.echo(f"no such runs in {archive}", err=True)


def _history(run: RunSummary) -> dict[str, Any]:
    """What failed in a run, and its job card."""
    from benchtest.archive import Run
    from benchtest.archive.job_card import read_card
    from benchtest.errors import FileError
    from benchtest.report.wording import quantity_words

    found = Run(run.folder)
    try:
        failed = [
            quantity_words(r["quantity"]) + (f" {r['channel']}" if r["channel"] not in ("none", "") else "")
            for r in found.rows()
            if r["verdict"] == "fail"
        ]
        causes = [c["cause"] for c in (found.summary.get("diagnosis") or [])[:1] if c.get("cause") != "healthy"]
    except FileError:
        return {}
    card = read_card(found)
    more: dict[str, Any] = {"failed": list(dict.fromkeys(failed)), "likely": causes}
    return more | ({"job_card": card.as_dict()} if card.entries else {})


def _print_history(more: dict[str, Any]) -> None:
    for what in ("failed", "likely"):
        if more.get(what):
            click.echo(f"      {what}: {', '.join(name.replace('-', ' ') for name in more[what])}")
    card = more.get("job_card", {})
    for what in ("complaint", "found", "fitted", "minutes", "customer", "by"):
        value = card.get(what)
        if value:
            click.echo(
                f"      {what}: {', '.join(value) if isinstance(value, list) else f'{value:g}' if what == 'minutes' else value}"
            )
    if card.get("photographs"):
        click.echo(f"      photographs: {len(card['photographs'])}")


@click.command()
@click.argument("run")
@ARCHIVE
@JSON
@click.option("--budget", "budget_of", metavar="QUANTITY", help="Show where the uncertainty of a quantity comes from.")
def show(run: str, archive: Path, as_json: bool, budget_of: str | None) -> None:
    """Show RUN: its id, its folder, the start of either, or 'last'."""
    from benchtest import archive as archives
    from benchtest.cli.output import print_json
    from benchtest.cli.terminal import reading_line
    from benchtest.remarks import calibration_notice
    from benchtest.report.wording import plain_words

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
    for notice in (calibration_notice(summary), *(summary.get("remarks") or [])):
        if notice:
            click.echo(f"  {notice}")
    step = None
    for row in found.rows():
        if row["step"] != step:
            step = row["step"]
            click.echo(f"\n{str(step).replace('_', ' ')}")
        click.echo(f"  {tag}{reading_line(row)}")
        if row["note"]:
            click.echo(f"      {row['note']}")
    for cause in summary.get("diagnosis") or []:
        where = "" if cause["channel"] == "none" else f", {cause['channel']}"
        click.echo(f"\nlikely: {plain_words(cause['cause'])}{where} ({100 * cause['probability']:.0f} %)")
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
@click.option("--pdf", is_flag=True, help="Write report.pdf too.")
@ARCHIVE
@JSON
def report(run: str, pdf: bool, archive: Path, as_json: bool) -> None:
    """Write the report of RUN again, from its folder's files."""
    from benchtest import archive as archives
    from benchtest.cli.output import print_json
    from benchtest.report import render
    from benchtest.report.pdf import write_pdf

    page = render(archives.open(archive).find(run).folder)
    sheets = write_pdf(page, page.with_suffix(".pdf")) if pdf else None
    if as_json:
        print_json({"report": str(page), "pdf": None if sheets is None else str(sheets)})
        return
    click.echo(page)
    if sheets is not None:
        click.echo(sheets)
