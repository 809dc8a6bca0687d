"""A cache of an archive's log, so that thousands of runs are listed at once. Only a cache.

It lies with the user's caches, not in the archive: nothing is locked there, and a network share holds no database. Each
run carries the size and mtime_ns of its files; whatever differs is read again, whatever has gone is dropped. A cache
that cannot be read is thrown away; one that cannot be written is done without.
"""

from __future__ import annotations

import concurrent.futures
import contextlib
import csv
import hashlib
import io
import math
import os
import sqlite3
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from benchtest.archive.filters import Extremes, extremes_of
from benchtest.archive.manifest import MANIFEST
from benchtest.archive.run import Run, RunSummary
from benchtest.archive.table import header_line
from benchtest.errors import FileError

SCHEMA_VERSION = 1  # raise it when the tables change; an older cache is then thrown away
STAMPED = ("run.json", "readings.csv", MANIFEST)
FIRST_STAMPS, SLOW_STAMP_S, STAMPS_AT_ONCE = 50, 0.6e-3, 16
"""By the first runs it is seen whether the folders are far away: a local disk answers in some microseconds."""
_FIELDS = (
    "run_id", "state", "result", "exit_status", "procedure", "amplifier", "serial_number", "started_utc", "simulated",
    "readings_count", "bench_seconds", "remark",
)  # fmt: skip
_TABLES = f"""
create table run (folder text primary key, stamp text, {", ".join(_FIELDS)});
create table extreme (folder text, quantity text, low real, high real);
create index by_quantity on extreme (quantity, folder);
create index by_folder on extreme (folder);
pragma user_version = {SCHEMA_VERSION};
"""

Listed = tuple[RunSummary, Extremes]


def cache_file(archive: Path) -> Path:
    """Where the cache of an archive lies."""
    base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    name = hashlib.sha256(str(archive.resolve()).encode("utf-8", "surrogateescape")).hexdigest()[:16]
    return base / "benchtest" / f"archive-{name}.sqlite"


def listed(folders: Sequence[Path], quantities: Sequence[str]) -> Iterator[Listed]:
    """Each run read from its folder, with the extremes of ``quantities``: the truth that an index is measured by."""
    for folder in folders:
        run = Run(folder)
        yield run.brief(), (extremes_in(run, quantities) if quantities else {})


def listed_by_index(archive: Path, folders: Sequence[Path], quantities: Sequence[str]) -> list[Listed] | None:
    """The same from the cache, brought up to date first; None where no cache can be used."""
    path = cache_file(archive)
    for _ in range(2):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with contextlib.closing(sqlite3.connect(path, timeout=2.0, isolation_level=None)) as database:
                return _listed_from(database, archive, folders, quantities)
        except sqlite3.OperationalError as error:
            if "locked" in str(error) or "readonly" in str(error) or "unable to open" in str(error):
                return None  # another process is at it, or the cache cannot be written
            _throw_away(path)
        except (sqlite3.DatabaseError, ValueError, TypeError):
            _throw_away(path)
        except OSError:
            return None
    return None


def extremes_in(run: Run, quantities: Sequence[str] | None = None) -> dict[str, tuple[float, float]]:
    """Smallest and largest value of each quantity in a run's readings; {} where they cannot be read."""
    path = run.folder / "readings.csv"
    try:
        found = _quick_extremes(path.read_bytes())
        if found is None:
            found = extremes_of(run.rows())
    except (OSError, FileError):
        return {}
    return found if quantities is None else {name: found[name] for name in quantities if name in found}


def _quick_extremes(data: bytes) -> dict[str, tuple[float, float]] | None:
    """``extremes_of`` for a file that is just as it was written; None where it needs the patient reader."""
    header = header_line()
    if not (data.startswith(header) and data.endswith(b"\r\n") and data.count(b'"') % 2 == 0):
        return None
    found: dict[str, tuple[float, float]] = {}
    try:
        for record in csv.reader(io.StringIO(data[len(header) :].decode(), newline="")):
            text = record[7]
            if text == "":
                continue
            value = float(text)
            if not math.isfinite(value):
                continue
            name = record[5]
            low, high = found.get(name, (value, value))
            found[name] = (min(low, value), max(high, value))
    except (ValueError, IndexError):
        return None
    return found


