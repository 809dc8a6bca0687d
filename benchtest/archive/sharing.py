"""One run copied to another archive: as it is, or without what names a person, a workshop or a single set.

The anonymous copy is a new run with an id and a manifest of its own. Only what is known to be harmless is copied from
run.json; job cards, photographs and answers that a person typed stay behind; names that are known (serial number,
customer, bench, instruments' serial numbers) are struck out wherever they stand in a text.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchtest.archive.durable import json_line, json_page, refusal, write_whole
from benchtest.archive.export import refuse_existing
from benchtest.archive.job_card import read_card
from benchtest.archive.run import Run, amplifier_identity
from benchtest.archive.table_reading import read_json_lines
from benchtest.archive.writer import RunWriter
from benchtest.errors import FileError

STRUCK_OUT = "[removed]"
KEPT = (
    "procedure", "title", "simulated", "result", "exit_status", "stop", "error", "bench_seconds", "wall_seconds",
    "signal_seconds", "settling_seconds",
    "wall_over_signal_and_settling", "readings_count", "not_decided", "diagnosis", "ending", "started_utc",
    "ended_utc",
)  # fmt: skip
"""Keys of run.json that are copied as they are."""
KEPT_OF_BENCH = ("mains_voltage", "mains_frequency", "simulated", "load_ohm", "load_measured", "seed")
KEPT_OF_SOFTWARE = ("benchtest", "numpy", "scipy", "pyvisa", "sounddevice", "python")
LEFT_OUT_OF_SET = ("serial", "remarks")
LEFT_OUT_OF_EVENTS = ("folder", "answer", "resource", "address")
SHORTEST_NAME = 3  # characters; a shorter text would be struck out of innocent words


def copy_run(run: Run, archive: Path) -> Path:
    """The run's folder, byte for byte, in another archive. Raises FileError."""
    folder = archive / run.folder.parent.name / run.folder.name
    refuse_existing(folder)
    try:
        shutil.copytree(run.folder, folder)
    except (OSError, shutil.Error) as error:
        raise FileError(
            f"{folder}: copying the run failed ({error}). Expected a folder in which you may write."
        ) from error
    return folder


def copy_anonymous(run: Run, archive: Path) -> Path:
    """The run without what names anybody, as a run of its own in ``archive``. Raises FileError."""
    summary, rows, events = run.summary, run.rows(), run.events()
    struck = names_in(run)
    page = {key: summary[key] for key in KEPT if key in summary}
    page["anonymous"] = True
    page["amplifier"] = _set_of(summary)
    page["bench"] = {"name": "", **_part(summary.get("bench"), KEPT_OF_BENCH)}
    page["software"] = _part(summary.get("software"), KEPT_OF_SOFTWARE)
    page["calibration"] = {**_mapping(summary.get("calibration")), "path": "", "meter": "", "sound_card": ""}
    page["instruments"] = list(_instruments(summary.get("instruments")))
    writer = RunWriter.create(
        archive,
        procedure=str(summary.get("procedure") or "run"),
        amplifier_name=struck(str(amplifier_identity(page).get("name") or "")),
        started_utc=_start(summary),
        header=_struck(page, struck),
    )

    def clean(value: Any) -> Any:
        return _struck(value, lambda text: struck(text.replace(run.run_id, writer.run_id)))

    try:
        for row in rows:
            writer.append_reading(clean(row))
        for event in events:
            writer.append_event(clean({k: v for k, v in event.items() if k not in LEFT_OUT_OF_EVENTS}))
        _copy_measured(run.folder, writer.folder, clean)
    except OSError as error:
        writer.abandon()
        raise refusal(error, writer.folder, "copying the run") from error
    if run.closed:
        writer.close(_struck(page, struck))
    else:
        writer.abandon()
    return writer.folder


def names_in(run: Run) -> Callable[[str], str]:
    """A function that strikes out of a text every name that this run is known to hold."""
    summary = run.summary
    identity = amplifier_identity(summary)
    found = {str(identity.get(key) or "") for key in LEFT_OUT_OF_SET} | {str(Path.home())}
    card = read_card(run)
    found |= {card.customer, card.by, card.safety_test}
    if not summary.get("simulated"):
        bench, calibration = _mapping(summary.get("bench")), _mapping(summary.get("calibration"))
        found |= {str(value or "") for value in (bench.get("name"), bench.get("file"), calibration.get("path"))}
        for item in _items(summary.get("instruments")):
            identity_text = str(item.get("identity") or "")
            found |= {identity_text, str(item.get("name") or ""), _serial_in(identity_text)}
    names = sorted((name for name in found if len(name) >= SHORTEST_NAME), key=len, reverse=True)
    if not names:
        return lambda text: text
    pattern = re.compile("|".join(rf"(?<!\w){re.escape(name)}(?!\w)" for name in names), re.IGNORECASE)
    return lambda text: pattern.sub(STRUCK_OUT, text)


def _set_of(summary: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in amplifier_identity(summary).items() if key not in LEFT_OUT_OF_SET}


def _instruments(value: Any) -> Iterator[dict[str, Any]]:
    """The instruments by kind, make and type; never by the name that a person gave them or their serial number."""
    for number, item in enumerate(_items(value), 1):
        parts = str(item.get("identity") or "").split(",")
        kept = f"{parts[0]},{parts[1]},-,{parts[3]}" if len(parts) == 4 else ""
        yield {"name": f"instrument {number}", "kind": item.get("kind"), "identity": kept}


def _serial_in(identity: str) -> str:
    """The serial number in a reply to *IDN? (IEEE 488.2, 10.14: maker, type, serial number, firmware)."""
    parts = identity.split(",")
    return parts[2].strip() if len(parts) == 4 else ""


def _copy_measured(source: Path, target: Path, clean: Callable[[Any], Any]) -> None:
    """Captures and curves as they are, what describes them cleaned."""
    import json

    for path in sorted((source / "captures").glob("*")):
        if path.suffix in (".flac", ".wav"):
            (target / "captures").mkdir(exist_ok=True)
            shutil.copyfile(path, target / "captures" / path.name)
    if lines := read_json_lines(source / "captures" / "index.jsonl"):
        (target / "captures").mkdir(exist_ok=True)
        write_whole(target / "captures" / "index.jsonl", b"".join(json_line(clean(line)) for line in lines))
    for path in sorted((source / "curves").glob("*.csv*")):
        (target / "curves").mkdir(exist_ok=True)
        if path.suffix == ".csv":
            shutil.copyfile(path, target / "curves" / path.name)
            continue
        try:
            page = json.loads(path.read_bytes())
        except ValueError:
            continue  # a description that is none is not shared
        write_whole(target / "curves" / path.name, json_page(clean(page)))


def _struck(value: Any, strike: Callable[[str], str]) -> Any:
    if isinstance(value, str):
        return strike(value)
    if isinstance(value, Mapping):
        return {key: _struck(item, strike) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_struck(item, strike) for item in value]
    return value


def _part(value: Any, keys: tuple[str, ...]) -> dict[str, Any]:
    return {key: item for key, item in _mapping(value).items() if key in keys}


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _items(value: Any) -> Iterator[Mapping[str, Any]]:
    for item in value if isinstance(value, list) else []:
        if isinstance(item, Mapping):
            yield item


def _start(summary: Mapping[str, Any]) -> datetime:
    try:
        found = datetime.fromisoformat(str(summary.get("started_utc")))
    except ValueError:
        return datetime.now(UTC)
    return found if found.tzinfo else found.replace(tzinfo=UTC)
