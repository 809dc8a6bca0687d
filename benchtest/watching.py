"""Watching one value live: smallest, largest, alarm, marks, and a record of it. Constant memory, however long.

``Watch`` is plain arithmetic on what it is shown; ``Record`` writes it down; ``watch`` runs the loop between an open
``View`` and whoever draws. What is looked at comes from ``safety.looking``: nothing is driven.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

from benchtest.archive.durable import LineFile, iso_utc
from benchtest.errors import LostFrames, NoReply
from benchtest.safety.looking import Look, View

MARKS = {"t": "tapped", "h": "heated", "s": "sprayed", "m": "marked"}
"""Key -> the mark that it makes."""
MARKS_SHOWN = 5
RESTART, QUIT = "r", "q"
SYNC_EVERY_S = 1.0
SILENT_AT_MOST = 3
"""So many readings in a row may be missing before watching ends with the instrument's own words."""
COLUMNS = ("time_utc", "seconds", "label", "value", "unit", "minimum", "maximum", "alarm", "mark", "simulated")


@dataclass(frozen=True)
class Alarm:
    """Limits on the magnitude of what is shown; an overload counts as above every limit."""

    above: float = math.inf
    below: float = -math.inf

    def holds(self, value: float | None) -> bool:
        """Whether the alarm sounds.

        >>> alarm = Alarm(above=0.1)
        >>> alarm.holds(-0.2), alarm.holds(0.1), alarm.holds(None), Alarm(below=1.0).holds(0.2), Alarm().holds(None)
        (True, False, True, True, False)
        """
        if value is None:
            return self.above < math.inf
        return not self.below <= abs(value) <= self.above


@dataclass
class Trace:
    """One label's value now, and its smallest and largest since the start (overloads apart)."""

    unit: str = ""
    value: float | None = None
    minimum: float = math.inf
    maximum: float = -math.inf
    overloads: int = 0

    def see(self, look: Look) -> None:
        self.unit, self.value = look.unit, look.value
        if look.value is None:
            self.overloads += 1
        else:
            self.minimum, self.maximum = min(self.minimum, look.value), max(self.maximum, look.value)


@dataclass
class Watch:
    """Everything that is shown; nothing in it grows with time."""

    alarm: Alarm = field(default_factory=Alarm)
    traces: dict[str, Trace] = field(default_factory=dict)
    count: int = 0
    seconds: float = 0.0
    alarmed: bool = False
    alarms: int = 0
    """How often the alarm began to sound."""
    marks: list[str] = field(default_factory=list)
    """The last few, in words with their time."""

    def see(self, looks: Sequence[Look], seconds: float) -> bool:
        """Take the next values; True where the alarm begins to sound."""
        self.count += 1
        self.seconds = seconds
        for look in looks:
            self.traces.setdefault(look.label, Trace()).see(look)
        sounding = any(self.alarm.holds(look.value) for look in looks)
        begins, self.alarmed = sounding and not self.alarmed, sounding
        self.alarms += begins
        return begins

    def mark(self, word: str) -> None:
        self.marks.append(f"{word} at {self.seconds:.0f} s")
        del self.marks[:-MARKS_SHOWN]

    def restart(self) -> None:
        """Smallest and largest anew."""
        self.traces.clear()


class Record:
    """A CSV file beside the runs of an archive, one row a value, appended as it comes."""

    def __init__(self, view: View, archive: Path, name: str) -> None:
        started = view.started_utc
        folder = archive / f"{started:%Y-%m-%d}"
        with contextlib.suppress(FileExistsError):
            folder.mkdir(parents=True)
        plain = "".join(c if c.isalnum() else "-" for c in name) or "meter"
        self.path = free_path(folder / f"{started:%H%M%S}-watch-{plain}.csv")
        self._file = LineFile(self.path)
        self._started = started
        self._simulated = "true" if view.simulated else "false"
        self._synced_at = -math.inf
        self._file.append((",".join(COLUMNS) + "\r\n").encode(), sync=True)

    def write(self, looks: Sequence[Look], watch: Watch, mark: str) -> None:
        """Append the values of one moment; on the disk once a second, and at once where there is a mark."""
        at = iso_utc(self._started + timedelta(seconds=watch.seconds))
        rows = []
        for look in looks:
            trace = watch.traces[look.label]
            value = "" if look.value is None else repr(look.value)
            low, high = (repr(v) if math.isfinite(v) else "" for v in (trace.minimum, trace.maximum))
            alarm = "true" if watch.alarm.holds(look.value) else "false"
            rows.append(
                f"{at},{watch.seconds:.3f},{look.label},{value},{look.unit},{low},{high},{alarm},{mark},{self._simulated}\r\n"
            )
        sync = bool(mark) or watch.seconds - self._synced_at >= SYNC_EVERY_S
        self._file.append("".join(rows).encode(), sync=sync)
        if sync:
            self._synced_at = watch.seconds

    def close(self) -> None:
        self._file.sync()
        self._file.close()


def free_path(path: Path) -> Path:
    """``path``, or the same with a number where it is taken."""
    number = 2
    found = path
    while found.exists():
        found = path.with_name(f"{path.stem}-{number}{path.suffix}")
        number += 1
    return found


def watch(
    view: View,
    state: Watch,
    *,
    record: Record | None,
    every_s: float,
    seconds: float,
    count: int,
    key: Callable[[], str | None],
    show: Callable[[Watch, bool], None],
    wait: Callable[[float], None],
) -> None:
    """Look again and again until ``seconds`` have passed on the bench's clock, ``count`` values were taken, or q.

    ``key`` gives a key that was pressed, if any; ``show`` draws (True where the alarm begins to sound); ``wait`` is
    called with the seconds that are left until the next look is due.
    A reading that fails is skipped; SILENT_AT_MOST in a row raise what the instrument said.
    """
    began = view.now()
    missing = 0
    while True:
        due = view.now() + every_s
        word = ""
        while (pressed := key()) is not None:
            if pressed.lower() == QUIT:
                return
            if pressed.lower() == RESTART:
                state.restart()
            word = MARKS.get(pressed.lower(), word)
        try:
            looks = view.take()
            missing = 0
        except (NoReply, LostFrames):
            missing += 1
            if missing >= SILENT_AT_MOST:
                raise
            continue
        begins = state.see(looks, view.now() - began)
        if word:
            state.mark(word)
        if record is not None:
            record.write(looks, state, word)
        show(state, begins)
        if state.count >= count or state.seconds >= seconds:
            return
        wait(max(0.0, due - view.now()))
