"""Which runs of an archive are wanted: by amplifier, serial number, procedure, result, date, a value. Pure.

The same test decides with and without an index: it sees a run's line of the log, and the smallest and largest value of
each quantity that the filter names.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from benchtest.archive.run import RunSummary
from benchtest.archive.table_reading import Row
from benchtest.errors import FileError
from benchtest.quantities import QUANTITIES, convert, near_names

Extremes = Mapping[str, tuple[float, float]]
"""Quantity -> smallest and largest value of its readings in a run."""

_CONDITION = re.compile(r"\s*(\|?)\s*([a-z][a-z0-9_]*)\s*(\|?)\s*(<=|>=|<|>)\s*([-+.\deE]+)\s*(\S.*?)?\s*")


@dataclass(frozen=True)
class Condition:
    """At least one reading of ``quantity`` stands so to ``value`` (in the unit of the readings). magnitude: its sign is
    left out of account."""

    quantity: str
    comparison: str
    value: float
    magnitude: bool = False

    def holds(self, extremes: Extremes) -> bool:
        if self.quantity not in extremes:
            return False
        low, high = extremes[self.quantity]
        if self.magnitude:
            low, high = 0.0, max(abs(low), abs(high))  # only > and >= are allowed, so the smallest does not matter
        return {
            "<": low < self.value,
            "<=": low <= self.value,
            ">": high > self.value,
            ">=": high >= self.value,
        }[self.comparison]


def condition(text: str) -> Condition:
    """Read a condition such as "dc_offset > 0.05", "dc_offset < -20 mV" or "|dc_offset| > 50 mV". Raises FileError.

    >>> condition("thd_n>=0.1")
    Condition(quantity='thd_n', comparison='>=', value=0.1, magnitude=False)
    >>> condition("|dc_offset| > 50 mV")
    Condition(quantity='dc_offset', comparison='>', value=0.05, magnitude=True)
    """
    match = _CONDITION.fullmatch(text)
    try:
        value = float(match[5]) if match else math.nan
    except ValueError:
        value = math.nan
    if match is None or not math.isfinite(value) or match[1] != match[3]:
        raise FileError(
            f"{text!r} is no condition. Expected a quantity, one of < <= > >=, and a number in the unit of its "
            "readings or with a unit, such as 'dc_offset > 0.05' or '|dc_offset| > 50 mV'."
        )
    if match[1] and match[4] not in (">", ">="):
        raise FileError(
            f"{text!r}: a magnitude can only be asked for with > or >=. Leave the bars out, or turn it round."
        )
    return Condition(match[2], match[4], _in_own_unit(text, match[2], value, match[6]), bool(match[1]))


def _in_own_unit(text: str, quantity: str, value: float, unit: str | None) -> float:
    if unit is None:
        return value
    if quantity not in QUANTITIES:
        near = near_names(quantity, QUANTITIES)
        raise FileError(
            f"{text!r}: the unit of {quantity!r} is not known here. Write the number in its readings' unit"
            + (f", or was one of {', '.join(near)} meant?" if near else ".")
        )
    try:
        return convert(value, unit, QUANTITIES[quantity].unit)
    except ValueError as error:
        raise FileError(f"{text!r}: {error}. Expected a unit such as {QUANTITIES[quantity].unit}, or none.") from None


@dataclass(frozen=True)
class Filter:
    """Every part that is given must hold. amplifier is found anywhere in the name, in small or capital letters;
    serial_number, procedure, result and state are the whole word; since and until are UTC dates, both included."""

    amplifier: str = ""
    serial_number: str = ""
    procedure: str = ""
    result: str = ""
    state: str = ""
    simulated: bool | None = None
    since: date | None = None
    until: date | None = None
    conditions: tuple[Condition, ...] = ()

    @property
    def quantities(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(each.quantity for each in self.conditions))

    def matches(self, run: RunSummary, extremes: Extremes) -> bool:
        day = run.started_utc[:10]
        return (
            self.amplifier.casefold() in run.amplifier.casefold()
            and all(
                wanted in ("", found)
                for wanted, found in (
                    (self.serial_number, run.serial_number),
                    (self.procedure, run.procedure),
                    (self.result, run.result),
                    (self.state, run.state),
                )
            )
            and self.simulated in (None, run.simulated)
            and (self.since is None or day >= self.since.isoformat())
            and (self.until is None or "" < day <= self.until.isoformat())
            and all(each.holds(extremes) for each in self.conditions)
        )


def extremes_of(rows: Iterable[Row]) -> dict[str, tuple[float, float]]:
    """The smallest and largest finite value of each quantity.

    >>> extremes_of([{"quantity": "gain", "value": 2.0}, {"quantity": "gain", "value": None}])
    {'gain': (2.0, 2.0)}
    """
    found: dict[str, tuple[float, float]] = {}
    for row in rows:
        value = row["value"]
        if value is None or not math.isfinite(value):
            continue
        low, high = found.get(row["quantity"], (value, value))
        found[row["quantity"]] = (min(low, value), max(high, value))
    return found
