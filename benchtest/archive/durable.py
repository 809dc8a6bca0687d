"""Writing that survives: appended lines that are on the disk when the call returns, and files that appear whole.

Rules: a line is either there completely or not at all for whoever reads the file later (a torn end is cut off when a
write fails, and skipped by the reader when the process was killed). Nothing is locked, so nothing stays locked.
"""

from __future__ import annotations

import contextlib
import errno
import json
import math
import os
from collections.abc import Mapping
from datetime import date, datetime
from enum import Enum
from pathlib import Path
from typing import Any

from benchtest.archive.names import utc
from benchtest.errors import FileError

PART = ".part"
"""Ending of a file that is being written; what is left of one after a crash is ignored and never in a manifest."""


def refusal(error: OSError, path: Path, doing: str) -> FileError:
    """An operating system's error as ours: what, expected, remedy."""
    if isinstance(error, FileNotFoundError) or error.errno == errno.ESTALE:
        folder = next((each for each in reversed(path.parents) if not each.exists()), None)
        gone = f"the file {path}" if folder is None else f"the folder {folder}, with {path.name} in it,"
        return FileError(
            f"{gone} is not there any more ({error.strerror or error}): it was removed or renamed, or its drive or "
            "network share went away, while the run was being kept in it. What had been recorded there went with it; no "
            "other run was touched. Look for it in the waste bin or connect the drive again, then start a new run."
        )
    return FileError(
        f"{path}: {doing} failed ({error.strerror or error}). Expected a folder on a disk with free space in which you "
        "may write. Free some space, mend the permissions, or name another folder with --archive. "
        "What was recorded before stays readable."
    )


def sync_folder(folder: Path) -> None:
    """Make the entries of a folder durable; a file system that cannot (some network shares) is let off."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def write_whole(path: Path, data: bytes, *, sync: bool = True) -> None:
    """Replace ``path`` by ``data`` in one step: a reader sees the old file or the new one, never a part.
    Raises FileError."""
    part = path.with_name(path.name + PART)
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        try:
            _write_all(handle, data)
            if sync:
                os.fsync(handle)
        finally:
            os.close(handle)
        os.replace(part, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink()
        raise refusal(error, path, "writing") from error
    if sync:
        sync_folder(path.parent)


class LineFile:
    """A file that only grows, by whole lines."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o644)
        except OSError as error:
            raise refusal(error, path, "creating") from error
        self._end = 0
        self._open = True
        self._linked = os.fstat(self._handle).st_nlink > 0

    def append(self, data: bytes, *, sync: bool) -> None:
        """Append ``data``; with ``sync`` it is on the disk before this returns. If that fails (disk full) the file is
        cut back to what it was and FileError is raised."""
        try:
            _write_all(self._handle, data)
            if sync:
                os.fdatasync(self._handle)
                self._still_there()
        except OSError as error:
            with contextlib.suppress(OSError):
                os.ftruncate(self._handle, self._end)
            raise refusal(error, self.path, "appending") from error
        self._end += len(data)

    def _still_there(self) -> None:
        """A file whose name was removed takes what is written and loses it when it is closed."""
        if self._linked and os.fstat(self._handle).st_nlink == 0:
            raise OSError(errno.ENOENT, "the file was removed while the run went on")

    def sync(self) -> None:
        try:
            os.fdatasync(self._handle)
        except OSError as error:
            raise refusal(error, self.path, "writing to the disk") from error

    def close(self) -> None:
        if self._open:
            self._open = False
            os.close(self._handle)


def _write_all(handle: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(handle, view) :]


def plain(value: Any) -> Any:
    """``value`` as JSON can hold it: numpy scalars as numbers, times as ISO 8601 UTC, NaN and infinity as null.

    >>> plain({"a": (1, float("nan")), "b": Path("x")})
    {'a': [1, None], 'b': 'x'}
    """
    if value is None or (isinstance(value, str | bool | int) and not isinstance(value, Enum)):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Enum):
        return plain(value.value)
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, datetime):
        return iso_utc(value)
    if isinstance(value, date | Path):
        return str(value)
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    if hasattr(value, "tolist"):  # numpy scalar or array
        return plain(value.tolist())
    return str(value)


def iso_utc(moment: datetime) -> str:
    """ISO 8601 in UTC with milliseconds.

    >>> from datetime import UTC
    >>> iso_utc(datetime(2031, 5, 6, 7, 8, 9, 123456, tzinfo=UTC))
    '2031-05-06T07:08:09.123Z'
    """
    return utc(moment).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def json_line(value: Mapping[str, Any]) -> bytes:
    """One line of a .jsonl file, UTF-8; text that is no valid Unicode is written as its escape."""
    text = json.dumps(plain(value), ensure_ascii=False, allow_nan=False, separators=(", ", ": "))
    return text.encode("utf-8", "backslashreplace") + b"\n"


def json_page(value: Mapping[str, Any]) -> bytes:
    """A JSON file that a person can read too."""
    text = json.dumps(plain(value), ensure_ascii=False, allow_nan=False, indent=2)
    return text.encode("utf-8", "backslashreplace") + b"\n"
