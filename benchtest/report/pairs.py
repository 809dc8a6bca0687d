"""Readings set left beside right: one line for what was measured the same way on both channels. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from benchtest.archive.conditions import alike, conditions_of, is_measured
from benchtest.quantities import TOLD_IN_WORDS
from benchtest.report.graphic import LimitGraphic, Mark
from benchtest.report.numbers import Unit, fitting_unit, limits_text, value_text
from benchtest.report.wording import (
    MARK,
    SERVICEABLE,
    WORST_FIRST,
    claim_words,
    condition_words,
    quantity_words,
    si_text,
    told_in_words,
)

Row = Mapping[str, Any]

LIMIT_ROOM = 20.0  # a limit of 2 V is not written as 2000000 uV because the reading is small
FAR_BELOW = 1e-4  # of the line's unit: a cell so much smaller has a unit of its own
MANY = 4  # lines of one quantity in a step that nothing judges (a ramp); more of them are folded away


@dataclass(frozen=True)
class Cell:
    """One channel's part of a line."""

    channel: str
    value: str
    uncertainty: str
    verdict: str
    serviceable: str
    mark: str
    claim: str
    claim_verdict: str
    limits: str
    note: str


@dataclass(frozen=True)
class Line:
    """A line of the table. Either left and right, or (where the reading belongs to no one channel) only whole."""

    quantity: str
    conditions: tuple[str, ...]
    unit: str
    cells: Mapping[str, Cell]
    limits: str
    claim_figure: str
    graphic: str
    judged: bool

    @property
    def left(self) -> Cell | None:
        return self.cells.get("left")

    @property
    def right(self) -> Cell | None:
        return self.cells.get("right")

    @property
    def whole(self) -> Cell | None:
        return self.cells.get("both") or self.cells.get("none")

    @property
    def worst(self) -> str:
        """The worst verdict on the line."""
        return min((cell.verdict for cell in self.cells.values()), key=WORST_FIRST.index)

    def without(self, shared: Sequence[str]) -> Line:
        """The line without the conditions that stand over the whole step."""
        return replace(self, conditions=tuple(part for part in self.conditions if part not in shared))

    @property
    def notes(self) -> list[str]:
        texts: dict[str, list[str]] = {}
        for cell in self.cells.values():
            if cell.note:
                texts.setdefault(cell.note, []).append(cell.channel)
        return [
            note
            if len(channels) > 1 or channels[0] in ("both", "none", note.split(" ")[0].rstrip(":"))
            else f"{channels[0]}: {note}"
            for note, channels in texts.items()
        ]


@dataclass
class Group:
    """The lines of one step, and the conditions that all of them share; folded are those that repeat (the steps of a
    ramp) and that nothing judges."""

    step: str
    conditions: tuple[str, ...] = ()
    lines: list[Line] = field(default_factory=list)
    folded: list[Line] = field(default_factory=list)


def grouped(rows: Sequence[Row]) -> list[Group]:
    """The readings by step, in the order in which they were taken, left beside right."""
    by_step: dict[str, list[list[Row]]] = {}
    for row in rows:
        if row["verdict"] not in SERVICEABLE:
            row = {**row, "verdict": "information"}
        lines = by_step.setdefault(str(row["step"]), [])
        partner = next((line for line in lines if _belongs(row, line)), None)
        if partner is None:
            lines.append([row])
        else:
            partner.append(row)
    groups = []
    for step, lines in by_step.items():
        group = Group(step)
        made = [line_of(members) for members in _beside_its_other(lines)]
        unjudged = [line.quantity for line in made if not line.judged]
        for line in made:
            many = not line.judged and unjudged.count(line.quantity) > MANY
            (group.folded if many else group.lines).append(line)
        if len(group.lines) > 1:
            others = [set(line.conditions) for line in group.lines[1:]]
            group.conditions = tuple(p for p in group.lines[0].conditions if all(p in other for other in others))
            group.lines = [line.without(group.conditions) for line in group.lines]
        groups.append(group)
    return groups


def _belongs(row: Row, line: Sequence[Row]) -> bool:
    """Whether ``row`` is the other channel of a line that has one channel so far."""
    first = line[0]
    return (
        len(line) == 1
        and {row["channel"], first["channel"]} == {"left", "right"}
        and all(row[key] == first[key] for key in ("quantity", "unit", "level_unit", "bandwidth_hz"))
        and (alike(row["frequency_hz"], first["frequency_hz"]) or _found_on_one_side(row, first))
        and alike(row["level"], first["level"])
        and _own_conditions(row) == _own_conditions(first)
    )


def _found_on_one_side(row: Row, first: Row) -> bool:
    """Hum has the frequency of the line that was found, and none where none was."""
    return bool(row["quantity"] == "hum" and (row["frequency_hz"] is None or first["frequency_hz"] is None))


def _beside_its_other(lines: list[list[Row]]) -> list[list[Row]]:
    """What was not measured on one channel beside what was on the other: such a row knows neither level nor frequency, so
    it stands beside every line of its quantity and place."""
    alone = [line[0] for line in lines if len(line) == 1 and _says_little(line[0])]
    placed: set[int] = set()
    found: list[list[Row]] = []
    for line in lines:
        first = line[0]
        other = next(
            (row for row in alone if len(line) == 1 and not _says_little(first) and _same_place(row, first)), None
        )
        if other is not None:
            told = {**other, "note": other["note"] if id(other) not in placed else ""}  # the reason once
            if told["lower_limit"] is None and told["upper_limit"] is None:  # they hold for both
                told |= {key: first[key] for key in ("lower_limit", "upper_limit")}
            placed.add(id(other))
            line = [first, told] if first["channel"] == "left" else [told, first]
        found.append(line)
    return [line for line in found if not (len(line) == 1 and id(line[0]) in placed)]