def _listed_from(
    database: sqlite3.Connection, archive: Path, folders: Sequence[Path], quantities: Sequence[str]
) -> list[Listed]:
    if database.execute("pragma user_version").fetchone()[0] != SCHEMA_VERSION:
        if database.execute("select count(*) from sqlite_master").fetchone()[0]:
            raise sqlite3.DatabaseError("of another version")
        database.executescript(_TABLES)
    names = [f"{folder.parent.name}/{folder.name}" for folder in folders]
    root = os.fspath(archive)
    stamps = _stamps(root, names)
    known: dict[str, str] = dict(database.execute("select folder, stamp from run"))
    changed = [name for name, stamp in stamps.items() if known.get(name) != stamp]
    gone = [name for name in known if name not in stamps]
    if changed or gone:
        _bring_up_to_date(database, archive, changed, gone, stamps)
    rows = {row[0]: row[1:] for row in database.execute(f"select folder, {', '.join(_FIELDS)} from run")}
    extremes: dict[str, dict[str, tuple[float, float]]] = {}
    for quantity in quantities:
        query = "select folder, low, high from extreme where quantity = ?"
        for folder, low, high in database.execute(query, (quantity,)):
            extremes.setdefault(folder, {})[quantity] = (low, high)
    return [(_summary(folder, rows[name]), extremes.get(name, {})) for name, folder in zip(names, folders, strict=True)]


def _bring_up_to_date(
    database: sqlite3.Connection, archive: Path, changed: Sequence[str], gone: Sequence[str], stamps: dict[str, str]
) -> None:
    database.execute("begin immediate")
    try:
        for name in (*changed, *gone):
            database.execute("delete from run where folder = ?", (name,))
            database.execute("delete from extreme where folder = ?", (name,))
        for name in changed:
            run = Run(archive / name)
            line = run.brief()
            values = [getattr(line, field) for field in _FIELDS]
            database.execute(
                f"insert into run values (?, ?, {', '.join('?' * len(_FIELDS))})", (name, stamps[name], *values)
            )
            database.executemany(
                "insert into extreme values (?, ?, ?, ?)",
                [(name, quantity, low, high) for quantity, (low, high) in extremes_in(run).items()],
            )
        database.execute("commit")
    except BaseException:
        database.execute("rollback")
        raise


def _summary(folder: Path, values: tuple[object, ...]) -> RunSummary:
    fields = dict(zip(_FIELDS, values, strict=True))
    fields["simulated"] = bool(fields["simulated"])
    return RunSummary(folder=folder, **fields)  # type: ignore[arg-type]


def _stamps(root: str, names: Sequence[str]) -> dict[str, str]:
    """The stamp of every run. Where each takes long (a network share, where a question is a round trip) they are asked
    for several at once."""
    started = time.perf_counter()
    found = {name: _stamp(f"{root}/{name}") for name in names[:FIRST_STAMPS]}
    rest = names[FIRST_STAMPS:]
    if rest and (time.perf_counter() - started) / FIRST_STAMPS > SLOW_STAMP_S:
        with concurrent.futures.ThreadPoolExecutor(STAMPS_AT_ONCE) as pool:
            return found | dict(zip(rest, pool.map(lambda name: _stamp(f"{root}/{name}"), rest), strict=True))
    return found | {name: _stamp(f"{root}/{name}") for name in rest}


def _stamp(folder: str) -> str:
    """Size and mtime_ns of the files that the log is read from."""
    parts = []
    for name in STAMPED:
        try:
            found = os.stat(f"{folder}/{name}")
            parts.append(f"{found.st_size}.{found.st_mtime_ns}")
        except OSError:
            parts.append("-")
    return " ".join(parts)


def _throw_away(path: Path) -> None:
    for name in (path, path.with_name(path.name + "-journal")):
        with contextlib.suppress(OSError):
            name.unlink()
