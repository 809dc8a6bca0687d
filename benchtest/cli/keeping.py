"""``benchtest check-archive`` and ``export``: is the record whole, and how it leaves the archive."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchtest.cli.choosing import ARCHIVE, JSON, filtered

if TYPE_CHECKING:
    from benchtest.archive import CheckedRun, Filter

ALTERED_STATUS, UNFINISHED_STATUS = 1, 5


@click.command()
@ARCHIVE
@JSON
def check_archive(archive: Path, as_json: bool) -> int:
    """Compare every run with its manifest and name what is missing, altered or unfinished.

    Exit status 1 if a file is missing or was altered, a run cannot be read, or two folders hold one run; 5 if nothing is
    wrong but a run was never finished, so cannot be vouched for.
    """
    from benchtest import archive as archives
    from benchtest.cli.output import print_json
    from benchtest.cli.progress import progress

    found: list[CheckedRun] = []
    shelf = archives.open(archive)
    with progress("checking", sum(1 for _ in shelf.folders())) as step:
        for run in shelf.check():
            found.append(run)
            step()
    counts = {state: sum(run.state == state for run in found) for state in dict.fromkeys(r.state for r in found)}
    if as_json:
        print_json({"runs": len(found), "states": counts, "found": [r.as_dict() for r in found if _told(r)]})
    else:
        for run in found:
            if _told(run):
                _print(run)
        words = ", ".join(f"{number} {state}" for state, number in counts.items())
        click.echo(f"{len(found)} runs in {archive}" + (f": {words}" if words else ""))
    if not all(run.sound for run in found):
        return ALTERED_STATUS
    return UNFINISHED_STATUS if any(run.state != "finished" for run in found) else 0


def _told(run: CheckedRun) -> bool:
    return run.state != "finished" or bool(run.added or run.remark or run.same_id_as)


def _print(run: CheckedRun) -> None:
    click.echo(f"{run.state:<11} {run.run_id}")
    for what, names in (("altered", run.altered), ("missing", run.missing), ("added later", run.added)):
        for name in names:
            click.echo(f"            {what}: {name}")
    if run.same_id_as:
        click.echo(f"            two runs with one id: {run.folder} and {run.same_id_as}")
    if run.remark:
        click.echo(f"            {run.remark}")


@click.command()
@click.argument("run", required=False)
@click.option("--output", type=click.Path(path_type=Path), required=True, help="Where to; must not exist yet.")
@click.option("--parquet", is_flag=True, help="Parquet in folders by year and month instead of one CSV.")
@click.option("--anonymous", is_flag=True, help="With RUN: leave out what names a person, a workshop or a single set.")
@filtered
@ARCHIVE
@JSON
def export(
    run: str | None, output: Path, parquet: bool, anonymous: bool, where: Filter, archive: Path, as_json: bool
) -> None:
    """Write all readings as one CSV or as Parquet; or copy RUN into another archive, to be shared.

    Filters choose the runs whose readings are written. With --anonymous the copy of RUN has no serial number, customer,
    job card, photographs, typed answers, names of bench and instruments.
    """
    from benchtest import archive as archives
    from benchtest.archive.export import export_csv, export_parquet
    from benchtest.archive.filters import Filter
    from benchtest.archive.run import Run
    from benchtest.cli.output import print_json

    shelf = archives.open(archive)
    if run is not None:
        if parquet or where != Filter():
            raise click.UsageError("RUN is copied whole: leave --parquet and the filters out, or leave RUN out.")
        _share(shelf.find(run), output, anonymous, as_json)
        return
    if anonymous:
        raise click.UsageError("--anonymous is for one run: name it, such as 'benchtest export last --anonymous'.")
    runs = (Run(line.folder) for line in shelf.runs(where))
    count = (export_parquet if parquet else export_csv)(runs, output)
    if as_json:
        print_json({"output": str(output), "readings": count})
    else:
        click.echo(f"{count} readings in {output}")


def _share(run: Any, output: Path, anonymous: bool, as_json: bool) -> None:
    from benchtest.archive.sharing import copy_anonymous, copy_run
    from benchtest.cli.output import print_json

    folder = (copy_anonymous if anonymous else copy_run)(run, output)
    if as_json:
        print_json({"folder": str(folder), "anonymous": anonymous})
        return
    click.echo(folder)
    if anonymous:
        click.echo(
            "Look through it before you share it: the amplifier's name, its ratings, the times and what the readings say "
            "are still there.",
            err=True,
        )
