"""Our figures beside the published methods: which of a method's conditions a reading met, and so whether they compare.

The methods are data (``benchtest/published``); each condition says what a reading must state to have met it. What a
reading does not state counts as not met, and what the tool has no way to tell is listed as such: nothing is assumed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from benchtest.amplifier_file import AmplifierSpec
from benchtest.clipping_power import power_at
from benchtest.conditions import where_holds
from benchtest.published import DEFAULTS, MethodCondition, names, requirement_set
from benchtest.reading import Reading, from_row

Comparable = Literal["yes", "with care", "no"]


@dataclass(frozen=True)
class Compared:
    """One reading against one method.

    ``comparable``: "yes" where every condition is met; "with care" where those not met or not known are not decisive
    (they move the figure little, or in a known way); else "no". ``from_memory`` says that part of what the method is
    said to require was not read anywhere: show it with that mark.
    """

    method: str
    title: str
    reading: Reading
    met: tuple[MethodCondition, ...]
    not_met: tuple[MethodCondition, ...]
    not_known: tuple[MethodCondition, ...]

    @property
    def comparable(self) -> Comparable:
        missing = (*self.not_met, *self.not_known)
        if not missing:
            return "yes"
        return "no" if any(each.decisive for each in missing) else "with care"

    @property
    def from_memory(self) -> bool:
        return any(each.confidence == "from memory" for each in (*self.met, *self.not_met, *self.not_known))


def compared(reading: Reading, spec: AmplifierSpec, *, method: str) -> Compared | None:
    """A reading against one method; None where there is no value or the method says nothing of its quantity.

    Raises FileError if no method is called that.
    """
    known = requirement_set(method)
    if reading.value is None or all(each.quantity != reading.quantity for each in known.conditions):
        return None
    conditions = [each for each in known.conditions if each.quantity in ("", reading.quantity)]
    told = [each for each in conditions if each.where]
    met = tuple(each for each in told if where_holds(each.where, reading, spec))
    return Compared(
        method=method,
        title=known.set.title,
        reading=reading,
        met=met,
        not_met=tuple(each for each in told if each not in met),
        not_known=tuple(each for each in conditions if not each.where),
    )


def compared_with_all(readings: Iterable[Reading], spec: AmplifierSpec) -> Iterator[Compared]:
    """Every reading against every method that says something of its quantity, in the order of the readings."""
    methods = [name for name in names() if name != DEFAULTS and requirement_set(name).conditions]
    for reading in readings:
        for method in methods:
            found = compared(reading, spec, method=method)
            if found is not None:
                yield found


def comparison_lines(rows: Sequence[Mapping[str, Any]], spec: AmplifierSpec) -> list[str]:
    """The table of a run: each figure, the maker's claim, and for each published method whether it may be compared, with
    the conditions that were not met and what was done instead. [] where no method says anything of what was measured."""
    found = list(compared_with_all((from_row(row) for row in rows), spec))
    if not found:
        return []
    lines = ["Compared with published methods (yes; with care: what is not met moves the figure little; no):"]
    done: dict[tuple[str, str], list[Compared]] = {}
    for each in found:
        done.setdefault((each.reading.quantity, each.method), []).append(each)
    quantity = ""
    for (name, _), group in sorted(done.items(), key=lambda item: item[0][0]):
        if name != quantity:
            quantity = name
            lines += ["", f"  {name.replace('_', ' ')}: {_ours(each.reading for each in group)}"]
        lines += _method_lines(group)
    forms = power_forms(rows)
    return lines + (["", "  Power in the forms that makers use:", *(f"    {form}" for form in forms)] if forms else [])


def _ours(readings: Iterable[Reading]) -> str:
    """The first reading of each kind, at most four, with the maker's claim."""
    shown: list[str] = []
    for reading in readings:
        at = ", ".join(
            filter(None, (reading.channel, str(reading.conditions.get("at", "")),
                          f"{reading.frequency_hz:g} Hz" if reading.frequency_hz else ""))
        )  # fmt: skip
        claim = "" if reading.claim is None else f" (maker says {reading.claim:g}: {reading.claim_verdict})"
        shown.append(f"{reading.value:.4g} {reading.unit} {at}{claim}")
    more = f"; and {len(shown) - 4} more" if len(shown) > 4 else ""
    return "; ".join(shown[:4]) + more


def _method_lines(group: Sequence[Compared]) -> Iterator[str]:
    first = group[0]
    words = {each.comparable for each in group}
    together = words.pop() if len(words) == 1 else "it depends on the reading: " + ", ".join(sorted(words))
    memory = " [in part from memory]" if any(each.from_memory for each in group) else ""
    yield f"    {first.method}: {together}{memory}"
    told: set[str] = set()
    for each in group:
        for condition in (*each.not_met, *each.not_known):
            if condition.item in told:
                continue
            told.add(condition.item)
            kind = "not met" if condition in each.not_met else "not known"
            instead = f"; here: {condition.instead}" if condition.instead else ""
            mark = " [from memory]" if condition.confidence == "from memory" else ""
            yield f"      {kind}: {condition.item}: {condition.words}{instead}{mark}"


LEAST_MEASURED_THD = 0.002
"""Only from a figure above this can another be computed: below it the curve is the amplifier's own, not its clipping."""


def power_forms(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Output power as measured, and at 10 % THD computed from the clipping point and marked so: never driven. It is
    computed once a channel and way of driving, from the largest THD that was reached."""
    powers = [from_row(row) for row in rows if row["quantity"] in POWERS and row["value"] is not None]
    reached: dict[tuple[str, str], float] = {}
    for power in powers:
        thd = _thd_of(_at(power))
        if thd is not None and not _is_bound(power):
            reached[_drive(power)] = max(thd, reached.get(_drive(power), 0.0))
    lines = []
    for power in powers:
        driven = DRIVEN.get(_drive(power)[1], "driven: not stated")
        least = "at least " if _is_bound(power) else ""
        lines.append(f"{least}{power.value:.3g} W {power.channel}, {driven}, 1 kHz sine, {_at(power)}: MEASURED")
        thd = _thd_of(_at(power))
        if least or thd is None or power.value is None or thd != reached[_drive(power)]:
            continue
        if LEAST_MEASURED_THD <= thd < 0.1:
            computed = power_at(0.10, power.value, thd)
            lines.append(
                f"{computed:.3g} W {power.channel}, {driven}, 1 kHz sine, 10 % THD: COMPUTED from it, not driven"
            )
    return lines


POWERS = ("output_power", "power_at_thd")
DRIVEN = {"both": "both channels driven", "one": "one channel driven"}


def _at(power: Reading) -> str:
    return str(power.conditions.get("at", ""))


def _drive(power: Reading) -> tuple[str, str]:
    return power.channel, str(power.conditions.get("driven", ""))


def _is_bound(power: Reading) -> bool:
    """Whether the THD was not reached, so that the power is a lower bound."""
    return power.note.startswith("at least")


def _thd_of(at: str) -> float | None:
    """0.005 of "0.5 % THD".

    >>> _thd_of("0.5 % THD"), _thd_of("4 ohm") is None
    (0.005, True)
    """
    number, percent, _ = at.partition("% THD")
    try:
        return float(number) / 100.0 if percent else None
    except ValueError:
        return None
