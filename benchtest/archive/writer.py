"""Writing one run: the folder is there at once, every reading is on the disk before it is shown, the manifest is last.

Whatever ends the process, the folder can be read; without its manifest it reads as unfinished.
"""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchtest.archive.durable import (
    LineFile,
    iso_utc,
    json_line,
    json_page,
    plain,
    refusal,
    sync_folder,
    write_whole,
)
from benchtest.archive.manifest import MANIFEST, manifest_text
from benchtest.archive.names import folder_parts, plain_name, run_id_of, utc
from benchtest.archive.table import Column, csvw, encode_line, encode_row, header_line, readings_description
from benchtest.archive.waveforms import write_waveform
from benchtest.errors import FileError

if TYPE_CHECKING:
    from benchtest.instruments.protocols import FloatArray

FORMAT_VERSION = 1
"""Of the run folder, not of the program. Raise it when an older reader would misunderstand a new folder."""


class RunWriter:
    """A run that is being recorded. Make it with ``create``; end it with ``close`` (finished) or ``abandon``."""

    def __init__(self, folder: Path, run_id: str, header: Mapping[str, Any]) -> None:
        self.folder = folder
        self.run_id = run_id
        self._header = dict(header)
        self._lock = threading.RLock()  # the DC watch reports from a thread of its own
        self._captures = 0
        self._readings = 0
        self._closed = False
        write_whole(folder / "run.json", json_page(self._header))
        write_whole(folder / "readings.csv-metadata.json", json_page(readings_description(run_id)))
        self._rows = LineFile(folder / "readings.csv")
        self._rows.append(header_line(), sync=True)
        self._events = LineFile(folder / "events.jsonl")
        self._index: LineFile | None = None
        sync_folder(folder)

    @classmethod
    def create(
        cls,
        archive: Path,
        *,
        procedure: str,
        amplifier_name: str,
        started_utc: datetime,
        header: Mapping[str, Any],
    ) -> RunWriter:
        """Make the run's folder in ``archive``. Raises FileError if that cannot be, ValueError for a time without zone.

        header holds what is known before the first reading (bench, amplifier, software, ...); ``result`` stays null
        until the run is closed.
        """
        started = utc(started_utc)
        for attempt in range(20):
            date, name = folder_parts(procedure, amplifier_name, started)
            folder = Path(archive) / date / name
            try:
                folder.parent.mkdir(parents=True, exist_ok=True)
                folder.mkdir()
                break
            except FileExistsError as error:
                if attempt == 19 or not folder.is_dir():  # something that is no folder stands in the way
                    raise refusal(error, folder, "making the run's folder") from error
            except OSError as error:
                raise refusal(error, folder, "making the run's folder") from error
        sync_folder(folder.parent)
        run_id = run_id_of(date, name)
        page = {
            "format_version": FORMAT_VERSION,
            "run_id": run_id,
            "procedure": procedure,
            "result": None,
            "exit_status": None,
            "folder": str(folder),
            "started_utc": iso_utc(started),
            **{key: value for key, value in header.items() if key not in ("format_version", "run_id", "folder")},
        }
        return cls(folder, run_id, page)

    @property
    def readings_count(self) -> int:
        """Rows that are on the disk."""
        return self._readings

    def append_reading(self, row: Mapping[str, Any]) -> None:
        """Record a row as ``benchtest.reading.as_row`` gives it. When this returns it is on the disk, with every event
        before it. Raises FileError (the file is then as it was before), ValueError for a row that is none."""
        line = encode_row(row)
        with self._lock:
            self._still_open()
            self._rows.append(line, sync=True)
            self._readings += 1
            self._events.sync()

    def append_event(self, event: Mapping[str, Any]) -> None:
        """Record something that happened. Raises FileError."""
        line = json_line(event)
        with self._lock:
            self._still_open()
            self._events.append(line, sync=False)

    def save_capture(
        self,
        name: str,
        samples: FloatArray,
        sample_rate: int,
        *,
        volts_per_full_scale: float,
        meta: Mapping[str, Any] | None = None,
    ) -> Path:
        """Keep a waveform: ``samples`` (frames, channels) in volts. The scale is doubled where the peak would clip.
        Raises FileError, ValueError for samples that are no waveform."""
        with self._lock:
            self._still_open()
            where = self._subfolder("captures")
            self._captures += 1
            path, entry = write_waveform(
                where / f"{self._captures:03d}-{plain_name(name, otherwise='capture')}",
                samples,
                sample_rate,
                volts_per_full_scale=volts_per_full_scale,
                meta=meta or {},
            )
            if self._index is None:
                self._index = LineFile(where / "index.jsonl")
            self._index.append(json_line({"name": name, **entry}), sync=False)
            return path

    def save_curve(
        self,
        name: str,
        columns: Mapping[str, FloatArray],
        *,
        units: Mapping[str, str],
        title: str,
        meta: Mapping[str, Any] | None = None,
    ) -> Path:
        """Keep a curve as curves/<name>.csv with its description beside it. A second one of a name gets "-2".

        Nine significant digits: more than any converter gives. Raises FileError, ValueError for columns of different
        lengths or a column without a unit.
        """
        lengths = {key: len(values) for key, values in columns.items()}
        if len(set(lengths.values())) != 1 or min(lengths.values()) == 0:
            raise ValueError(f"curve {name}: columns of lengths {lengths}; expected equal ones above 0")
        if unknown := set(columns) - set(units):
            raise ValueError(f"curve {name}: no unit for {sorted(unknown)}; expected one for each column")
        described = [Column(key, "number", key.replace("_", " "), unit=units[key]) for key in columns]
        with self._lock:
            self._still_open()
            where = self._subfolder("curves")
            stem = plain_name(name, otherwise="curve")
            path, count = where / f"{stem}.csv", 1
            while path.exists():
                count += 1
                path = where / f"{stem}-{count}.csv"
            page = csvw(path.name, title, described, **{"schema:additionalProperty": _as_properties(meta or {})})
            # The description first: a curve that is there can always be understood.
            write_whole(where / f"{path.name}-metadata.json", json_page(page), sync=False)
            write_whole(path, encode_line(list(columns)) + _numbers(columns), sync=False)
            return path

    def close(self, run: Mapping[str, Any]) -> None:
        """Finish the run: run.json replaced by ``run`` over the header, then the manifest, last. A second call does
        nothing. Raises FileError, and then the folder stays unfinished."""
        with self._lock:
            if self._closed:
                return
            self.abandon()
            fixed = {key: self._header[key] for key in ("format_version", "run_id", "folder")}
            page = {**self._header, "readings_count": self._readings, **run, **fixed}
            for sub in ("captures", "curves"):
                _sync_files(self.folder / sub)
            write_whole(self.folder / "run.json", json_page(page))
            try:
                text = manifest_text(self.folder)
            except OSError as error:
                raise refusal(error, self.folder / MANIFEST, "reading the run back for the manifest") from error
            write_whole(self.folder / MANIFEST, text.encode())

    def abandon(self) -> None:
        """Let go of the files without finishing; the run stays readable and unfinished. Raises FileError."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            try:
                self._rows.sync()
                self._events.sync()
            finally:
                for file in (self._rows, self._events, self._index):
                    if file is not None:
                        file.close()

    def _still_open(self) -> None:
        if self._closed:
            raise FileError(f"{self.folder}: the run is closed; nothing can be added. Start a new run.")

    def _subfolder(self, name: str) -> Path:
        path = self.folder / name
        try:
            path.mkdir(exist_ok=True)
        except OSError as error:
            raise refusal(error, path, "making a folder") from error
        return path


def _as_properties(meta: Mapping[str, Any]) -> list[dict[str, Any]]:
    """``meta`` in a form that CSVW allows beside its own keys (schema.org's PropertyValue)."""
    flat = {key: json.dumps(item) if isinstance(item, dict | list) else item for key, item in plain(meta).items()}
    return [{"@type": "schema:PropertyValue", "schema:name": key, "schema:value": item} for key, item in flat.items()]


def _numbers(columns: Mapping[str, FloatArray]) -> bytes:
    rows = zip(*(values.tolist() for values in columns.values()), strict=True)
    pattern = ",".join(["%.9g"] * len(columns)) + "\r\n"
    text = "".join([pattern % row for row in rows])
    return text.replace("nan", "NaN").replace("inf", "INF").encode()


def _sync_files(folder: Path) -> None:
    if not folder.is_dir():
        return
    for path in folder.iterdir():
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        except OSError as error:
            raise refusal(error, path, "writing to the disk") from error
        finally:
            os.close(handle)
    sync_folder(folder)
