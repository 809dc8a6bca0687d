"""Rows of readings.csv as a rule sees them: numbers where there are numbers, conditions as a mapping. Pure."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

Row = Mapping[str, Any]

OWN = "fault_found"
"""What guided fault finding says at its end. It was drawn from the other readings, so it is no evidence beside them."""


@dataclass(frozen=True)
class Seen:
    """One reading: what was seen, and how. ``value`` is None where no number was obtained."""

    quantity: str
    channel: str
    value: float | None
    unit: str
    verdict: str
    note: str
    frequency_hz: float | None
    level: float | None
    conditions: Mapping[str, Any]
    lower_limit: float | None = None
    upper_limit: float | None = None

    @property
    def taken(self) -> bool:
        """Whether the measurement was made at all, with or without a number."""
        return self.verdict != "not_measured"

    def at(self) -> str:
        """Where in the procedure it was taken, in the procedure's words; "" where it does not say."""
        return str(self.conditions.get("at", ""))


def seen(rows: Iterable[Row]) -> list[Seen]:
    """Rows as they come from a run, from a CSV file (all text) or typed in by hand (most columns absent).

    >>> seen([{"quantity": "dc_offset", "channel": "left", "value": "0.0021", "unit": "V"}])[0].value
    0.0021
    """
    return [
        Seen(
            quantity=str(row.get("quantity", "")),
            channel=str(row.get("channel") or "none"),
            value=_number(row.get("value")),
            unit=str(row.get("unit") or ""),
            verdict=str(row.get("verdict") or "information"),
            note=str(row.get("note") or ""),
            frequency_hz=_number(row.get("frequency_hz")),
            level=_number(row.get("level")),
            conditions=_conditions(row.get("conditions")),
            lower_limit=_number(row.get("lower_limit")),
            upper_limit=_number(row.get("upper_limit")),
        )
        for row in rows
        if row.get("quantity") != OWN
    ]


def _number(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if math.isfinite(number) else None


def _conditions(value: Any) -> Mapping[str, Any]:
    if isinstance(value, Mapping):
        return value
    if not isinstance(value, str) or not value.strip():
        return {}
    try:
        found = json.loads(value)
    except ValueError:
        return {}
    return found if isinstance(found, Mapping) else {}
