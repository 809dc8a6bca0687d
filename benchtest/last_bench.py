"""Which bench file was used last, so that it need not be typed again; one line in the state folder.

A bench that is remembered is used only where the command says so on its first line; a file that has gone is forgotten.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path


def state_folder() -> Path:
    """XDG_STATE_HOME, or ~/.local/state, with the project's folder in it (XDG Base Directory Specification 0.8)."""
    base = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return Path(base) / "benchtest"


def remember(bench_file: Path) -> None:
    """Note the bench file; where the note cannot be written nothing is said, for it is a convenience."""
    with contextlib.suppress(OSError):
        state_folder().mkdir(parents=True, exist_ok=True)
        _note().write_text(f"{bench_file.resolve()}\n", encoding="utf-8")


def remembered() -> Path | None:
    """The bench file used last, where it still is a file."""
    try:
        text = _note().read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return None
    path = Path(text)
    return path if text and path.is_file() else None


def _note() -> Path:
    return state_folder() / "last_bench"
