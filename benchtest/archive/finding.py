"""An archive: the run folders below one folder, newest first, and how one of them is found by what a person types."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchtest.archive.annex import annexes, is_finished
from benchtest.archive.filters import Filter
from benchtest.archive.index import Listed, listed, listed_by_index
from benchtest.archive.manifest import MANIFEST, check_manifest
from benchtest.archive.run import ALTERED, DATE_FOLDER, FINISHED, RUN_FOLDER, UNFINISHED, UNREADABLE, Run, RunSummary
from benchtest.errors import FileError
from benchtest.quantities import QUANTITIES, near_names

if TYPE_CHECKING:
    import pandas as pd

LAST = "last"
INDEX_FROM = 300  # runs; fewer are read as fast as a cache is brought up to date
MOST_CANDIDATES = 8


@dataclass(frozen=True)
class CheckedRun:
    """What a check of one run found, paths relative to its folder; remark says why where it could not be checked.
    same_id_as names another folder that says it is the same run."""

    run_id: str
    folder: Path
    state: str
    altered: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    added: tuple[str, ...] = ()
    remark: str = ""
    same_id_as: str = ""

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong with it; one that was never finished is sound."""
        return self.state in (FINISHED, UNFINISHED) and not self.same_id_as

    def as_dict(self) -> dict[str, Any]:
        return {**asdict(self), "folder": str(self.folder)}


def check_run(folder: Path) -> CheckedRun:
    """Compare one run with its manifest, and see whether its page and its readings can be read."""
    run = Run(folder)
    line = run.brief()
    if line.state == UNREADABLE:
        return CheckedRun(line.run_id, folder, UNREADABLE, remark=line.remark)
    try:
        found = run.check
        remark = "; ".join(run.table.remarks)
    except FileError as error:
        return CheckedRun(line.run_id, folder, ALTERED if run.closed else UNREADABLE, remark=str(error))
    except OSError as error:  # gone, or its permissions changed, while it was read
        return CheckedRun(line.run_id, folder, UNREADABLE, remark=f"{error}. Check the disk and the permissions.")
    altered, missing, remarks = _check_annexes(folder)
    remark = "; ".join(filter(None, (remark, *remarks)))
    if found is None:
        state = ALTERED if altered or missing else UNFINISHED
        return CheckedRun(line.run_id, folder, state, altered, missing, remark=remark)
    altered, missing = found.altered + altered, found.missing + missing
    return CheckedRun(
        line.run_id, folder, ALTERED if altered or missing else FINISHED, altered, missing, found.added, remark
    )


def _check_annexes(folder: Path) -> tuple[tuple[str, ...], tuple[str, ...], list[str]]:
    """What was altered in, and is missing from, the job cards and re-analyses of a run; and what else is to be said."""
    altered: list[str] = []
    missing: list[str] = []
    remarks: list[str] = []
    for annex in annexes(folder):
        if not is_finished(annex):
            remarks.append(f"{annex.name} was never finished")
            continue
        try:
            found = check_manifest(annex)
        except (FileError, OSError) as error:
            altered.append(f"{annex.name}/{MANIFEST}")
            remarks.append(str(error))
            continue
        altered += [f"{annex.name}/{name}" for name in found.altered]
        missing += [f"{annex.name}/{name}" for name in found.missing]
    return tuple(altered), tuple(missing), remarks


