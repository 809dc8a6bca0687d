"""The record of cases played: each a run in the archive, marked as training; and a trainee's progress over time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchtest.archive import RunWriter
from benchtest.archive import open as open_archive
from benchtest.training.lessons import CaseToPlay
from benchtest.training.marking import Mark
from benchtest.training.session import Session


@dataclass(frozen=True)
class Played:
    """One case of a trainee, as the archive holds it."""

    started_utc: str
    trainee: str
    title: str
    level: str
    score: int
    right: bool
    safe: bool
    measurements: int


def keep(archive: Path, session: Session, case: CaseToPlay, mark: Mark, *, trainee: str, lines: list[str]) -> Path:
    """Write a case that is over as a run of the archive; returns its folder. Raises FileError."""
    bench = session.bench
    header: dict[str, Any] = {
        "procedure": "training",
        "title": case.title,
        "simulated": True,
        "amplifier": bench.amplifier.model_dump(mode="json"),
        **bench.describe(),
    }
    writer = RunWriter.create(
        archive, procedure="training", amplifier_name=bench.amplifier.name, started_utc=datetime.now(UTC), header=header
    )
    for row in session.rows:
        writer.append_reading({**row, "run_id": writer.run_id, "time_utc": datetime.now(UTC).isoformat()})
    for number, line in enumerate(lines, 1):
        writer.append_event({"event": "typed", "number": number, "line": line})
    kind, cause, channel = session.verdict or ("none", "", "")
    writer.close(
        {
            "run_id": writer.run_id,
            **header,
            "result": "training",
            "exit_status": 0,
            "folder": str(writer.folder),
            "readings_count": len(session.rows),
            "diagnosis": [],
            "training": {
                "trainee": trainee,
                "level": case.level,
                "title": case.title,
                "seed": case.seed,
                "verdict": kind,
                "cause": cause,
                "channel": channel,
                "score": mark.score,
                "right": bool(mark.right),
                "safe": mark.safe,
                "measurements": len(session.measured),
                "feedback": list(mark.lines),
            },
            "ending": "A training case: nothing of this run says anything about a real amplifier.",
        }
    )
    return writer.folder


def progress(archive: Path, trainee: str = "") -> list[Played]:
    """Every case that was played, the oldest first; of one trainee, or of all."""
    found = []
    if not archive.is_dir():
        return []
    for folder in open_archive(archive).folders():
        page = _training_of(folder)
        if page and (not trainee or page["training"].get("trainee") == trainee):
            t = page["training"]
            found.append(
                Played(
                    str(page.get("started_utc", "")), str(t.get("trainee", "")), str(t.get("title", "")),
                    str(t.get("level", "")), int(t.get("score", 0)), bool(t.get("right")), bool(t.get("safe")),
                    int(t.get("measurements", 0)),
                )
            )  # fmt: skip
    return sorted(found, key=lambda one: one.started_utc)


def _training_of(folder: Path) -> Mapping[str, Any] | None:
    import json

    try:
        page = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return page if isinstance(page, dict) and isinstance(page.get("training"), dict) else None
