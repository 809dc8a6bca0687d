"""Readings set left beside right: one line for what was measured the same way on both channels. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchtest.report.graphic import LimitGraphic, Mark
from benchtest.report.numbers import Unit, fitting_unit, limits_text, value_text
from benchtest.report.wording import (
    MARK,
    SERVICEABLE,
    WORST_FIRST,
    claim_words,
    condition_words,
    conditions,
    quantity_words,
)

Row = Mapping[str, Any]

SAME_LEVEL = 0.12  # two channels set to one level agree better than this ratio (1 dB); a 3 dB step of a ramp does not
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
    conditions: str
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

    @property
    def notes(self) -> list[str]:
        texts: dict[str, list[str]] = {}
        for cell in self.cells.values():
            if cell.note:
                texts.setdefault(cell.note, []).append(cell.channel)
        return [
            note if len(channels) > 1 or channels[0] in ("both", "none") else f"{channels[0]}: {note}"
            for note, channels in texts.items()
        ]


@dataclass
class Group:
    """The lines of one step; folded are those that repeat (the steps of a ramp) and that nothing judges."""

    step: str
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
        made = [line_of(members) for members in lines]
        unjudged = [line.quantity for line in made if not line.judged]
        for line in made:
            many = not line.judged and unjudged.count(line.quantity) > MANY
            (group.folded if many else group.lines).append(line)
        groups.append(group)
    return groups


def _belongs(row: Row, line: Sequence[Row]) -> bool:
    """Whether ``row`` is the other channel of a line that has one channel so far."""
    first = line[0]
    return (
        len(line) == 1
        and {row["channel"], first["channel"]} == {"left", "right"}
        and all(row[key] == first[key] for key in ("quantity", "unit", "level_unit", "bandwidth_hz"))
        and _alike(row["frequency_hz"], first["frequency_hz"])
        and _alike(row["level"], first["level"])
        and _own_conditions(row) == _own_conditions(first)
    )


def _alike(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return math.isclose(one, other, rel_tol=SAME_LEVEL)


def _own_conditions(row: Row) -> dict[str, Any]:
    """The conditions with the row's own channel called by one name, and without numbers (those are measured)."""
    return {
        key: "this channel" if value in (row["channel"], [row["channel"]]) else value
        for key, value in conditions(row).items()
        if isinstance(value, bool) or not isinstance(value, int | float)
    }


def line_of(rows: Sequence[Row]) -> Line:
    """The line for one reading, or for the two of left and right."""
    first = rows[0]
    values = [_number(row["value"]) for row in rows]
    spans = [_number(row["expanded_uncertainty"]) for row in rows]
    limits = [_number(row[key]) for row in rows for key in ("lower_limit", "upper_limit")]
    sized = [v for v in (*values, *spans) if v]
    unit = fitting_unit(str(first["unit"]), sized or limits)
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
    value = _number(row["value"])
    shown, uncertainty = ("", "") if value is None else value_text(value, _number(row["expanded_uncertainty"]), unit)
    verdict = str(row["verdict"])
    return Cell(
        channel=str(row["channel"]),
        value=shown,
        uncertainty=uncertainty,
        verdict=verdict,
        serviceable=SERVICEABLE[verdict],
        mark=MARK[verdict],
        claim=claim_words(row),
        claim_verdict=str(row["claim_verdict"] or ""),
        limits=limits_text(_number(row["lower_limit"]), _number(row["upper_limit"]), unit),
        note=str(row["note"] or ""),
    )


def _shared_conditions(rows: Sequence[Row]) -> str:
    texts = [condition_words(row) for row in rows]
    if len(set(texts)) == 1:
        return texts[0]
    parts = [text.split(" · ") for text in texts]
    other = parts[1]
    return " · ".join(part if part in other else _either(part, other) for part in parts[0])


def _either(part: str, other: Sequence[str]) -> str:
    """A part that differs between the channels: the left's, which the right's resembles."""
    return "each driven alone" if part.endswith(" driven") and any(o.endswith(" driven") for o in other) else part


def _graphic(rows: Sequence[Row], unit: Unit) -> str:
    bounds = {(row["lower_limit"], row["upper_limit"]) for row in rows}
    if len(bounds) != 1:
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
