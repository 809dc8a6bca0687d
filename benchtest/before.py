"""The run before of the same set, beside this one: what has changed by more than the uncertainty, for a procedure's end."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from benchtest import archive as archives
from benchtest.amplifier_file import AmplifierSpec
from benchtest.archive.run import amplifier_identity

VERDICTS = ("pass", "noted", "inconclusive", "fail")
"""From good to bad; any other verdict says nothing of it."""


def run_before(folder: str | None, amplifier: AmplifierSpec, procedure: str) -> archives.Run | None:
    """The newest closed run of this procedure and this set (by serial number, else by name) beside the run in ``folder``;
    None where there is none, or where this run is not kept."""
    if folder is None:
        return None
    here = Path(folder)
    for line in archives.open(here.parents[1]).runs():
        if line.folder.resolve() == here.resolve() or line.procedure != procedure or line.state != "finished":
            continue
        page = amplifier_identity(archives.Run(line.folder).summary)
        serial = page.get("serial") or ""
        same = serial == amplifier.serial if serial or amplifier.serial else page.get("name") == amplifier.name
        if same:
            return archives.Run(line.folder)
    return None


def changes(before: archives.Run, after: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """One line for each reading that has changed significantly, or whose verdict has; worse ones say WORSE."""
    for pair in archives.compare_rows(before.rows(), [dict(row) for row in after]):
        known = [v in VERDICTS for v in (pair.before_verdict, pair.after_verdict)]
        step = VERDICTS.index(pair.after_verdict) - VERDICTS.index(pair.before_verdict) if all(known) else 0
        if not pair.significant and not step:
            continue
        shown = [f"{v:.4g}" if v is not None else "-" for v in (pair.before, pair.after)]
        verdict = f"; {pair.before_verdict} before, {pair.after_verdict} now" if step else ""
        word = "WORSE: " if step > 0 else "better: " if step < 0 else ""
        what = f"{pair.quantity.replace('_', ' ')} {pair.channel}".removesuffix(" none")
        yield f"{word}{what} ({pair.conditions}): {shown[0]} -> {shown[1]} {pair.unit}{verdict}"
