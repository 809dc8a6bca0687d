"""One run folder, read back. Without a manifest it is unfinished, whatever its run.json says."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from benchtest.archive.curves import Curve, read_curve
from benchtest.archive.manifest import MANIFEST, ManifestCheck, check_manifest
from benchtest.archive.names import run_id_of
from benchtest.archive.table_reading import Row, Table, read_json_lines, read_table
from benchtest.archive.waveforms import Waveform, read_waveform
from benchtest.archive.writer import FORMAT_VERSION
from benchtest.errors import FileError

FINISHED, UNFINISHED, ALTERED, UNREADABLE = "finished", "unfinished", "altered", "unreadable"

DATE_FOLDER = re.compile(r"\d{4}-\d\d-\d\d")
RUN_FOLDER = re.compile(r"(\d{2})(\d{2})(\d{2})-.+-[0-9a-f]{6}")


@dataclass(frozen=True)
class RunSummary:
    """A line of the log. result is "unfinished" where the run was never closed; started_utc is ISO 8601."""

    run_id: str
    folder: Path
    state: str
    result: str
    exit_status: int | None
    procedure: str
    amplifier: str
    serial_number: str
    started_utc: str
    simulated: bool
    readings_count: int | None
    bench_seconds: float | None
    remark: str = ""

    def as_dict(self) -> dict[str, Any]:
        return {**asdict(self), "folder": str(self.folder)}


class Run:
    """A run folder. Nothing is read before it is asked for."""

    def __init__(self, folder: Path) -> None:
        self.folder = Path(folder)

    @cached_property
    def summary(self) -> dict[str, Any]:
        """What run.json holds, ``folder`` being where it lies now. A run killed before it had a run.json is described
        by its folder's name. Raises FileError if run.json is broken or from a newer version of the program."""
        path = self.folder / "run.json"
        try:
            page = json.loads(path.read_bytes())
        except FileNotFoundError:
            page = self._from_name()
        except (OSError, ValueError) as error:
            raise FileError(
                f"{path}: cannot be read ({error}). Expected the JSON that a run writes; "
                "the readings beside it may be whole."
            ) from error
        if not isinstance(page, dict):
            raise FileError(f"{path}: holds no JSON object. Expected what a run writes.")
        version = page.get("format_version", FORMAT_VERSION)
        if not isinstance(version, int) or version > FORMAT_VERSION:
            raise FileError(
                f"{path}: format_version {version!r}. This program reads run folders up to version {FORMAT_VERSION}. "
                "Use the newer program that wrote it; the folder is left as it is."
            )
        page["folder"] = str(self.folder)
        page.setdefault("run_id", run_id_of(self.folder.parent.name, self.folder.name))
        if not self.closed:
            page["result"] = UNFINISHED
        return page

    @property
    def run_id(self) -> str:
        return str(self.summary["run_id"])

    @property
    def closed(self) -> bool:
        return (self.folder / MANIFEST).is_file()

    @cached_property
    def check(self) -> ManifestCheck | None:
        """What differs from the manifest (every file is read); None where there is no manifest. Raises FileError."""
        return check_manifest(self.folder) if self.closed else None

    @property
    def state(self) -> str:
        """finished, unfinished or altered (a file is not what it was when the run was closed)."""
        try:
            check = self.check
        except FileError:
            return ALTERED
        if check is None:
            return UNFINISHED
        return FINISHED if check.intact else ALTERED

    @cached_property
    def table(self) -> Table:
        """readings.csv with remarks on how it had to be read. Raises FileError."""
        path = self.folder / "readings.csv"
        if not self.closed and not path.exists():
            return Table([])
        return read_table(path, closed=self.closed)

    def rows(self) -> list[Row]:
        """The readings as ``as_row`` gave them, time_utc as datetime. Raises FileError."""
        return self.table.rows

    def events(self) -> list[dict[str, Any]]:
        """Everything that happened, in order."""
        return read_json_lines(self.folder / "events.jsonl")

    def curves(self) -> dict[str, Curve]:
        """The curves by name; one that cannot be read is left out (``state`` says that the run was altered)."""
        found = {}
        for path in sorted((self.folder / "curves").glob("*.csv")):
            try:
                found[path.stem] = read_curve(path)
            except FileError:
                continue
        return found

    def captures(self) -> list[dict[str, Any]]:
        """The lines of captures/index.jsonl: name, file, sample_rate, volts_per_full_scale, meta."""
        return read_json_lines(self.folder / "captures" / "index.jsonl")

    def waveform(self, capture: dict[str, Any]) -> Waveform:
        """The samples of one of ``captures()``, in volts. Raises FileError, also for a file of another length."""
        path = self.folder / "captures" / Path(str(capture.get("file", ""))).name
        found = read_waveform(path, float(capture["volts_per_full_scale"]))
        if found.sample_rate != capture["sample_rate"] or found.samples.shape[0] != capture["frames"]:
            raise FileError(
                f"{path}: {found.samples.shape[0]} frames at {found.sample_rate} Hz. Expected {capture['frames']} at "
                f"{capture['sample_rate']} Hz, as captures/index.jsonl says: the file was replaced. "
                "Restore it from a copy."
            )
        return found

    def brief(self) -> RunSummary:
        """The run as a line of the log; it is not hashed for that, so never "altered"."""
        try:
            page, remark = self.summary, ""
        except FileError as error:
            page, remark = self._from_name(), str(error)
        about = amplifier_identity(page)
        closed = self.closed
        return RunSummary(
            run_id=str(page.get("run_id") or run_id_of(self.folder.parent.name, self.folder.name)),
            folder=self.folder,
            state=UNREADABLE if remark else FINISHED if closed else UNFINISHED,
            result=UNREADABLE if remark else str(page.get("result") or "") if closed else UNFINISHED,
            exit_status=_integer(page.get("exit_status")),
            procedure=str(page.get("procedure") or ""),
            amplifier=str(about.get("name") or ""),
            serial_number=str(about.get("serial") or ""),
            started_utc=str(page.get("started_utc") or ""),
            simulated=page.get("simulated") is not False,
            readings_count=_integer(page.get("readings_count")),
            bench_seconds=_number(page.get("bench_seconds")),
            remark=remark,
        )

    def _from_name(self) -> dict[str, Any]:
        """What the folder's own name says of a run."""
        date, name = self.folder.parent.name, self.folder.name
        page: dict[str, Any] = {"run_id": run_id_of(date, name)}
        match = RUN_FOLDER.fullmatch(name)
        if match and DATE_FOLDER.fullmatch(date):
            page["started_utc"] = f"{date}T{match[1]}:{match[2]}:{match[3]}.000Z"
            page["procedure"] = name[7:-7].split("-")[0]
        return page


def amplifier_identity(page: Mapping[str, Any]) -> dict[str, Any]:
    """What run.json says of the set itself (name, serial, rating, ...), whether the amplifier file was kept whole, as
    its section, or as a name."""
    found = page.get("amplifier")
    if isinstance(found, dict) and isinstance(found.get("amplifier"), dict):
        found = found["amplifier"]
    return found if isinstance(found, dict) else {"name": found or ""}


def _integer(value: Any) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
