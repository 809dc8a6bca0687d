"""Readings recomputed from the captures with today's code, beside the old ones: what changed, and by how much.

Today's measurement is run again on a bench that plays back the kept capture (``replay``), so that value, uncertainty and
note come from the same code as in a new run, and today's limits judge. The old folder stays as it was: the new readings
go into an annex with a manifest of its own.

Which readings rest on a capture is told by events.jsonl: those taken last before it was kept. A reading that rests on
more than its capture (a ramp of which only the loudest step was kept) is not recomputed, and listed as such.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchtest.archive.annex import REANALYSIS, new_annex
from benchtest.archive.compare import kind_words
from benchtest.archive.conditions import conditions_of
from benchtest.archive.durable import iso_utc, json_page
from benchtest.archive.grouping import TOGETHER, groups, key_of
from benchtest.archive.run import Run
from benchtest.archive.table import (
    Column,
    csvw,
    encode_cell,
    encode_line,
    encode_row,
    header_line,
    readings_description,
)
from benchtest.archive.table_reading import Row
from benchtest.errors import BenchtestError, FileError

if TYPE_CHECKING:
    from benchtest.archive.waveforms import Waveform
    from benchtest.reading import Reading

FORMAT_VERSION = 1
NOTABLE = 0.1
"""Share of the old expanded uncertainty from which a difference, of value or uncertainty, is called a change; what 24 bits
of a FLAC leave out is below it."""


@dataclass(frozen=True)
class Recipe:
    """Readings that can be recomputed from one capture, and how."""

    quantities: tuple[str, ...]
    both_channels: bool
    recompute: Callable[[Any, Row, Waveform], list[Reading]]
    points: bool = False
    """Whether there are several readings of a quantity, told apart by their frequency or the edge that they name."""

    def key(self, row: Row) -> tuple[Any, ...]:
        """What tells the readings of one capture apart."""
        point = (row["frequency_hz"], conditions_of(row).get("edge")) if self.points else ()
        return row["quantity"], row["channel"], *point


@dataclass(frozen=True)
class Change:
    """One reading, old and new, in ``unit``. notable: value or uncertainty differ by more than NOTABLE of the old
    uncertainty, or the verdict is another."""

    sequence: int
    quantity: str
    channel: str
    conditions: str
    unit: str
    before: float | None
    after: float | None
    difference: float | None
    before_uncertainty: float | None
    after_uncertainty: float | None
    before_verdict: str
    after_verdict: str
    notable: bool
    capture: str


@dataclass(frozen=True)
class Reanalysed:
    """What came of one run. error is why nothing was written, "" where something was."""

    run_id: str
    folder: Path
    annex: Path | None = None
    changes: tuple[Change, ...] = ()
    not_recomputed: tuple[tuple[str, str], ...] = ()
    without_capture: int = 0
    error: str = ""

    def as_dict(self) -> dict[str, Any]:
        page = asdict(self)
        page |= {"folder": str(self.folder), "annex": None if self.annex is None else str(self.annex)}
        return page | {"not_recomputed": [{"what": what, "why": why} for what, why in self.not_recomputed]}


def reanalyse(folder: Path, *, now: datetime | None = None) -> Reanalysed:
    """Recompute what can be recomputed of a run and write it beside the old readings. Raises FileError."""
    run = Run(folder)
    summary, rows = run.summary, run.rows()
    found: list[tuple[Row, Reading, str]] = []
    refused: list[tuple[str, str]] = []
    for group in groups(run, rows):
        names = group.names
        why = next(filter(None, (_not_to_be_trusted(run, name) for name in names)), "")
        if not why:
            try:
                made = {key_of(r): r for r in group.recomputed(run, rows)}
                taken = [(row, made[key_of(row)], names[0]) for row in group.resting if key_of(row) in made]
                found += taken
                why = "" if taken else "today's code makes no reading of it that the run has"
            except BenchtestError as error:
                why = str(error)
        if why:
            refused.append((", ".join(names), why))
    for capture, resting, recipe in _captures(run, rows):
        name = str(capture.get("file") or capture.get("name"))
        if recipe is None or not resting:
            refused.append((name, "no reading rests on this capture alone"))
            continue
        why = _not_to_be_trusted(run, name)
        if not why:
            try:
                found += [(row, reading, name) for row, reading in _recomputed(run, rows, capture, resting, recipe)]
            except BenchtestError as error:
                why = str(error)
        if why:
            refused.append((name, why))
    if not found:
        reasons = "; ".join(f"{what}: {why}" for what, why in refused) or "it kept no captures"
        raise FileError(
            f"{folder}: nothing can be recomputed ({reasons}). The readings that it holds stay as they are."
        )
    judged = _judged(summary, [reading for _, reading, _ in found])
    new_rows, changes = [], []
    for (row, _, name), reading in zip(found, judged, strict=True):
        new = _as_row(reading, row)
        new_rows.append(new)
        changes.append(_change(row, new, name))
    moment = now or datetime.now(UTC)
    resting_rows = {row["sequence"] for row, _, _ in found}
    outcome = Reanalysed(
        run.run_id, folder, None, tuple(changes), tuple(refused),
        without_capture=sum(row["sequence"] not in resting_rows for row in rows),
    )  # fmt: skip
    annex = new_annex(folder, REANALYSIS, _files(run, outcome, new_rows, moment), now=moment)
    return replace(outcome, annex=annex)


def _recipes() -> tuple[Recipe, ...]:
    from benchtest.measurements import distortion, noise_and_hum

    def at(row: Row) -> str:
        return str(conditions_of(row).get("at") or "")

    return (
        Recipe(("thd", "thd_n"), False, lambda bench, row, _: _readings(distortion(bench, row["channel"], at(row)))),
        Recipe(
            ("noise", "noise_a_weighted", "signal_to_noise", "hum"), True,
            lambda bench, row, w: _readings(noise_and_hum(bench, at(row), seconds=len(w.samples) / w.sample_rate)),
        ),
    )  # fmt: skip


SWEPT = ("frequency_response", "frequency_limit", "crosstalk", "thd")
SWEPT_THD = "orders"
"""A condition that only a THD from a sweep has."""


def _swept() -> Recipe:
    """What one sweep of a channel gives: response, separation, distortion at high frequency."""
    from benchtest.measurements import frequency_response, separation, sweep, thd_high

    def again(bench: Any, row: Row, _: Waveform) -> list[Reading]:
        channel = row["channel"]
        swept = sweep(bench, channel)
        if isinstance(swept, str):
            raise FileError(f"today's code makes nothing of the sweep ({swept}); the readings stay as they are.")
        at = str(conditions_of(row).get("at") or "1 W")
        made = [*frequency_response(bench, swept, channel, at=at), *thd_high(bench, swept, channel)]
        made += separation(bench, {channel: swept}, at=at)
        return [reading for reading in _readings(made) if reading.channel == channel]

    return Recipe(SWEPT, False, again, points=True)


def _of_the_sweep(rows: Sequence[Row], channel: str) -> list[Row]:
    """The readings of a step that rest on the sweep of one channel."""
    return [
        row
        for row in rows
        if row["channel"] == channel
        and row["quantity"] in SWEPT
        and row["verdict"] != "not_measured"
        and (row["quantity"] != "thd" or SWEPT_THD in conditions_of(row))
    ]


def _readings(items: Sequence[Any]) -> list[Reading]:
    from benchtest.reading import Reading

    return [item for item in items if isinstance(item, Reading)]


def _captures(run: Run, rows: Sequence[Row]) -> Iterator[tuple[Mapping[str, Any], list[Row], Recipe | None]]:
    """Each capture with the readings that rest on it alone and how to make them again."""
    by_sequence = {row["sequence"]: row for row in rows}
    by_file = {str(capture.get("file")): capture for capture in run.captures()}
    recipes, swept = _recipes(), _swept()
    before: list[Row] = []
    sweeps: list[Mapping[str, Any]] = []
    for event in (*run.events(), {"event": "step_started"}):
        kind = event.get("event")
        if kind == "step_started":
            for capture in sweeps:  # its readings are taken until the step ends
                yield capture, _of_the_sweep(before, capture["meta"]["sweep"]), swept
            before, sweeps = [], []
        elif kind == "reading" and isinstance(event.get("row"), Mapping):
            row = by_sequence.get(event["row"].get("sequence"))
            before += [row] if row is not None else []
        elif kind == "capture" and (known := by_file.pop(str(event.get("path")), {})):
            meta = known.get("meta")
            if isinstance(meta, Mapping) and meta.get(TOGETHER):
                continue  # see ``groups``
            if isinstance(meta, Mapping) and meta.get("sweep") in ("left", "right"):
                sweeps.append(known)
            else:
                yield known, *_resting(before, recipes)
    for capture in by_file.values():
        yield capture, [], None


def _resting(before: Sequence[Row], recipes: Sequence[Recipe]) -> tuple[list[Row], Recipe | None]:
    """The readings that were taken last, one of each kind of the recipe that makes the very last one."""
    if not before:
        return [], None
    last = before[-1]
    recipe = next((r for r in recipes if last["quantity"] in r.quantities), None)
    if recipe is None:
        return [], None
    found: dict[tuple[str, str], Row] = {}
    for row in reversed(before):
        same = recipe.both_channels or row["channel"] == last["channel"]
        alike = conditions_of(row).get("at") == conditions_of(last).get("at")
        if row["quantity"] in recipe.quantities and same and alike:
            found.setdefault((row["quantity"], row["channel"]), row)
    return list(reversed(found.values())), recipe


def _not_to_be_trusted(run: Run, name: str) -> str:
    check = run.check
    if check is None:
        return ""
    for what, names in (("was altered", check.altered), ("is missing", check.missing)):
        for each in (name, "captures/index.jsonl"):
            if each in names:
                return f"{each} {what} since the run was closed; restore it from a copy"
    return ""


def _recomputed(
    run: Run, rows: Sequence[Row], capture: Mapping[str, Any], resting: Sequence[Row], recipe: Recipe
) -> list[tuple[Row, Reading]]:
    from benchtest.archive.replay import KeptBench

    waveform = run.waveform(dict(capture))
    meta = capture.get("meta")
    first = next((row for row in resting if row["value"] is not None), resting[0])
    bench = KeptBench(run.summary, rows, first, waveform, meta if isinstance(meta, Mapping) else {})
    made = {recipe.key(_as_row(r, first)): r for r in recipe.recompute(bench, first, waveform)}
    return [(row, made[recipe.key(row)]) for row in resting if recipe.key(row) in made]


def _judged(summary: Mapping[str, Any], readings: Sequence[Reading]) -> list[Reading]:
    """The readings held to today's limits for the amplifier of the run."""
    from benchtest.amplifier_file import unknown_amplifier
    from benchtest.archive.replay import kept_amplifier
    from benchtest.limits import judge, limit_table

    table = limit_table(kept_amplifier(summary) or unknown_amplifier())
    return [judge(reading, table) for reading in readings]


