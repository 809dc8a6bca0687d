"""A whole archive as one table that other engines read: one CSV with its description, or Parquet in folders by month.

Nothing is overwritten, and what is there is whole: it is written beside its place and moved there at the end.
"""

from __future__ import annotations

import contextlib
import importlib
import itertools
import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchtest.archive.durable import PART, json_page, refusal, write_whole
from benchtest.archive.frames import ABOUT_THE_RUN, body_of, readings_frame, records_in, without_doubles
from benchtest.archive.table import READING_COLUMNS, Column, csvw, encode_line, encode_text, header_line
from benchtest.errors import FileError

if TYPE_CHECKING:
    from benchtest.archive.run import Run

EXPORT_COLUMNS = (
    *READING_COLUMNS,
    Column("amplifier", "text", "The amplifier's name."),
    Column("serial_number", "text", "The amplifier's serial number."),
    Column(
        "state", "text", "finished, unfinished (never closed) or unreadable.", pattern="finished|unfinished|unreadable"
    ),
)
RUNS_AT_ONCE = 2000
"""Runs in one Parquet file: some hundred megabytes of memory, and files large enough to be read fast."""


def export_csv(runs: Iterable[Run], path: Path) -> int:
    """Write the readings of ``runs`` as one CSV with a CSVW description beside it; returns how many they are.

    Raises FileError: the file exists, cannot be written, or two folders hold one run.
    """
    refuse_existing(path)
    part = path.with_name(path.name + PART)
    header = header_line()
    count = 0
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as file:
            file.write(header.removesuffix(b"\r\n") + encode_line(["", *ABOUT_THE_RUN]))
            for run in without_doubles(runs):
                body = body_of(run, header)
                line = run.brief()
                tail = encode_line(["", *map(encode_text, (line.amplifier, line.serial_number, line.state))])
                records = records_in(body)
                count += records
                if body.count(b"\r\n") != records:  # a line break inside quotes
                    file.writelines(record + tail for record in _one_by_one(body))
                else:
                    file.write(body.replace(b"\r\n", tail))
        page = csvw(path.name, "Readings of an archive", EXPORT_COLUMNS)
        page["tableSchema"]["primaryKey"] = ["run_id", "sequence"]
        write_whole(path.with_name(path.name + "-metadata.json"), json_page(page))
        part.replace(path)
    except OSError as error:
        raise refusal(error, path, "writing the readings") from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    return count


def export_parquet(runs: Iterable[Run], folder: Path) -> int:
    """Write the readings of ``runs`` as Parquet, partitioned by year and month of their start; returns how many.

    Raises FileError: pyarrow is not installed, the folder exists, cannot be written, or two folders hold one run.
    """
    try:
        arrow: Any = importlib.import_module("pyarrow")
        parquet: Any = importlib.import_module("pyarrow.parquet")
    except ImportError as error:
        raise FileError(
            "Parquet needs the package pyarrow, which is not installed. Install it with 'pip install benchtest[parquet]', "
            "or leave --parquet out: DuckDB, pandas and Spark read the CSV as well."
        ) from error
    refuse_existing(folder)
    schema = _schema(arrow)
    part = folder.with_name(folder.name + PART)
    count = 0
    try:
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True)
        for month, members in itertools.groupby(without_doubles(runs), key=lambda run: run.folder.parent.name[:7]):
            here = part / f"year={int(month[:4])}" / f"month={int(month[5:7])}"
            here.mkdir(parents=True, exist_ok=True)
            for number, batch in enumerate(_batches(members, RUNS_AT_ONCE)):
                frame = readings_frame(batch)
                count += len(frame)
                table = arrow.Table.from_pandas(frame, schema=schema, preserve_index=False)
                parquet.write_table(table, here / f"readings-{number:03d}.parquet", compression="zstd")
        part.replace(folder)
    except OSError as error:
        raise refusal(error, folder, "writing the readings") from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return count


def refuse_existing(path: Path) -> None:
    """Raises FileError if something is there already: an export never replaces anything."""
    if path.exists() or path.is_symlink():
        raise FileError(
            f"{path}: is there already, and nothing is overwritten. Name another place, or delete it first."
        )


def _schema(arrow: Any) -> Any:
    types = {
        "text": arrow.string(), "json": arrow.string(), "number": arrow.float64(), "integer": arrow.int64(),
        "flag": arrow.bool_(), "time": arrow.timestamp("ms", tz="UTC"),
    }  # fmt: skip
    return arrow.schema([
        arrow.field(column.name, types[column.kind], metadata={"description": column.meaning, "unit": column.unit})
        for column in EXPORT_COLUMNS
    ])  # fmt: skip


def _one_by_one(body: bytes) -> Iterator[bytes]:
    """The records of ``body`` without their line ends."""
    record = b""
    for line in body.split(b"\r\n")[:-1]:
        record += line
        if record.count(b'"') % 2 == 0:
            yield record
            record = b""
        else:
            record += b"\r\n"


def _batches(runs: Iterable[Run], size: int) -> Iterator[list[Run]]:
    source = iter(runs)
    while batch := list(itertools.islice(source, size)):
        yield batch
