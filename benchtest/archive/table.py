"""readings.csv: its columns, how a value is written and read back, and its description after W3C CSVW.

RFC 4180: comma, CRLF, quotes doubled, one header row; UTF-8. Numbers are written so that they read back exactly.
A text that a spreadsheet would run as a formula gets one apostrophe in front (`decode_text` takes it off again).

References: RFC 4180; W3C, Metadata Vocabulary for Tabular Data, Recommendation 17 December 2015.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from benchtest.archive.durable import iso_utc
from benchtest.reading import CHANNELS, COLUMNS, ClaimVerdict, Verdict

CSVW_CONTEXT = ["http://www.w3.org/ns/csvw", {"@language": "en"}]
DIALECT = {
    "delimiter": ",",
    "quoteChar": '"',
    "doubleQuote": True,
    "lineTerminators": ["\r\n"],
    "header": True,
    "headerRowCount": 1,
    "encoding": "utf-8",
    "commentPrefix": None,
}


@dataclass(frozen=True)
class Column:
    """kind is text, number, integer, flag, time or json; pattern lists the words that a text may be."""

    name: str
    kind: str
    meaning: str
    unit: str = ""
    pattern: str = ""
    required: bool = False


def _words(words: Iterable[Any]) -> str:
    return "|".join(str(word) for word in words)


READING_COLUMNS = (
    Column("run_id", "text", "The run; the folder's date and name.", required=True),
    Column("sequence", "integer", "Order in which the readings were taken.", required=True),
    Column("time_utc", "time", "Start of the run plus the bench's clock.", required=True),
    Column("procedure", "text", "The procedure that was followed."),
    Column("step", "text", "The step of the procedure."),
    Column("quantity", "text", "What was measured, by the trade's name.", required=True),
    Column("channel", "text", "Channel of the amplifier.", pattern=_words(CHANNELS), required=True),
    Column("value", "number", "The measured value, in the unit of column unit; empty where nothing was measured."),
    Column("unit", "text", "Unit of value, expanded_uncertainty, the limits and the claim."),
    Column("expanded_uncertainty", "number", "Half-width of the interval, in the unit of column unit."),
    Column("coverage_factor", "number", "Expanded over standard uncertainty (k).", unit="1"),
    Column("lower_limit", "number", "Serviceable from here, in the unit of column unit."),
    Column("upper_limit", "number", "Serviceable to here, in the unit of column unit."),
    Column("verdict", "text", "Serviceable for its age; this decides.", pattern=_words(Verdict), required=True),
    Column("claim", "number", "The maker's figure, in the unit of column unit."),
    Column("claim_verdict", "text", "Against the maker's figure.", pattern=_words(ClaimVerdict)),
    Column("method", "text", "How it was measured."),
    Column("frequency_hz", "number", "Frequency of the test signal.", unit="Hz"),
    Column("level", "number", "Input or output level at which the reading was taken, in level_unit."),
    Column("level_unit", "text", "Unit of level."),
    Column("load_ohm", "number", "Resistance of the load as measured.", unit="ohm"),
    Column("bandwidth_hz", "text", "Band of the measurement, low:high.", unit="Hz"),
    Column("conditions", "json", "Further conditions: volume position, source input, lamp, channels driven."),
    Column("simulated", "flag", "True where a simulated bench gave the reading.", required=True),
    Column("note", "text", "What a person should know about the reading."),
)
KIND = {column.name: column.kind for column in READING_COLUMNS}

_DATATYPE: dict[str, Any] = {
    "text": "string",
    "number": "double",
    "integer": "integer",
    "flag": {"base": "boolean", "format": "true|false"},
    "time": "dateTime",
    "json": "json",
}
_FORMULA = re.compile(r"'*[=+\-@\t\r\n]")
_GUARDED = re.compile(r"'+[=+\-@\t\r\n]")


def encode_text(text: str) -> str:
    """Text for a cell: no formula for a spreadsheet, nothing that UTF-8 cannot hold, no NUL.

    >>> encode_text('=HYPERLINK("x")'), decode_text(encode_text("=1+1"))
    ('\\'=HYPERLINK("x")', '=1+1')
    """
    sound = text.encode("utf-8", "backslashreplace").decode().replace("\x00", "\\x00")
    return "'" + sound if _FORMULA.match(sound) else sound


def decode_text(cell: str) -> str:
    return cell[1:] if _GUARDED.match(cell) else cell


def encode_number(value: float) -> str:
    """The shortest text that reads back as the same number; NaN, INF and -INF as CSVW spells them.

    >>> encode_number(0.1), encode_number(5), encode_number(float("-inf"))
    ('0.1', '5', '-INF')
    """
    if isinstance(value, int):
        return str(value)
    text = repr(float(value))
    return {"nan": "NaN", "inf": "INF", "-inf": "-INF"}.get(text, text)


def encode_cell(value: Any, kind: str) -> str:
    """One cell. Raises ValueError for a value that is not of its column's kind."""
    if value is None:
        return ""
    if kind == "flag":
        if not isinstance(value, bool | int) and type(value).__name__ != "bool":  # numpy's bool is welcome
            raise ValueError(f"expected True or False, found {value!r}")
        return "true" if value else "false"
    if kind in ("number", "integer"):
        number = value.item() if hasattr(value, "item") else value
        if isinstance(number, bool) or not isinstance(number, int if kind == "integer" else int | float):
            raise ValueError(f"expected a number, found {value!r}")
        return encode_number(number)
    if kind == "time" and isinstance(value, datetime):
        return iso_utc(value)
    return encode_text(str(value))


def encode_row(row: Mapping[str, Any]) -> bytes:
    """A row of readings.csv as its line. Raises ValueError if the columns or a value's kind are wrong."""
    if set(row) != set(COLUMNS):
        wrong = sorted(set(row) ^ set(COLUMNS))
        raise ValueError(f"a row of readings.csv has the columns of benchtest.reading.COLUMNS; wrong: {wrong}")
    cells = []
    for column in READING_COLUMNS:
        try:
            cells.append(encode_cell(row[column.name], column.kind))
        except ValueError as error:
            raise ValueError(f"column {column.name}: {error}") from None
    return encode_line(cells)


def encode_line(cells: Sequence[str]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerow(cells)
    return text.getvalue().encode("utf-8", "backslashreplace")


def header_line() -> bytes:
    return encode_line(COLUMNS)


def csvw(url: str, title: str, columns: Sequence[Column], **more: Any) -> dict[str, Any]:
    """The CSVW description of one table. ``more`` holds further properties (prefixed names, as CSVW demands)."""
    return {
        "@context": CSVW_CONTEXT,
        "url": url,
        "dc:title": title,
        **more,
        "dialect": DIALECT,
        "tableSchema": {"columns": [_describe(column) for column in columns]},
    }


def readings_description(run_id: str) -> dict[str, Any]:
    """readings.csv-metadata.json."""
    page = csvw("readings.csv", f"Readings of run {run_id}", READING_COLUMNS)
    page["tableSchema"]["primaryKey"] = ["run_id", "sequence"]
    return page


def _describe(column: Column) -> dict[str, Any]:
    datatype = {"base": "string", "format": column.pattern} if column.pattern else _DATATYPE[column.kind]
    page: dict[str, Any] = {
        "name": column.name,
        "titles": column.name,
        "datatype": datatype,
        "dc:description": column.meaning,
    }
    if column.unit:
        page["schema:unitText"] = column.unit
    if column.required:
        page["required"] = True
    return page
