"""``benchtest compare`` and ``trend``: what changed between two runs, and over many."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchtest.cli.choosing import ARCHIVE, JSON, filtered

if TYPE_CHECKING:
    from benchtest.archive import Filter
    from benchtest.archive.trend import Trend
    from benchtest.report.comparison import Line, Side, TwoRuns

WIDE = 128
"""Columns of a terminal from which left is printed beside right."""
_PAGE = click.option("--page", type=click.Path(path_type=Path), metavar="FILE", help="Write an HTML page, with curves.")


@click.command()
@click.argument("before")
@click.argument("after")
@_PAGE
@ARCHIVE
@JSON
def compare(before: str, after: str, page: Path | None, archive: Path, as_json: bool) -> None:
    """Set two runs side by side: what changed, by how much, is it significant, and what was not the same.

    BEFORE and AFTER are ids, folders, or the six digits at their end; AFTER may be 'last'.
    """
    from benchtest import archive as archives
    from benchtest.cli.output import print_json
    from benchtest.report.comparison import two_runs, write_comparison

    shelf = archives.open(archive)
    one, two = shelf.find(before), shelf.find(after)
    found = two_runs(one, two)
    if page is not None:
        write_comparison(found, one, two, page)
    if as_json:
        print_json({**found.as_dict(), "page": None if page is None else str(page)})
        return
    _print_comparison(found)
    if page is not None:
        click.echo(f"Page: {page}", err=True)


def _print_comparison(found: TwoRuns) -> None:
    from benchtest.archive.run import amplifier_identity

    tag = "SIMULATED  " if found.simulated else ""
    for which, run in (("before", found.before), ("after", found.after)):
        name = amplifier_identity(run).get("name") or "?"
        click.echo(
            f"{tag}{which:<7} {str(run.get('started_utc'))[:16]}  {name}  {run.get('result')}  {run['run_id'][-6:]}"
        )
    if found.differing:
        click.echo("\nnot the same in the two runs (this explains most 'improvements'):")
        for each in found.differing:
            click.echo(f"  {each.what}: {each.before or '-'} / {each.after or '-'}")
    _print_lines(found.lines, wide=not sys.stdout.isatty() or shutil.get_terminal_size().columns >= WIDE)
    for words, names in (("only before", found.only_before), ("only after", found.only_after)):
        if names:
            click.echo(f"\n{words}: {'; '.join(names)}")
    changed = sum(line.changed for line in found.lines)
    click.echo(
        f"\n{tag}{len(found.lines)} lines in common, {changed} changed beyond their uncertainty (*); (?): not known."
    )


def _print_lines(lines: Sequence[Line], *, wide: bool) -> None:
    """Left beside right where there is room, else left above right."""
    if wide:
        head = f"{'before':<19}{'after':<19}{'change':<20}"
        click.echo(f"\n{'':<8}  {'LEFT':<58}  RIGHT\n{'':<8}  {head}  {head}".rstrip())
    for line in lines:
        click.echo(line.quantity + (f"  ({line.conditions})" if line.conditions else ""))
        if wide and set(line.sides) <= {"left", "right"}:
            both = "  ".join(_side(line.sides.get(channel)) for channel in ("left", "right"))
            click.echo(f"  {line.unit:<8}{both}".rstrip())
        else:
            for channel, side in line.sides.items():
                name = f"{channel:<7}" if channel in ("left", "right") else "" if wide else " " * 7
                whole = "  (of the set as a whole)" if wide and not name else ""
                click.echo(f"  {line.unit:<8}{name}{_side(side)}{whole}".rstrip())
        for text in line.differing:
            click.echo(f"          not the same: {text}")


def _side(side: Side | None) -> str:
    if side is None:
        return f"{'-':<58}"
    change = f"{'*' if side.significant else ' '}{side.difference}"
    if side.difference and side.significant is None:
        change += " (?)"
    return f"{side.before:<19}{side.after:<19}{change:<20}"


@click.command()
@click.argument("quantity")
@click.option("--channel", type=click.Choice(["left", "right", "both", "none"]), help="Only this channel.")
@click.option("--bench", default="", metavar="NAME", help="Only runs on the bench of this name.")
@click.option("--reference", is_flag=True, help="The set is a reference that nobody repairs: what drifts is the bench.")
@_PAGE
@filtered
@ARCHIVE
@JSON
def trend(
    quantity: str,
    channel: str | None,
    bench: str,
    reference: bool,
    page: Path | None,
    where: Filter,
    archive: Path,
    as_json: bool,
) -> None:
    """Follow QUANTITY over the runs that the filters choose, with its limits, and say whether it drifts.

    Measure one good amplifier again and again, touch nothing in it, and call it with --reference: what drifts then is
    your bench.
    """
    from benchtest import archive as archives
    from benchtest.archive.run import Run
    from benchtest.archive.trend import trends
    from benchtest.cli.output import print_json
    from benchtest.errors import FileError
    from benchtest.report.comparison import write_trend
    from benchtest.report.drift import sentences

    lines = archives.open(archive).runs(where)
    readable = [line for line in lines if line.state != "unreadable"]
    found = trends((Run(line.folder) for line in readable), quantity, channel=channel or "", bench=bench)
    if not found:
        raise FileError(
            f"no reading of {quantity!r} in the {len(readable)} runs that were chosen. Expected a quantity such as "
            "dc_offset, output_power or thd_n; 'benchtest show last' lists what a run has."
        )
    words = sentences(found, reference=reference)
    simulated = any(line.simulated for line in readable)
    if page is not None:
        write_trend(found, quantity, words, page, simulated=simulated)
    if as_json:
        result: dict[str, Any] = {"quantity": quantity, "simulated": simulated, "says": words}
        print_json(
            {**result, "trends": [each.as_dict() for each in found], "page": None if page is None else str(page)}
        )
        return
    _print_trends(found, words, simulated)
    if page is not None:
        click.echo(f"Page: {page}", err=True)


def _print_trends(found: Sequence[Trend], words: Sequence[str], simulated: bool) -> None:
    from benchtest.report.comparison import trend_limits, trend_lines
    from benchtest.report.wording import quantity_words, shown_conditions

    tag = "SIMULATED  " if simulated else ""
    for each in found:
        channel = f", {each.channel}" if each.channel in ("left", "right") else ""
        limits = trend_limits(each)
        about = f"  ({shown_conditions(each.conditions)})" if each.conditions else ""
        click.echo(f"{tag}{quantity_words(each.quantity)}{channel}{about}" + (f"  limits: {limits}" if limits else ""))
        for line in trend_lines(each):
            click.echo(
                f"  {line['when']}  {line['run']}  {line['value']:>22} {line['unit']:<5} {line['verdict']:<16} {line['set']}"
            )
            for text in line["differing"]:
                click.echo(f"      not as before: {text}")
        click.echo()
    for text in words:
        click.echo(text)
