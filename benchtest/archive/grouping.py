"""Readings that rest on several captures of one run: gain and balance, power, the thump, the balance of two sweeps.

Which captures belong together stands with them (``TOGETHER``, written by the measurements); the readings are those that
were taken last, under the same conditions, before the captures were kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from benchtest.archive.conditions import conditions_of
from benchtest.archive.run import Run
from benchtest.archive.table_reading import Row

if TYPE_CHECKING:
    from benchtest.archive.replay import KeptBench
    from benchtest.reading import Reading

TOGETHER = "together"
OF_POWER = ("output_power", "output_voltage", "power_at_thd")
MATCHED = ("at", "driven", "load")
"""Conditions by which a reading is told from another of its kind."""


@dataclass
class Group:
    """Captures, the readings that rest on them, and how to make those again."""

    what: str
    captures: list[Mapping[str, Any]] = field(default_factory=list)
    resting: list[Row] = field(default_factory=list)

    @property
    def names(self) -> list[str]:
        return [str(capture.get("file") or capture.get("name")) for capture in self.captures]

    def recomputed(self, run: Run, rows: Sequence[Row]) -> list[Reading]:
        """Today's readings. Raises BenchtestError."""
        if not self.resting:
            return []
        first = next((row for row in self.resting if row["value"] is not None), self.resting[0])
        kept = [(capture["meta"], _bench(run, rows, capture, first)) for capture in self.captures]
        return _MADE[self.what](first, kept)


Kept = Sequence[tuple[Mapping[str, Any], "KeptBench"]]


def key_of(row: Row | Reading) -> tuple[Any, ...]:
    """What tells the readings of one run apart that rest on such captures."""
    if isinstance(row, Mapping):
        quantity, channel, given = row["quantity"], row["channel"], conditions_of(row)
    else:
        quantity, channel, given = row.quantity, row.channel, dict(row.conditions)
    return quantity, channel, *(given.get(name) for name in MATCHED)


def groups(run: Run, rows: Sequence[Row]) -> list[Group]:
    """The groups of a run, in the order in which they were kept."""
    by_sequence = {row["sequence"]: row for row in rows}
    by_file = {str(capture.get("file")): capture for capture in run.captures()}
    found: dict[tuple[Any, ...], Group] = {}
    before: list[Row] = []
    swept: dict[str, Mapping[str, Any]] = {}
    step = 0
    for event in (*run.events(), {"event": "step_started"}):
        kind = event.get("event")
        if kind == "step_started":
            if len(swept) == 2:
                found["sweeps", step] = Group("sweeps", list(swept.values()), _last(before, ("balance_deviation",), {}))
            before, swept, step = [], {}, step + 1
        elif kind == "reading" and isinstance(event.get("row"), Mapping):
            row = by_sequence.get(event["row"].get("sequence"))
            before += [row] if row is not None else []
        elif kind == "capture" and (known := by_file.get(str(event.get("path")))):
            meta = known.get("meta")
            if not isinstance(meta, Mapping):
                continue
            if meta.get("sweep") in ("left", "right"):
                swept[meta["sweep"]] = known
            elif meta.get(TOGETHER) in _MADE:
                _add(found, step, known, meta, before)
    return [group for group in found.values() if group.resting]


def _add(
    found: dict[tuple[Any, ...], Group],
    step: int,
    capture: Mapping[str, Any],
    meta: Mapping[str, Any],
    before: list[Row],
) -> None:
    what, channel, given = str(meta[TOGETHER]), meta.get("channel"), {"at": meta.get("at")}
    key: tuple[Any, ...] = (what, step, meta.get("at"))
    quantities: tuple[str, ...] = ("gain", "channel_balance")
    if what == "power":
        key, quantities = (*key, channel, meta.get("of")), OF_POWER
        given["driven"] = meta.get("of")
    elif what == "thump":
        key, quantities, given = (*key, channel, meta.get("of")), (str(meta.get("of")),), {}
    group = found.setdefault(key, Group(what))
    group.captures.append(capture)
    mine = before if what == "gain" else [row for row in before if row["channel"] == channel]
    group.resting = _last(mine, quantities, given)


def _last(before: Sequence[Row], quantities: Sequence[str], given: Mapping[str, Any]) -> list[Row]:
    """Of each kind of reading the one that was taken last under these conditions, and that has a value."""
    found: dict[tuple[Any, ...], Row] = {}
    for row in before:
        under = conditions_of(row)
        if (
            row["quantity"] in quantities
            and all(under.get(k) == v for k, v in given.items())
            and row["value"] is not None
        ):
            found[key_of(row)] = row
    return list(found.values())


def _bench(run: Run, rows: Sequence[Row], capture: Mapping[str, Any], row: Row) -> KeptBench:
    from benchtest.archive.replay import KeptBench

    return KeptBench(run.summary, rows, row, run.waveform(dict(capture)), capture["meta"])


def _gain(row: Row, kept: Kept) -> list[Reading]:
    from benchtest.measurements import gain

    (_, bench), *_ = kept
    bench.tones = {str(meta["channel"]): each.capture for meta, each in kept}
    return list(gain(bench, at=str(conditions_of(row).get("at") or ""), output_v=_level(row)))  # type: ignore[arg-type]


def _level(row: Row) -> float:
    return float(row["level"] or 0.05)


def _power(row: Row, kept: Kept) -> list[Reading]:
    from dataclasses import replace

    from benchtest.measurements.output_power import power_between

    sides = {meta.get("side"): (float(meta["asked_v"]), bench.capture) for meta, bench in kept}
    meta, bench = kept[0]
    if set(sides) != {"below", "above"}:
        return []
    made = power_between(
        bench, sides["below"], sides["above"], str(meta["channel"]), float(meta["target_thd"]), conditions_of(row)  # type: ignore[arg-type]
    )  # fmt: skip
    return [*made, *(replace(r, quantity="power_at_thd") for r in made if r.quantity == "output_power")]


def _thump(row: Row, kept: Kept) -> list[Reading]:
    from benchtest.measurements.thump import thump_in

    ((meta, bench),) = kept
    return [thump_in(bench, str(meta["of"]), bench.capture, str(meta["channel"]), conditions_of(row))]  # type: ignore[arg-type]


def _sweeps(row: Row, kept: Kept) -> list[Reading]:
    from benchtest.measurements import balance_vs_frequency, sweep
    from benchtest.reading import Reading

    swept: Any = {meta["sweep"]: sweep(bench, meta["sweep"]) for meta, bench in kept}  # type: ignore[arg-type]
    made: Iterator[Any] = iter(balance_vs_frequency(kept[0][1], swept))  # type: ignore[arg-type]
    return [each for each in made if isinstance(each, Reading)]


_MADE: Mapping[str, Callable[[Row, Kept], list[Reading]]] = {
    "gain": _gain, "power": _power, "thump": _thump, "sweeps": _sweeps,
}  # fmt: skip
