"""manifest.sha256: what a run held when it was closed, in the lines that sha256sum writes and checks."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path

from benchtest.archive.durable import PART
from benchtest.errors import FileError

MANIFEST = "manifest.sha256"
DERIVED = frozenset({MANIFEST, "report.html", "report.pdf", "owner.html", "owner.pdf"})
"""Made from the rest at any time, so not evidence and not in the manifest."""

_LINE = re.compile(r"([0-9a-f]{64}) [ *](.+)")


@dataclass(frozen=True)
class ManifestCheck:
    """What differs from the manifest, as paths relative to the run's folder."""

    altered: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    added: tuple[str, ...] = ()

    @property
    def intact(self) -> bool:
        """Nothing altered, nothing missing. A file that was added later (a photograph) does no harm."""
        return not self.altered and not self.missing


def contents(folder: Path) -> list[str]:
    """The files that belong into a manifest, relative, with forward slashes, sorted. A folder below that has a
    manifest of its own (a later re-analysis) answers for itself."""
    found = []
    for path in folder.rglob("*"):
        name = path.relative_to(folder).as_posix()
        if path.is_symlink() or not path.is_file() or name in DERIVED or name.endswith(PART):
            continue
        if any((parent / MANIFEST).exists() for parent in path.parents if folder in parent.parents):
            continue
        found.append(name)
    return sorted(found)


def digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def manifest_text(folder: Path) -> str:
    return "".join(f"{digest(folder / name)}  {name}\n" for name in contents(folder))


def read_manifest(folder: Path) -> dict[str, str]:
    """Path -> digest. Raises FileError if there is no manifest or a line is none."""
    path = folder / MANIFEST
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise FileError(f"{path}: cannot be read ({error}). Expected the lines that sha256sum writes.") from error
    entries: dict[str, str] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        match = _LINE.fullmatch(line)
        if match is None or Path(match[2]).is_absolute() or ".." in Path(match[2]).parts:
            raise FileError(
                f"{path}, line {number}: {line[:80]!r}. Expected a SHA-256, two spaces and a path inside the folder, "
                "as sha256sum writes them. The manifest was altered: trust this run no further than its files."
            )
        entries[match[2]] = match[1]
    return entries


def check_manifest(folder: Path) -> ManifestCheck:
    """Compare a closed run with its manifest. Raises FileError if the manifest cannot be read."""
    entries = read_manifest(folder)
    altered, missing = [], []
    for name, expected in entries.items():
        path = folder / name
        if not path.is_file():
            missing.append(name)
        elif digest(path) != expected:
            altered.append(name)
    added = [name for name in contents(folder) if name not in entries]
    return ManifestCheck(tuple(altered), tuple(missing), tuple(added))
