"""Reading readings.csv back, also after a spreadsheet has had it.

Understood: a byte order mark, semicolons or tabs, decimal commas where the comma is not the separator, columns in
another order, extra columns, LF line ends. Anything that would have to be guessed is refused with line and column.
"""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchtest.archive.table import KIND, READING_COLUMNS, decode_text
from benchtest.errors import FileError

Row = dict[str, Any]

MOST_FAULTS = 8  # shown of one file; a person mends the first few and looks again


@dataclass(frozen=True)
class Table:
    """rows as ``benchtest.reading.as_row`` gave them (time_utc as datetime); remarks say what had to be put up with."""

    rows: list[Row]
    remarks: tuple[str, ...] = ()


def read_table(path: Path, *, closed: bool = True) -> Table:
    """Read a readings.csv. closed False: the run was never closed, so a torn last line is left out, as it was never
    shown. Raises FileError with all faults."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise FileError(f"{path}: cannot be read ({error.strerror}). Expected the readings of a run.") from error
    return parse_table(data, str(path), closed=closed)


def parse_table(data: bytes, name: str, *, closed: bool = True) -> Table:
    """``read_table`` for bytes that are already here. Raises FileError."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if not closed and error.end >= len(data):  # a character torn in the middle
            text = data[: error.start].decode("utf-8-sig")
        else:
            raise FileError(
                f"{name}: byte {error.start} is not UTF-8. Expected UTF-8; save it again as such."
            ) from error
    remarks = ["a byte order mark stands in front"] if data.startswith(b"\xef\xbb\xbf") else []
    separator = _separator(text)
    if separator != ",":
        remarks.append(f"the separator is {separator!r}, not a comma")
    records = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    if not closed and records and (text.count('"') % 2 or not text.endswith("\n")):
        records.pop()
        remarks.append("the last line was cut off and is left out")
    records = [record for record in records if record]
    if not records:
        if closed:
            raise FileError(f"{name}: is empty. Expected a header row with {', '.join(KIND)}.")
        return Table([], tuple(remarks))
    header = records[0]
    missing = [column for column in KIND if column not in header]
    if missing or len(set(header)) != len(header):
        what = f"lacks the columns {', '.join(missing)}" if missing else "has a column twice"
        raise FileError(f"{name}, line 1: {what}. Expected {', '.join(KIND)}, in any order.")
    if extra := [column for column in header if column not in KIND]:
        remarks.append(f"columns that do not belong here are left out: {', '.join(extra)}")
    rows, faults = [], []
    for number, record in enumerate(records[1:], start=2):
        if len(record) != len(header):
            faults.append(f"{name}, row {number}: {len(record)} cells. Expected {len(header)}.")
            continue
        row, wrong = _row(dict(zip(header, record, strict=True)), decimal_comma=separator != ",")
        faults += [f"{name}, row {number}, column {fault}" for fault in wrong]
        rows.append(row)
    if faults:
        shown = faults[:MOST_FAULTS] + (
            [f"... and {len(faults) - MOST_FAULTS} more"] if len(faults) > MOST_FAULTS else []
        )
        raise FileError("\n".join([*shown, "Restore the file from a copy; manifest.sha256 tells the right one."]))
    return Table(rows, tuple(remarks))


def _separator(text: str) -> str:
    first = text.split("\n", 1)[0]
    return max(",;\t", key=first.count)


def _row(cells: dict[str, str], *, decimal_comma: bool) -> tuple[Row, list[str]]:
    row: Row = {}
    faults: list[str] = []
    for column in READING_COLUMNS:
        try:
            row[column.name] = decode_cell(cells[column.name], column.kind, decimal_comma=decimal_comma)
        except ValueError as error:
            faults.append(f"{column.name}: {error}")
    return row, faults


def decode_cell(cell: str, kind: str, *, decimal_comma: bool = False) -> Any:
    """The value of one cell; None where a number, a time or a flag is empty. Raises ValueError.

    >>> decode_cell("1,5E-03", "number", decimal_comma=True), decode_cell("", "number"), decode_cell("TRUE", "flag")
    (0.0015, None, True)
    """
    if kind in ("text", "json"):
        text = decode_text(cell)
        if kind == "json" and text:
            json.loads(text)  # JSONDecodeError is a ValueError
        return text
    cell = cell.strip()
    if cell == "":
        return None
    if kind == "flag":
        if cell.lower() not in ("true", "false"):
            raise ValueError(f"{cell!r}. Expected true or false")
        return cell.lower() == "true"
    if kind == "time":
        try:
            moment = datetime.fromisoformat(cell)
        except ValueError:
            raise ValueError(f"{cell!r}. Expected a UTC time such as 2031-05-06T07:08:09.000Z") from None
        return moment.astimezone(UTC) if moment.tzinfo else moment.replace(tzinfo=UTC)
    if decimal_comma and cell.count(",") == 1 and "." not in cell:
        cell = cell.replace(",", ".")
    try:
        number = float(cell)
    except ValueError:
        raise ValueError(f"{cell!r}. Expected a number such as 0.0123") from None
    if "_" in cell:
        raise ValueError(f"{cell!r}. Expected a number such as 0.0123")
    if kind == "integer":
        if not math.isfinite(number) or number != int(number):
            raise ValueError(f"{cell!r}. Expected a whole number")
        return int(number)
    return number


def read_json_lines(path: Path) -> list[dict[str, Any]]:
    """The objects of a .jsonl file; a torn or broken line is left out. [] where there is no file."""
    try:
        data = path.read_bytes()
    except OSError:
        return []
    found: list[dict[str, Any]] = []
    for line in data.split(b"\n"):
        try:
            item = json.loads(line)
        except ValueError:  # UnicodeDecodeError is one too
            continue
        if isinstance(item, dict):
            found.append(item)
    return found
