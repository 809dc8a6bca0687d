"""The job card of a run: complaint, found, fitted, minutes, photographs. Entries are added, none is ever changed.

A later entry's text stands for an earlier one of the same field; parts fitted, minutes and photographs add up. A
customer's name is there only if somebody entered it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchtest.archive.annex import JOB_CARD, annexes, is_finished, new_annex
from benchtest.archive.durable import iso_utc, json_page, plain
from benchtest.archive.names import plain_name
from benchtest.archive.run import Run
from benchtest.errors import FileError

PICTURES = {".jpg": b"\xff\xd8\xff", ".jpeg": b"\xff\xd8\xff", ".png": b"\x89PNG\r\n\x1a\n", ".webp": b"RIFF"}
"""Endings of photographs and how such a file begins."""
LARGEST_PICTURE = 20_000_000  # bytes
LONGEST_TEXT = 4000  # characters of a field
MOST_MINUTES = 100_000


@dataclass(frozen=True)
class JobCard:
    """Everything that was entered for a run. photographs are paths; entries says how many times something was entered.

    by is who did the work; safety_test is who did the electrical safety test and with what, "" where nobody said so;
    terms are the workshop's own words on the owner's page.
    """

    complaint: str = ""
    found: str = ""
    fitted: tuple[str, ...] = ()
    minutes: float = 0.0
    photographs: tuple[Path, ...] = ()
    customer: str = ""
    by: str = ""
    safety_test: str = ""
    lowest_load: str = ""
    ventilation: str = ""
    terms: str = ""
    entries: int = 0
    remarks: tuple[str, ...] = field(default=())

    def as_dict(self) -> dict[str, Any]:
        return dict(plain(asdict(self)))


TEXTS = tuple(f.name for f in fields(JobCard) if f.type == "str")


def read_card(run: Run) -> JobCard:
    """The job card of a run; an empty one where nothing was entered. An entry that cannot be read is told in remarks."""
    card = JobCard()
    for folder in annexes(run.folder, JOB_CARD):
        if not is_finished(folder):
            card = replace(card, remarks=(*card.remarks, f"{folder.name} was never finished and is left out"))
            continue
        try:
            entry = json.loads((folder / "card.json").read_bytes())
            card = _joined(card, entry, folder)
        except (OSError, ValueError, TypeError, AttributeError, KeyError) as error:
            card = replace(card, remarks=(*card.remarks, f"{folder.name} cannot be read ({error}) and is left out"))
    return card


def add_entry(
    run: Run,
    *,
    texts: Mapping[str, str],
    fitted: Sequence[str] = (),
    minutes: float = 0.0,
    photographs: Sequence[Path] = (),
    now: datetime | None = None,
) -> Path:
    """Add to a run's job card; returns the entry's folder. ``texts`` are the fields of TEXTS. Raises FileError."""
    given = {name: text.strip() for name, text in texts.items() if text.strip()}
    parts = [text.strip() for text in fitted if text.strip()]
    if unknown := set(given) - set(TEXTS):
        raise ValueError(f"a job card has no {sorted(unknown)}; expected some of {TEXTS}")
    for name, text in (*given.items(), *(("fitted", part) for part in parts)):
        if len(text) > LONGEST_TEXT:
            raise FileError(f"{name}: {len(text)} characters. Expected at most {LONGEST_TEXT}; shorten it.")
    if not 0 <= minutes <= MOST_MINUTES:
        raise FileError(f"minutes = {minutes}. Expected 0 to {MOST_MINUTES}; write the minutes of this entry only.")
    if not (given or parts or minutes or photographs):
        raise FileError("nothing to enter. Expected a complaint, what was found or fitted, minutes or a photograph.")
    moment = now or datetime.now(UTC)
    files: dict[str, bytes] = {}
    for number, path in enumerate(photographs, 1):
        files[f"{number:02d}-{plain_name(path.stem, otherwise='photograph')}{path.suffix.lower()}"] = _picture(path)
    page = {
        "format_version": 1,
        "run_id": run.run_id,
        "entered_utc": iso_utc(moment),
        **given,
        "fitted": parts,
        "minutes": minutes,
        "photographs": list(files),
    }
    return new_annex(run.folder, JOB_CARD, {**files, "card.json": json_page(page)}, now=moment)


def _joined(card: JobCard, entry: Mapping[str, Any], folder: Path) -> JobCard:
    texts = {name: str(entry[name]) for name in TEXTS if entry.get(name)}
    pictures = tuple(folder / Path(str(name)).name for name in entry.get("photographs") or ())
    return replace(
        card,
        **texts,  # type: ignore[arg-type]
        fitted=card.fitted + tuple(map(str, entry.get("fitted") or ())),
        minutes=card.minutes + float(entry.get("minutes") or 0.0),
        photographs=card.photographs + tuple(path for path in pictures if path.is_file()),
        entries=card.entries + 1,
    )


def _picture(path: Path) -> bytes:
    """The bytes of a photograph. Raises FileError for a file that is none."""
    start = PICTURES.get(path.suffix.lower())
    try:
        data = path.read_bytes() if start is not None and path.stat().st_size <= LARGEST_PICTURE else b""
    except OSError as error:
        raise FileError(f"{path}: cannot be read ({error.strerror}). Expected a photograph.") from error
    if start is None or not data.startswith(start):
        raise FileError(
            f"{path}: is no photograph. Expected {', '.join(PICTURES)} with such content and at most "
            f"{LARGEST_PICTURE // 1_000_000} MB. Save it as one of these."
        )
    return data