class Archive:
    """The runs in one folder. Reads only; other processes may be writing."""

    def __init__(self, path: Path) -> None:
        self.path = Path(path)

    def folders(self) -> Iterator[Path]:
        """The run folders, newest first (by their names, so by the UTC time at which they started)."""
        try:
            dates = sorted((name for name in os.listdir(self.path) if DATE_FOLDER.fullmatch(name)), reverse=True)
        except FileNotFoundError:
            return
        except OSError as error:
            raise FileError(
                f"{self.path}: cannot be read ({error.strerror}). Expected an archive folder; name it with --archive."
            ) from error
        for date in dates:
            try:
                names = sorted(os.listdir(self.path / date), reverse=True)
            except OSError:
                continue  # no folder, or gone meanwhile
            for name in names:
                if RUN_FOLDER.fullmatch(name):
                    yield self.path / date / name

    def runs(self, where: Filter | None = None, *, index: bool | None = None) -> list[RunSummary]:
        """The runs that ``where`` asks for, each as a line of the log, newest first; also those that were never closed
        or cannot be read. index None uses a cache from INDEX_FROM runs on; the answer is the same without.

        Raises FileError for a condition on a quantity that there is not: misspelt, it would be met by no run, silently.
        """
        wanted = where or Filter()
        folders = list(self.folders())
        found: Iterable[Listed] | None = None
        if index or (index is None and len(folders) >= INDEX_FROM):
            found = listed_by_index(self.path, folders, wanted.quantities)
        if found is None:
            found = listed(folders, wanted.quantities)
        lines = list(found)
        _known(wanted.quantities, {name for _, extremes in lines for name in extremes})
        return [run for run, extremes in lines if wanted.matches(run, extremes)]

    def readings(self, where: Filter | None = None) -> pd.DataFrame:
        """The readings of the runs that ``where`` asks for, newest run first, as one tidy pandas table (see
        ``frames.readings_frame``). Raises FileError where a readings.csv cannot be read."""
        from benchtest.archive.frames import readings_frame

        return readings_frame(Run(line.folder) for line in self.runs(where))

    def check(self) -> Iterator[CheckedRun]:
        """Each run compared with its manifest, newest first: every file is read."""
        seen: dict[str, Path] = {}
        for folder in self.folders():
            found = check_run(folder)
            first = seen.setdefault(found.run_id, folder)
            yield found if first is folder else replace(found, same_id_as=str(first))

    def find(self, text: str) -> Run:
        """The run that ``text`` names: "last", an id, a folder, the start of either, or the six digits at its end.
        Raises FileError when none or more than one fits, and lists the candidates."""
        wanted = text.strip().rstrip("/")
        direct = Path(wanted)
        if wanted and wanted != LAST and (direct / "readings.csv").exists():
            return Run(direct)
        folders = list(self.folders())
        if not folders:
            raise FileError(f"{self.path}: holds no runs. Expected run folders; name the archive with --archive.")
        if wanted == LAST:
            return Run(folders[0])
        names = {folder: f"{folder.parent.name}-{folder.name}" for folder in folders}
        for fits in (_exactly, _at_the_end, _at_the_start):
            hits = [folder for folder in folders if wanted and fits(names[folder], folder.name, wanted)]
            if len(hits) == 1:
                return Run(hits[0])
            if hits:
                raise FileError(
                    f"{text!r} fits {len(hits)} runs in {self.path}:\n{_listed(hits)}\n"
                    "Expected one. Type more of it, or the six digits at the end."
                )
        raise FileError(
            f"no run in {self.path} fits {text!r}. Expected {LAST!r}, an id, its start, or the six digits at its end. "
            f"The newest are:\n{_listed(folders)}"
        )


def _known(quantities: Iterable[str], seen: Collection[str]) -> None:
    for name in quantities:
        if name in QUANTITIES or name in seen:
            continue
        near = near_names(name, [*QUANTITIES, *seen])
        raise FileError(
            f"no quantity is called {name!r}. Expected one that readings.csv names"
            + (f"; near it are {', '.join(near)}." if near else ", such as dc_offset, output_power, thd_n.")
        )


def open_archive(path: str | Path) -> Archive:
    """The archive in the folder ``path``; one that does not exist yet holds no runs."""
    return Archive(Path(path))


def _exactly(run_id: str, name: str, wanted: str) -> bool:
    return wanted in (run_id, name, f"{run_id[:10]}/{name}")


def _at_the_end(run_id: str, name: str, wanted: str) -> bool:
    return len(wanted) == 6 and name.endswith(f"-{wanted}")


def _at_the_start(run_id: str, name: str, wanted: str) -> bool:
    return run_id.startswith(wanted) or name.startswith(wanted) or f"{run_id[:10]}/{name}".startswith(wanted)


def _listed(folders: list[Path]) -> str:
    shown = [f"  {folder.parent.name}-{folder.name}" for folder in folders[:MOST_CANDIDATES]]
    if len(folders) > MOST_CANDIDATES:
        shown.append(f"  ... and {len(folders) - MOST_CANDIDATES} more")
    return "\n".join(shown)