def _as_row(reading: Reading, old: Row) -> Row:
    from benchtest.reading import as_row

    keys = ("run_id", "sequence", "time_utc", "procedure", "step", "simulated")
    return as_row(reading, **{key: old[key] for key in keys})


def _change(old: Row, new: Row, capture: str) -> Change:
    before, after, span = old["value"], new["value"], old["expanded_uncertainty"]
    difference = None if before is None or after is None else after - before
    moved = difference is not None and (abs(difference) > NOTABLE * span if span else difference != 0)
    if span and new["expanded_uncertainty"]:
        moved = moved or not math.isclose(span, new["expanded_uncertainty"], rel_tol=NOTABLE)
    return Change(
        sequence=old["sequence"], quantity=old["quantity"], channel=old["channel"], conditions=kind_words(old),
        unit=old["unit"], before=before, after=after, difference=difference, before_uncertainty=span,
        after_uncertainty=new["expanded_uncertainty"], before_verdict=old["verdict"], after_verdict=new["verdict"],
        notable=bool(moved or (before is None) != (after is None) or old["verdict"] != new["verdict"]), capture=capture,
    )  # fmt: skip


CHANGE_COLUMNS = (
    Column("sequence", "integer", "The reading's place in the run.", required=True),
    Column("quantity", "text", "What was measured."),
    Column("channel", "text", "Channel of the amplifier."),
    Column("conditions", "text", "Under which conditions."),
    Column("unit", "text", "Unit of the values and uncertainties."),
    Column("before", "number", "The value of the run."),
    Column("after", "number", "The value by today's code."),
    Column("difference", "number", "after less before."),
    Column("before_uncertainty", "number", "Expanded uncertainty of the run's value."),
    Column("after_uncertainty", "number", "Expanded uncertainty by today's code."),
    Column("before_verdict", "text", "The run's verdict."),
    Column("after_verdict", "text", "Today's verdict."),
    Column(
        "notable",
        "flag",
        f"Value or uncertainty differ by more than {NOTABLE:g} of the uncertainty, or the verdict is another.",
    ),
    Column("capture", "text", "The capture that it was recomputed from."),
)


