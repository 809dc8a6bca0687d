"""The conditions of a reading, as the cell of readings.csv holds them, and whether two readings were taken alike. Pure."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

SAME_LEVEL = 0.12  # two settings of one level agree better than this ratio (1 dB); a 3 dB step of a ramp does not


def conditions_of(row: Mapping[str, Any]) -> dict[str, Any]:
    """The conditions of a row as a dictionary; {} where the cell holds none."""
    try:
        found = json.loads(row.get("conditions") or "{}")
    except (TypeError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def is_measured(value: Any) -> bool:
    """Whether a condition is a number or a list of numbers, so differs a little from reading to reading."""
    if isinstance(value, list):
        return bool(value) and all(map(is_measured, value))
    return isinstance(value, int | float) and not isinstance(value, bool)


def alike(one: float | None, other: float | None, ratio: float = SAME_LEVEL) -> bool:
    """Whether two levels or frequencies are one setting; two that are not given are.

    >>> alike(2.83, 2.81), alike(2.83, 4.0), alike(None, None), alike(None, 1.0)
    (True, False, True, False)
    """
    if one is None or other is None:
        return one is other
    return math.isclose(one, other, rel_tol=ratio)
