"""Uncertainty of a reading: a library propagates, this file only names the parts and takes the figures out again.

Parts are standard uncertainties (k = 1); a reading carries k = 2 (about 95 % for a normal distribution, GUM). Meter
accuracy statements are taken as rectangular (GUM 4.3.7).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from uncertainties import UFloat, ufloat

COVERAGE = 2.0
DB_PER_NEPER = 20.0 / math.log(10.0)
WHOLE = "bench's own, whole"
"""The part that keeps a reading near the bench's own residual as uncertain as that is large."""


def part(value: float, standard_uncertainty: float, name: str) -> UFloat:
    """A quantity with one source of uncertainty, named as it is shown in the budget."""
    return ufloat(value, abs(standard_uncertainty) or 1e-300, name)  # the library warns at exactly 0


def expanded(result: UFloat) -> dict[str, Any]:
    """value, expanded_uncertainty and budget of a propagated result, as keywords for a Reading.

    >>> both = expanded(part(28.28, 0.0816, "meter") ** 2 / part(8.0, 0.0462, "load"))
    >>> round(both["value"], 1), round(both["expanded_uncertainty"], 1)
    (100.0, 1.6)
    """
    return {
        "value": float(result.nominal_value),
        "expanded_uncertainty": COVERAGE * float(result.std_dev),
        "budget": {str(v.tag or "unnamed"): float(s) for v, s in result.error_components().items()},
    }


def in_db(result: UFloat) -> dict[str, Any]:
    """The same for a ratio of voltages that is shown in decibels; ratio above 0.

    >>> round(in_db(part(10.0, 0.115, "calibration"))["expanded_uncertainty"], 2)
    0.2
    """
    plain = expanded(result)
    scale = DB_PER_NEPER / plain["value"]
    return {
        "value": 20.0 * math.log10(plain["value"]),
        "expanded_uncertainty": scale * plain["expanded_uncertainty"],
        "budget": {name: scale * u for name, u in plain["budget"].items()},
    }


def at_least(parts: Mapping[str, float], expanded_uncertainty: float) -> dict[str, float]:
    """The parts, and one more that makes the whole of them as large as ``expanded_uncertainty`` where it is smaller.

    Near the bench's own residual nothing is taken from its luck: the reading is as uncertain as that residual is large,
    whatever an estimate of the residual says.

    >>> parts = at_least({"noise": 3.0}, 10.0)
    >>> parts["bench's own, whole"], math.hypot(*parts.values())
    (4.0, 5.0)
    """
    missing = (expanded_uncertainty / COVERAGE) ** 2 - sum(u * u for u in parts.values())
    return {**parts, WHOLE: math.sqrt(missing)} if missing > 0.0 else dict(parts)


def from_meter(value: float, budget: Mapping[str, float]) -> dict[str, Any]:
    """The same for a plain meter reading."""
    total = sum(u * u for u in budget.values()) ** 0.5
    return {"value": value, "expanded_uncertainty": COVERAGE * total, "budget": dict(budget)}