def _files(run: Run, outcome: Reanalysed, rows: Sequence[Row], moment: datetime) -> dict[str, bytes]:
    changes = b"".join(
        encode_line([encode_cell(getattr(change, c.name), c.kind) for c in CHANGE_COLUMNS])
        for change in outcome.changes
    )
    page = {
        "format_version": FORMAT_VERSION,
        "run_id": run.run_id,
        "made_utc": iso_utc(moment),
        "software": _software(),
        "run_state": run.state,
        "readings_count": len(rows),
        "changed_count": sum(change.notable for change in outcome.changes),
        "not_recomputed": [{"what": what, "why": why} for what, why in outcome.not_recomputed],
        "readings_without_capture": outcome.without_capture,
    }
    return {
        "reanalysis.json": json_page(page),
        "readings.csv": header_line() + b"".join(map(encode_row, rows)),
        "readings.csv-metadata.json": json_page(readings_description(run.run_id)),
        "changes.csv": encode_line([column.name for column in CHANGE_COLUMNS]) + changes,
        "changes.csv-metadata.json": json_page(csvw("changes.csv", f"Changes of run {run.run_id}", CHANGE_COLUMNS)),
    }


def _software() -> dict[str, str]:
    """The versions on which the new numbers depend."""
    import platform
    from importlib.metadata import PackageNotFoundError, version

    found = {"python": platform.python_version()}
    for package in ("benchtest", "numpy", "scipy"):
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            found[package] = "not installed"
    return found


