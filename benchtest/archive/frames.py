"""The readings of many runs as one tidy pandas table, with the types that readings.csv-metadata.json states."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchtest.archive.run import Run
from benchtest.archive.table import READING_COLUMNS, decode_text, encode_row, header_line
from benchtest.archive.table_reading import parse_table
from benchtest.errors import FileError

if TYPE_CHECKING:
    import pandas as pd

ABOUT_THE_RUN = ("amplifier", "serial_number", "state")
"""Columns that a table of many runs has beside those of readings.csv."""


def readings_frame(runs: Iterable[Run]) -> pd.DataFrame:
    """One row per reading, in the order of ``runs``: the columns of readings.csv, then amplifier, serial_number, state.

    Texts are strings ("" where empty), numbers float64 (NaN where empty), sequence int64, simulated bool, time_utc
    datetime64 in UTC. Raises FileError with the path where a readings.csv cannot be read,
    and where two folders hold one run.
    """
    import pandas as pd

    header = header_line()
    bodies, counts, about = [header], [], []
    for run in without_doubles(runs):
        body = body_of(run, header)
        line = run.brief()
        bodies.append(body)
        counts.append(records_in(body))
        about.append((line.amplifier, line.serial_number, line.state))
    kinds = {column.name: column.kind for column in READING_COLUMNS}
    texts = [name for name, kind in kinds.items() if kind in ("text", "json")]
    numbers = [name for name, kind in kinds.items() if kind == "number"]
    types: dict[str, Any] = dict.fromkeys(texts, "str") | dict.fromkeys(numbers, "float64")
    # Before version 3 pandas rounded the last digit unless told not to; since then it is exact, and says so if told.
    exact: dict[str, Any] = {"float_precision": "round_trip"} if int(pd.__version__.split(".")[0]) < 3 else {}
    frame: pd.DataFrame = pd.read_csv(
        io.BytesIO(b"".join(bodies)),
        dtype=types | {"sequence": "int64", "time_utc": "str", "simulated": "str"},
        keep_default_na=False,
        na_values={name: ["", "NaN"] for name in numbers},
        **exact,
    )
    frame["time_utc"] = pd.to_datetime(frame["time_utc"], utc=True, format="ISO8601")
    frame["simulated"] = frame["simulated"] == "true"
    for name in texts:
        guarded = frame[name].str.startswith("'")
        if guarded.any():
            frame.loc[guarded, name] = frame.loc[guarded, name].map(decode_text)
    for position, name in enumerate(ABOUT_THE_RUN):
        column = pd.Series([values[position] for values in about], dtype="str")
        frame[name] = column.repeat(counts).to_numpy()
        frame[name] = frame[name].astype("str")
    return frame


def without_doubles(runs: Iterable[Run]) -> Iterator[Run]:
    """``runs`` as they are. Raises FileError at the second folder of one run id: its readings would count twice."""
    seen: dict[str, Path] = {}
    for run in runs:
        run_id = run.brief().run_id
        if run_id in seen:
            raise FileError(
                f"{seen[run_id]} and {run.folder} both say that they are run {run_id}. Expected one folder for each run, "
                "or its readings would count twice. Move one of them out of the archive."
            )
        seen[run_id] = run.folder
        yield run


def body_of(run: Run, header: bytes) -> bytes:
    """The rows of a run as lines of a readings.csv; as they are where the file is whole, else read and written anew."""
    path = run.folder / "readings.csv"
    if path.is_file():
        data = path.read_bytes()
        if data.startswith(header) and data.endswith(b"\r\n") and data.count(b'"') % 2 == 0:
            return data[len(header) :]
        return b"".join(encode_row(row) for row in parse_table(data, str(path), closed=run.closed).rows)
    return b"".join(encode_row(row) for row in run.rows())


def records_in(body: bytes) -> int:
    """How many records ``body`` holds; a line break inside quotes ends none."""
    if b'"' not in body:
        return body.count(b"\r\n")
    outside = body.split(b'"')[::2]  # quotes are doubled inside quotes, so every second piece is outside
    return sum(piece.count(b"\r\n") for piece in outside)