def _says_little(row: Row) -> bool:
    return bool(row["verdict"] == "not_measured" and row["frequency_hz"] is None and row["level"] is None)


def _same_place(row: Row, other: Row) -> bool:
    return (
        {row["channel"], other["channel"]} == {"left", "right"}
        and row["quantity"] == other["quantity"]
        and row["unit"] == other["unit"]
        and conditions_of(row).get("at") == conditions_of(other).get("at")
    )


def _own_conditions(row: Row) -> dict[str, Any]:
    """The conditions with the row's own channel called by one name, and without flags and numbers: those are found
    by measuring."""
    return {
        key: "this channel" if value in (row["channel"], [row["channel"]]) else "other" if key == "into" else value
        for key, value in conditions_of(row).items()
        if not isinstance(value, bool) and not is_measured(value)
    }


def line_of(rows: Sequence[Row]) -> Line:
    """The line for one reading, or for the two of left and right."""
    first = rows[0]
    values = [_number(row["value"]) for row in rows]
    spans = [_number(row["expanded_uncertainty"]) for row in rows]
    limits = [_number(row[key]) for row in rows for key in ("lower_limit", "upper_limit")]
    farthest = max((abs(limit) for limit in limits if limit is not None), default=0.0)
    sized = [v for v in (*values, *spans, farthest / LIMIT_ROOM) if v]
    unit = fitting_unit(str(first["unit"]), sized)
    cells = {str(row["channel"]): _cell(row, unit) for row in rows}
    texts = {cell.limits for cell in cells.values()}
    one_limit = texts.pop() if len(texts) == 1 else ""
    claim = next((row["claim"] for row in rows if _number(row["claim"]) is not None), None)
    return Line(
        quantity=quantity_words(str(first["quantity"])),
        conditions=_shared_conditions(rows),
        unit=unit.text,
        cells=cells,
        limits=one_limit or "; ".join(f"{name} {cell.limits}" for name, cell in cells.items() if cell.limits),
        claim_figure=f"{value_text(float(claim), None, unit)[0]} {unit.text}".strip() if claim is not None else "",
        graphic=_graphic(rows, unit),
        judged=any(row["verdict"] != "information" or row["claim_verdict"] for row in rows),
    )


def _cell(row: Row, unit: Unit) -> Cell:
    value, spread = _number(row["value"]), _number(row["expanded_uncertainty"])
    shown, uncertainty = ("", "")
    if words := told_in_words(row):
        shown = words
    elif value is not None:
        shown, uncertainty = _in_its_size(value, spread, str(row["unit"]), unit)
    verdict = str(row["verdict"])
    noted = si_text(str(row["note"] or ""))
    return Cell(
        channel=str(row["channel"]),
        value=shown,
        uncertainty=uncertainty,
        verdict=verdict,
        serviceable=SERVICEABLE[verdict],
        mark=MARK[verdict],
        claim=claim_words(row),
        claim_verdict=str(row["claim_verdict"] or ""),
        limits=_limits(row, unit),
        note="" if noted == shown else noted,
    )


def _in_its_size(value: float, spread: float | None, si_unit: str, unit: Unit) -> tuple[str, str]:
    """Value and uncertainty in the line's unit; what is far smaller than the line (a zero beside a rail) in its own."""
    largest = max(abs(value), spread or 0.0)
    own = fitting_unit(si_unit, [largest])
    if 0.0 < largest < FAR_BELOW * unit.divisor and own != unit:
        shown, uncertainty = value_text(value, spread, own)
        return (shown, f"{uncertainty} {own.text}") if uncertainty else (f"{shown} {own.text}", "")
    return value_text(value, spread, unit)


def _limits(row: Row, unit: Unit) -> str:
    if row["quantity"] not in TOLD_IN_WORDS:
        return limits_text(_number(row["lower_limit"]), _number(row["upper_limit"]), unit)
    lower, upper = (_number(row[key]) for key in ("lower_limit", "upper_limit"))
    if lower is None and upper is None:
        return ""
    allowed = {n: word for n, word in TOLD_IN_WORDS[row["quantity"]].items() if lower is None or n >= lower}
    return " or ".join(word for n, word in allowed.items() if upper is None or n <= upper)


def _shared_conditions(rows: Sequence[Row]) -> tuple[str, ...]:
    parts = [condition_words(row) for row in rows]
    if len(parts) == 1 or parts[0] == parts[1]:
        return parts[0]
    return tuple(part if part in parts[1] else _either(part, parts[1]) for part in parts[0])


def _either(part: str, other: Sequence[str]) -> str:
    """A part that differs between the channels: the left's, which the right's resembles."""
    if part.startswith("into ") and part.removeprefix("into ") in ("left", "right"):
        return "into the other channel"
    return "each driven alone" if part.endswith(" driven") and any(o.endswith(" driven") for o in other) else part


def _graphic(rows: Sequence[Row], unit: Unit) -> str:
    bounds = {(row["lower_limit"], row["upper_limit"]) for row in rows}
    if len(bounds) != 1 or any(row["quantity"] in TOLD_IN_WORDS for row in rows):
        return ""
    lower, upper = (_number(bound) for bound in bounds.pop())
    marks = [
        Mark(str(row["channel"]), value / unit.divisor, (_number(row["expanded_uncertainty"]) or 0.0) / unit.divisor)
        for row in rows
        if (value := _number(row["value"])) is not None
    ]
    if not marks or (lower is None and upper is None):
        return ""
    low, high = (None if bound is None else bound / unit.divisor for bound in (lower, upper))
    claim = next((c / unit.divisor for row in rows if (c := _number(row["claim"])) is not None), None)
    return LimitGraphic(low, high, tuple(marks), claim, decibels=unit.text.startswith("dB")).svg()


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None
