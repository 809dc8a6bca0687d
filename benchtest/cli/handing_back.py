"""``benchtest card`` and ``owner``: what goes with a set when it leaves the bench."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from benchtest.cli.choosing import ARCHIVE, JSON

_PHOTOGRAPH = click.Path(path_type=Path)


@click.command()
@click.argument("run")
@click.option("--complaint", default="", help="What the owner says is wrong.")
@click.option("--found", default="", help="What was found.")
@click.option("--fitted", multiple=True, metavar="TEXT", help="A part that was fitted. May be given again.")
@click.option("--minutes", type=float, default=0.0, help="Minutes worked since the last entry.")
@click.option(
    "--photo", "photographs", multiple=True, type=_PHOTOGRAPH, metavar="FILE", help="A photograph. May be given again."
)
@click.option("--customer", default="", help="The customer's name, if it shall be kept.")
@click.option("--by", default="", help="Who did the work.")
@click.option("--safety-test", default="", metavar="TEXT", help="Who did the electrical safety test, and with what.")
@click.option("--lowest-load", default="", metavar="TEXT", help="Lowest loudspeaker impedance, for the owner's page.")
@click.option("--ventilation", default="", metavar="TEXT", help="What the owner should know of ventilation.")
@click.option("--terms", default="", metavar="TEXT", help="The workshop's own words on the owner's page.")
@ARCHIVE
@JSON
def card(
    run: str,
    fitted: tuple[str, ...],
    minutes: float,
    photographs: tuple[Path, ...],
    archive: Path,
    as_json: bool,
    **texts: str,
) -> None:
    """Show the job card of RUN, or add to it. Nothing that was entered is ever changed: a later text stands for an
    earlier one, parts and minutes add up.
    """
    from benchtest import archive as archives
    from benchtest.archive.job_card import add_entry, read_card
    from benchtest.cli.output import print_json

    found = archives.open(archive).find(run)
    if fitted or minutes or photographs or any(texts.values()):
        add_entry(found, texts=texts, fitted=fitted, minutes=minutes, photographs=photographs)
    entered = read_card(found)
    if as_json:
        print_json({"run_id": found.run_id, **entered.as_dict()})
        return
    click.echo(found.run_id)
    page: dict[str, Any] = entered.as_dict()
    for name, value in page.items():
        if name in ("entries", "remarks") or not value:
            continue
        words = name.replace("_", " ")
        for text in value if isinstance(value, list) else [f"{value:g}" if isinstance(value, float) else value]:
            click.echo(f"  {words:<14} {text}")
    for remark in entered.remarks:
        click.echo(f"  {remark}", err=True)
    if not entered.entries:
        click.echo("  nothing entered; 'benchtest card RUN --complaint ...' does", err=True)


@click.command()
@click.argument("run")
@click.option(
    "--before", metavar="RUN", help="The run before the repair, or 'none'; without: the last that did not pass."
)
@click.option("--pdf", is_flag=True, help="Write owner.pdf too.")
@ARCHIVE
@JSON
def owner(run: str, before: str | None, pdf: bool, archive: Path, as_json: bool) -> None:
    """Write the owner's page of RUN: one sheet, in plain words, that goes back with the set.

    Refused with "not ready to hand back" (exit status 5) for a run that was stopped, cut short, skipped a check, or was a
    training. Complaint, parts and names come from 'benchtest card'.
    """
    from benchtest import archive as archives
    from benchtest.cli.output import print_json
    from benchtest.report.owner import previous_run, write_owner_page
    from benchtest.report.pdf import write_pdf

    shelf = archives.open(archive)
    found = shelf.find(run)
    earlier = None if before == "none" else shelf.find(before) if before else previous_run(shelf, found)
    page = write_owner_page(found, earlier)
    sheet = write_pdf(page, page.with_suffix(".pdf")) if pdf else None
    told = None if earlier is None else earlier.run_id
    if as_json:
        print_json({"page": str(page), "pdf": None if sheet is None else str(sheet), "before": told})
        return
    click.echo(page)
    if sheet is not None:
        click.echo(sheet)
    click.echo(f"before: {told or 'no earlier run of this serial number that did not pass'}", err=True)
