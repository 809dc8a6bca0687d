"""What is added to a run after it was closed: a folder beside the old files with a manifest of its own.

``<run folder>/<kind>-<UTC time>-<6 hex>/``. The run's own manifest stays true, nothing is overwritten, and two people
can add at once. Without its manifest an annex is unfinished and is not read.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path

from benchtest.archive.durable import refusal, sync_folder, write_whole
from benchtest.archive.manifest import MANIFEST, manifest_text

REANALYSIS, JOB_CARD = "reanalysis", "card"
_NAME = re.compile(rf"({REANALYSIS}|{JOB_CARD})-\d{{8}}T\d{{6}}Z-[0-9a-f]{{6}}")


def new_annex(run_folder: Path, kind: str, files: Mapping[str, bytes], *, now: datetime | None = None) -> Path:
    """Write ``files`` (name -> content) as a new annex of ``kind``; when this returns it is on the disk. Raises FileError."""
    moment = (now or datetime.now(UTC)).astimezone(UTC)
    for attempt in range(20):
        folder = run_folder / f"{kind}-{moment:%Y%m%dT%H%M%SZ}-{secrets.token_hex(3)}"
        try:
            folder.mkdir()
            break
        except OSError as error:
            if attempt == 19 or not isinstance(error, FileExistsError):
                raise refusal(error, folder, "making a folder") from error
    for name, data in files.items():
        path = folder / name
        if path.parent != folder:
            try:
                path.parent.mkdir(exist_ok=True)
            except OSError as error:
                raise refusal(error, path.parent, "making a folder") from error
        write_whole(path, data)
    try:
        text = manifest_text(folder)
    except OSError as error:
        raise refusal(error, folder / MANIFEST, "reading back for the manifest") from error
    write_whole(folder / MANIFEST, text.encode())
    sync_folder(run_folder)
    return folder


def annexes(run_folder: Path, kind: str = "") -> Iterator[Path]:
    """The annexes of a run (of one kind), the oldest first, unfinished ones among them."""
    for folder in sorted(run_folder.glob(f"{kind or '*'}-*")):
        if folder.is_dir() and _NAME.fullmatch(folder.name):
            yield folder


def is_finished(folder: Path) -> bool:
    return (folder / MANIFEST).is_file()
