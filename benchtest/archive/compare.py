"""Two runs side by side: before and after a repair, or one set on two days. Pure: rows and run.json in, rows out.

A difference is significant where it exceeds its expanded uncertainty (k = 2), the two readings' uncertainties taken as
independent (JCGM 100:2008, 5.1.2). On one bench a part of them is common and cancels, so that "not significant" is said
too often rather than too seldom. Conditions that differ are named beside it: they explain most improvements.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from benchtest.archive.conditions import alike, conditions_of, is_measured
from benchtest.archive.run import amplifier_identity
from benchtest.archive.table_reading import Row

WHAT_IT_IS = ("at", "rail", "driven", "edge", "signal", "reference", "weighting", "form", "point", "burst")
"""Conditions that make it another characteristic; any other one may differ, and is then named."""
SAME_LOAD = 0.01
SAME_MAINS = 0.01
COVERAGE = 2.0


@dataclass(frozen=True)
class Comparison:
    """One reading before and after, in ``unit``. difference is after less before; significant is None where it cannot be
    said (a value or an uncertainty is missing). Where only one run has the reading the other value is None."""

    quantity: str
    channel: str
    conditions: str
    unit: str
    before: float | None
    after: float | None
    before_uncertainty: float | None
    after_uncertainty: float | None
    difference: float | None
    uncertainty: float | None
    significant: bool | None
    before_verdict: str
    after_verdict: str
    differing: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)


@dataclass(frozen=True)
class DifferingCondition:
    """Something about the two runs as a whole that is not the same."""

    what: str
    before: str
    after: str


def compare_rows(before: Sequence[Row], after: Sequence[Row]) -> list[Comparison]:
    """Every reading of two runs side by side, in the order of ``before``; then what only ``after`` has.

    Readings are of one kind when quantity, channel, unit, frequency, level and what WHAT_IT_IS names agree; of several
    the one with the fewest differing conditions is taken.
    """
    left_over = list(after)
    found = []
    for row in before:
        partners = [other for other in left_over if _one_kind(row, other)]
        partner = min(partners, key=lambda other: len(_differing(row, other)), default=None)
        if partner is not None:
            left_over = [other for other in left_over if other is not partner]
        found.append(_comparison(row, partner))
    return found + [_comparison(None, row) for row in left_over]


def differing_conditions(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[DifferingCondition]:
    """What differs between two runs as a whole, from their run.json: set, procedure, bench, mains, load, calibration,
    instruments, program."""
    found = []
    for (what, one), (_, other) in zip(_whole(before), _whole(after), strict=True):
        if isinstance(one, int | float) and isinstance(other, int | float) and not isinstance(one, bool):
            ratio = SAME_LOAD if "load" in what else SAME_MAINS
            same = math.isclose(one, other, rel_tol=ratio)
        else:
            same = one == other
        if not same:
            found.append(DifferingCondition(what, _shown(one), _shown(other)))
    return found


def _whole(run: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    bench, calibration = run.get("bench"), run.get("calibration")
    bench = bench if isinstance(bench, Mapping) else {"name": bench}
    calibration = calibration if isinstance(calibration, Mapping) else {}
    load = bench.get("load_ohm")
    software = run.get("software")
    instruments = run.get("instruments")
    about = amplifier_identity(run)
    yield "amplifier", about.get("name")
    yield "serial number", about.get("serial")
    yield "procedure", run.get("procedure")
    yield "bench", bench.get("name")
    yield "simulated", run.get("simulated")
    yield "mains voltage (V)", bench.get("mains_voltage")
    yield "mains frequency (Hz)", bench.get("mains_frequency")
    for channel in ("left", "right"):
        yield f"load {channel} (ohm)", load.get(channel) if isinstance(load, Mapping) else load
    yield "calibration", calibration.get("made_utc")
    yield "instruments", _identities(instruments)
    yield "program", software.get("benchtest") if isinstance(software, Mapping) else software


def _identities(instruments: Any) -> list[str]:
    if not isinstance(instruments, list):
        return [str(instruments)] if instruments else []
    return sorted(str(item.get("identity", item)) if isinstance(item, Mapping) else str(item) for item in instruments)


def _shown(value: Any) -> str:
    if isinstance(value, list):
        return "; ".join(map(str, value))
    return "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _one_kind(row: Row, other: Row) -> bool:
    mine, theirs = conditions_of(row), conditions_of(other)
    return (
        all(row[key] == other[key] for key in ("quantity", "channel", "unit", "level_unit"))
        and alike(row["frequency_hz"], other["frequency_hz"])
        and alike(row["level"], other["level"])
        and all(mine.get(key) == theirs.get(key) for key in WHAT_IT_IS)
    )


def _differing(row: Row, other: Row) -> tuple[str, ...]:
    """What differs between two readings of one kind, in words."""
    mine, theirs = conditions_of(row), conditions_of(other)
    found = [
        f"{key.replace('_hz', '')} {row[key]} / {other[key]}"
        for key in ("step", "method", "bandwidth_hz")
        if row[key] != other[key]
    ]
    if not alike(row["load_ohm"], other["load_ohm"], SAME_LOAD):
        found.append(f"load {_shown(row['load_ohm'])} / {_shown(other['load_ohm'])} ohm")
    for key in dict.fromkeys((*mine, *theirs)):
        one, two = mine.get(key), theirs.get(key)
        # truth values (an exact zero) are found by measuring, as numbers are
        measured = all(is_measured(value) or value is None or isinstance(value, bool) for value in (one, two))
        if key not in WHAT_IT_IS and one != two and not measured:
            found.append(f"{key.replace('_', ' ')} {_shown(one)} / {_shown(two)}")
    return tuple(found)


def _comparison(before: Row | None, after: Row | None) -> Comparison:
    row = before if before is not None else after
    assert row is not None
    one, two = (None if r is None else r["value"] for r in (before, after))
    spans = [None if r is None else expanded_uncertainty(r) for r in (before, after)]
    difference = None if one is None or two is None else two - one
    uncertainty = None if spans[0] is None or spans[1] is None else math.hypot(spans[0], spans[1])
    significant = None
    if difference is not None and uncertainty is not None and math.isfinite(difference):
        significant = abs(difference) > uncertainty
    return Comparison(
        quantity=row["quantity"],
        channel=row["channel"],
        conditions=kind_words(row),
        unit=row["unit"],
        before=one,
        after=two,
        before_uncertainty=spans[0],
        after_uncertainty=spans[1],
        difference=difference,
        uncertainty=uncertainty,
        significant=significant,
        before_verdict="" if before is None else before["verdict"],
        after_verdict="" if after is None else after["verdict"],
        differing=() if before is None or after is None else _differing(before, after),
    )


def expanded_uncertainty(row: Row) -> float | None:
    """The expanded uncertainty of a reading for COVERAGE; None where it is not known."""
    span, factor = row["expanded_uncertainty"], row["coverage_factor"]
    if span is None or not factor or not math.isfinite(span) or not factor > 0:
        return None
    return float(span * COVERAGE / factor)


def kind_words(row: Row) -> str:
    given = conditions_of(row)
    parts = [f"{key} {given[key]}" for key in WHAT_IT_IS if given.get(key) not in (None, "")]
    if row["frequency_hz"] is not None:
        rounded = float(f"{row['frequency_hz']:.3g}")  # a mains line is not found at the same millihertz twice
        parts.insert(0, f"{rounded:g} Hz")
    if row["level"] is not None:
        parts.insert(1, f"{row['level']:.3g} {row['level_unit']}".strip())
    return ", ".join(parts)
