"""``benchtest reanalyse``: readings from the old captures with today's code."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchtest.cli.choosing import ARCHIVE, JSON, filtered

if TYPE_CHECKING:
    from benchtest.archive import Filter
    from benchtest.archive.reanalysis import Reanalysed


@click.command()
@click.argument("runs", nargs=-1, metavar="RUN...")
@click.option("--workers", type=click.IntRange(1, 256), help="Processes at once; as many as processors if left out.")
@click.option(
    "--dask", default="", metavar="ADDRESS", help="Use the Dask cluster at this address, such as tcp://host:8786."
)
@filtered
@ARCHIVE
@JSON
def reanalyse(
    runs: tuple[str, ...], workers: int | None, dask: str, where: Filter, archive: Path, as_json: bool
) -> int:
    """Recompute the readings of RUN... from their captures with today's code, and list what changed and by how much.

    Without RUN the filters choose; give at least one. Nothing old is touched: the new readings go into a folder of their
    own inside the run's, with a manifest of its own.
    """
    from benchtest import archive as archives
    from benchtest.archive.filters import Filter
    from benchtest.archive.reanalysis import reanalyse_many
    from benchtest.cli.output import print_json
    from benchtest.cli.progress import progress

    shelf = archives.open(archive)
    if runs and where != Filter():
        raise click.UsageError("name the runs, or choose them by filters, not both.")
    if runs:
        folders = list(dict.fromkeys(shelf.find(text).folder for text in runs))
    elif where != Filter():
        folders = [line.folder for line in shelf.runs(where)]
    else:
        raise click.UsageError("no RUN. Name some, 'last', or choose with filters such as --since 2031-01-01.")
    found: list[Reanalysed] = []
    with progress("re-analysing", len(folders)) as step:
        for outcome in reanalyse_many(folders, workers=workers or os.cpu_count() or 1, dask=dask):
            found.append(outcome)
            step()
            if not as_json:
                _print(outcome)
    if as_json:
        print_json([outcome.as_dict() for outcome in found])
    else:
        changed = sum(change.notable for outcome in found for change in outcome.changes)
        done = sum(not outcome.error for outcome in found)
        click.echo(f"{done} of {len(found)} runs re-analysed; {changed} readings changed.")
    return 2 if any(outcome.error for outcome in found) else 0


def _print(outcome: Reanalysed) -> None:
    from benchtest.archive.reanalysis import largest_first
    from benchtest.report.wording import COUNTED, quantity_words, shown_conditions

    click.echo(outcome.run_id)
    if outcome.error:
        click.echo(f"  not re-analysed: {outcome.error}")
        return
    notable = [change for change in largest_first(outcome.changes) if change.notable]
    for change in notable:
        words = f"{quantity_words(change.quantity)} {change.channel} ({shown_conditions(change.conditions)})"
        verdict = ""
        if change.before_verdict != change.after_verdict:
            verdict = f", was {COUNTED[change.before_verdict]}, is {COUNTED[change.after_verdict]}"
        spans = ""
        if change.before_uncertainty and change.after_uncertainty:
            spans = f" (± {change.before_uncertainty:.2g} / ± {change.after_uncertainty:.2g})"
        click.echo(f"  {words}: {_shown(change.before, change.after, change.unit)}{spans}{verdict}")
    same = len(outcome.changes) - len(notable)
    click.echo(
        f"  {same} of {len(outcome.changes)} as before, within a tenth of their uncertainty; "
        f"{outcome.without_capture} readings rest on no kept capture"
    )
    for what, why in outcome.not_recomputed:
        click.echo(f"  not recomputed from {what}: {why}")
    click.echo(f"  written: {outcome.annex}")


def _shown(before: float | None, after: float | None, unit: str) -> str:
    def text(value: float | None) -> str:
        return "not measured" if value is None else f"{value:.5g}"

    if before is None or after is None:
        return f"{text(before)} / {text(after)} {unit}"
    return f"{text(before)} / {text(after)} {unit}, changed by {after - before:+.2g} {unit}"
