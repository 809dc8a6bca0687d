"""One measured value, as it stands in readings.csv: quantity, channel, value, unit, uncertainty, conditions.

A measurement makes readings without a verdict; ``limits`` adds limits, verdict and claim; the runner adds the columns
that say which run and step it belongs to.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Verdict(StrEnum):
    """How a reading stands to its limits. NOTED lies between good and poor and does not fail."""

    PASS = "pass"
    NOTED = "noted"
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    INFORMATION = "information"
    NOT_MEASURED = "not_measured"


class ClaimVerdict(StrEnum):
    """How a reading stands to the maker's figure."""

    MET = "met"
    MISSED = "missed"
    INCONCLUSIVE = "inconclusive"


CHANNELS = ("left", "right", "both", "none")


@dataclass(frozen=True, kw_only=True)
class Reading:
    """A value with what is needed to believe it.

    value and expanded_uncertainty (k = coverage_factor) are in ``unit``; value is None where nothing was measured.
    level with level_unit is the condition under which the reading was taken; bandwidth_hz is "lo:hi".
    """

    quantity: str
    channel: str
    value: float | None
    unit: str
    expanded_uncertainty: float | None = None
    coverage_factor: float = 2.0
    lower_limit: float | None = None
    upper_limit: float | None = None
    verdict: Verdict = Verdict.INFORMATION
    claim: float | None = None
    claim_verdict: ClaimVerdict | None = None
    method: str = ""
    frequency_hz: float | None = None
    level: float | None = None
    level_unit: str = ""
    load_ohm: float | None = None
    bandwidth_hz: str = ""
    conditions: Mapping[str, Any] = field(default_factory=dict)
    note: str = ""
    budget: Mapping[str, float] = field(default_factory=dict)
    """Parts of the combined standard uncertainty by source, in ``unit``; kept in events.jsonl, not in the CSV."""


AT_LEAST = {"bound": "at least"}
"""Condition of a reading that the bench cut short: what is measured is so much or more."""


COLUMNS = (
    "run_id", "sequence", "time_utc", "procedure", "step", "quantity", "channel", "value", "unit",
    "expanded_uncertainty", "coverage_factor", "lower_limit", "upper_limit", "verdict", "claim", "claim_verdict",
    "method", "frequency_hz", "level", "level_unit", "load_ohm", "bandwidth_hz", "conditions", "simulated", "note",
)  # fmt: skip
"""The columns of readings.csv, in their order."""


def from_row(row: Mapping[str, Any]) -> Reading:
    """The reading that a row of readings.csv was made of (its budget is not in the row)."""
    known = Reading.__dataclass_fields__
    fields = {name: row[name] for name in COLUMNS if name in known and row.get(name) is not None}
    fields |= {
        "value": row["value"],
        "verdict": Verdict(row["verdict"]),
        "conditions": json.loads(row["conditions"] or "{}"),
    }
    if fields.get("claim_verdict"):
        fields["claim_verdict"] = ClaimVerdict(fields["claim_verdict"])
    return Reading(**fields)


def as_row(reading: Reading, **run: Any) -> dict[str, Any]:
    """The reading as a row of readings.csv; ``run`` holds run_id, sequence, time_utc, procedure, step, simulated.

    Values are Python objects (None for empty); the archive writes them as text.
    """
    row: dict[str, Any] = {name: getattr(reading, name) for name in COLUMNS if hasattr(reading, name)}
    row["verdict"] = str(reading.verdict)
    row["claim_verdict"] = str(reading.claim_verdict) if reading.claim_verdict else None
    row["conditions"] = json.dumps(dict(reading.conditions), separators=(",", ":"), sort_keys=True)
    row.update(run)
    missing = [name for name in COLUMNS if name not in row]
    if missing:
        raise ValueError(f"a row of readings.csv lacks {', '.join(missing)}")
    return {name: row[name] for name in COLUMNS}
