"""One quantity over many runs: is it changing, and whose change is it? Pure: rows with their runs in, series out.

A straight line is fitted through the values over time (ordinary least squares), and its slope is called a drift where it
exceeds its own uncertainty at 95 % (Student's t with n - 2 degrees of freedom, from the scatter about the line). The
readings' stated uncertainty is not used for that: its larger part is common to all runs on one bench and cannot show as
a drift. It is used for the second question: whether the change is larger than what was ever claimed.

A reference amplifier (one that is kept, that nobody repairs) measured again and again shows the bench: what drifts then
is the bench. Common practice (a check standard), no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from benchtest.archive.compare import WHAT_IT_IS, differing_conditions, expanded_uncertainty, kind_words
from benchtest.archive.conditions import alike, conditions_of
from benchtest.archive.run import Run, amplifier_identity
from benchtest.archive.table_reading import Row

FEWEST = 4
"""Runs from which a drift is looked for: fewer leave nothing to tell scatter from drift."""
SHORTEST_D = 1.0
"""Days that the runs must span; what changes within a day is warm-up, not drift."""
CONFIDENCE = 0.95
DAY_S = 86400.0


@dataclass(frozen=True)
class Point:
    """One run's reading. differing names what is not as in the run before it (bench, load, calibration, ...)."""

    run_id: str
    folder: Path
    time_utc: datetime
    value: float
    uncertainty: float | None
    verdict: str
    amplifier: str
    serial_number: str
    bench: str
    differing: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        return {**asdict(self), "folder": str(self.folder), "time_utc": self.time_utc.isoformat()}


@dataclass(frozen=True)
class Drift:
    """A fitted slope. per_day and its uncertainty (95 %) in the unit of the readings; change is over all the runs."""

    per_day: float
    per_day_uncertainty: float
    change: float
    change_uncertainty: float
    days: float
    significant: bool
    beyond_stated: bool | None
    """Whether the change exceeds the readings' expanded uncertainty; None where that is not known."""


@dataclass(frozen=True)
class Trend:
    """The readings of one kind, the oldest first. limits are those of the newest reading."""

    quantity: str
    channel: str
    conditions: str
    unit: str
    lower_limit: float | None
    upper_limit: float | None
    points: tuple[Point, ...]
    drift: Drift | None = None
    row: Row = field(default_factory=dict, repr=False)

    def as_dict(self) -> dict[str, Any]:
        return {
            "quantity": self.quantity, "channel": self.channel, "conditions": self.conditions, "unit": self.unit,
            "lower_limit": self.lower_limit, "upper_limit": self.upper_limit,
            "points": [point.as_dict() for point in self.points],
            "drift": None if self.drift is None else asdict(self.drift),
        }  # fmt: skip


def trends(runs: Iterable[Run], quantity: str, *, channel: str = "", bench: str = "") -> list[Trend]:
    """The readings of ``quantity`` in ``runs`` by kind; of several of one kind in a run the first. bench keeps only the
    runs of that bench. Raises FileError for a run that cannot be read."""
    found: list[Trend] = []
    before: Mapping[str, Any] | None = None
    for run in sorted(runs, key=lambda run: run.run_id):
        summary = run.summary
        name = _bench_of(summary)
        if bench and name != bench:
            continue
        differing = () if before is None else tuple(_changes(before, summary))
        before = summary
        used: set[int] = set()
        for row in run.rows():
            value = row["value"]
            if row["quantity"] != quantity or (channel and row["channel"] != channel):
                continue
            if value is None or not math.isfinite(value) or row["time_utc"] is None:
                continue
            place = next((i for i, trend in enumerate(found) if _one_kind(trend.row, row)), None)
            if place in used:
                continue
            if place is None:
                place = len(found)
                found.append(Trend(quantity, row["channel"], kind_words(row), row["unit"], None, None, (), row=row))
            used.add(place)
            point = _point(run, summary, row, name, differing)
            found[place] = replace(
                found[place],
                points=(*found[place].points, point), lower_limit=row["lower_limit"], upper_limit=row["upper_limit"],
            )  # fmt: skip
    return [replace(trend, drift=drift(trend.points)) for trend in found]


def drift(points: Sequence[Point]) -> Drift | None:
    """The slope of the values over time; None where there are too few, or all within a day."""
    if len(points) < FEWEST:
        return None
    first = points[0].time_utc
    days = [(point.time_utc - first).total_seconds() / DAY_S for point in points]
    span = max(days) - min(days)
    if span < SHORTEST_D:
        return None
    slope, spread = slope_of(days, [point.value for point in points])
    stated = [point.uncertainty for point in points if point.uncertainty is not None]
    change = slope * span
    return Drift(
        per_day=slope,
        per_day_uncertainty=spread,
        change=change,
        change_uncertainty=spread * span,
        days=span,
        significant=abs(slope) > spread,
        beyond_stated=abs(change) > max(stated) if stated else None,
    )


def slope_of(x: Sequence[float], y: Sequence[float]) -> tuple[float, float]:
    """The least-squares slope and its half-width at CONFIDENCE, from the scatter about the line.

    >>> slope, width = slope_of([0, 1, 2, 3], [0.0, 1.1, 1.9, 3.0])
    >>> round(slope, 3), round(width, 3)
    (0.98, 0.183)
    """
    import numpy as np
    from scipy.special import stdtrit

    n = len(x)
    at, values = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    from_middle = at - at.mean()
    square = float(from_middle @ from_middle)
    slope = float(from_middle @ values) / square
    rest = values - values.mean() - slope * from_middle
    variance = float(rest @ rest) / (n - 2)
    factor = float(stdtrit(n - 2, 0.5 + CONFIDENCE / 2.0))
    return slope, factor * math.sqrt(variance / square)


def one_amplifier(found: Iterable[Trend]) -> bool:
    """Whether all the readings are of one set: one serial number, or one name where none has a number."""
    sets = {(point.serial_number or point.amplifier) for trend in found for point in trend.points}
    return len(sets) == 1


def _point(run: Run, summary: Mapping[str, Any], row: Row, bench: str, differing: tuple[str, ...]) -> Point:
    about = amplifier_identity(summary)
    return Point(
        run_id=run.run_id, folder=run.folder, time_utc=row["time_utc"], value=float(row["value"]),
        uncertainty=expanded_uncertainty(row), verdict=row["verdict"], amplifier=str(about.get("name") or ""),
        serial_number=str(about.get("serial") or ""), bench=bench, differing=differing,
    )  # fmt: skip


def _changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """What is not as it was in the run before; the set itself is told by each point."""
    return [
        f"{each.what} {each.before or '-'} / {each.after or '-'}"
        for each in differing_conditions(before, after)
        if each.what not in ("amplifier", "serial number")
    ]


def _bench_of(summary: Mapping[str, Any]) -> str:
    bench = summary.get("bench")
    return str((bench.get("name") if isinstance(bench, Mapping) else bench) or "")


def _one_kind(row: Row, other: Row) -> bool:
    mine, theirs = conditions_of(row), conditions_of(other)
    return (
        all(row[key] == other[key] for key in ("channel", "unit", "level_unit", "step"))
        and alike(row["frequency_hz"], other["frequency_hz"])
        and alike(row["level"], other["level"])
        and all(mine.get(key) == theirs.get(key) for key in WHAT_IT_IS)
    )