# ----------------------------------------------------------------------------------------------------------- many runs


def reanalyse_quietly(folder: Path) -> Reanalysed:
    """``reanalyse`` for a worker: an error is told in the result."""
    try:
        return reanalyse(folder)
    except (BenchtestError, OSError) as error:
        return Reanalysed(_run_id(folder), folder, error=str(error))


def reanalyse_many(folders: Sequence[Path], *, workers: int, dask: str = "") -> Iterator[Reanalysed]:
    """Each run as it is done: in this process, in ``workers`` processes, or on the Dask cluster at the address ``dask``,
    whose workers must see the archive under the same path. Raises FileError where Dask is not there."""
    if dask:
        yield from _on_dask(folders, dask)
    elif workers <= 1 or len(folders) <= 1:
        yield from map(reanalyse_quietly, folders)
    else:
        import concurrent.futures
        import multiprocessing

        context = multiprocessing.get_context("spawn")  # a fork of a process with threads may hang
        with concurrent.futures.ProcessPoolExecutor(min(workers, len(folders)), mp_context=context) as pool:
            jobs = [pool.submit(reanalyse_quietly, folder) for folder in folders]
            for job in concurrent.futures.as_completed(jobs):
                yield job.result()


def _on_dask(folders: Sequence[Path], address: str) -> Iterator[Reanalysed]:
    import importlib

    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError as error:
        raise FileError(
            "--dask needs the package distributed, which is not installed. Install it with 'pip install benchtest[dask]', "
            "or leave --dask out: then the runs are shared out over this machine's processors."
        ) from error
    try:
        client = distributed.Client(address, timeout="10s")
    except (OSError, ValueError, TypeError) as error:
        raise FileError(
            f"no Dask scheduler answers at {address!r} ({error}). Expected an address such as tcp://host:8786; start one "
            "with 'dask scheduler' and workers with 'dask worker'."
        ) from error
    with client:
        jobs = client.map(reanalyse_quietly, [folder.resolve() for folder in folders], pure=False)
        for job in distributed.as_completed(jobs):
            yield job.result()


def _run_id(folder: Path) -> str:
    try:
        return Run(folder).run_id
    except BenchtestError:
        return f"{folder.parent.name}-{folder.name}"


def largest_first(changes: Sequence[Change]) -> list[Change]:
    """The changes by their share of the uncertainty, the largest first."""

    def share(change: Change) -> float:
        if change.difference is None or not change.before_uncertainty:
            return math.inf if change.notable else 0.0
        return abs(change.difference) / change.before_uncertainty

    return sorted(changes, key=share, reverse=True)
