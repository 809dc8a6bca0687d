"""Our figures beside the published methods: which of a method's conditions a reading met, and so whether they compare.

The methods are data (``benchtest/published``); each condition says what a reading must state to have met it. What a
reading does not state counts as not met, and what the tool has no way to tell is listed as such: nothing is assumed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from benchtest.amplifier_file import AmplifierSpec
from benchtest.clipping_power import power_at
from benchtest.conditions import where_holds
from benchtest.published import DEFAULTS, MethodCondition, names, requirement_set
from benchtest.quantities import QUANTITIES
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
    """The table of a run: each figure, the maker's claim, and for each published method the conditions met, those not met
    with what was done instead, and so whether they may be compared. Readings that meet the same conditions stand together.
    [] where no method says anything of what was measured."""
    of: dict[int, list[Compared]] = {}
    readings = [_power_as_power(from_row(row)) for row in rows]
    for i, reading in enumerate(readings):
        found = list(compared_with_all([reading], spec))
        if found:
            of[i] = found
    if not of:
        return []
    blocks: dict[tuple[Any, ...], list[int]] = {}
    for i, found in of.items():
        alike = tuple((each.method, *(condition.item for condition in each.met)) for each in found)
        blocks.setdefault((readings[i].quantity, _driven(readings[i]), _into(readings[i]), alike), []).append(i)
    lines = [HEADING]
    for key, members in sorted(blocks.items(), key=lambda item: item[0][0]):
        lines += ["", f"  {quantity_in_words(key[0])}{''.join(f', {words}' for words in key[1:3] if words)}"]
        lines += [f"    {line}" for line in _figures([readings[i] for i in members])]
        for n, each in enumerate(of[members[0]]):
            lines += _method_lines(each, any(of[i][n].from_memory for i in members))
    forms = power_forms(rows)
    return lines + (["", "  Power in the forms that makers use:", *(f"    {form}" for form in forms)] if forms else [])


HEADING = (
    "Compared with published methods. Comparable: YES; WITH CARE, where what was not met or is not known moves the figure "
    "little or in a known way; NO. [from memory]: what the method asks for was not read at its source."
)


def _power_as_power(reading: Reading) -> Reading:
    """Power at another THD than the rated one is output power to a method: some ask for just that THD."""
    return replace(reading, quantity="output_power") if reading.quantity == "power_at_thd" else reading


def quantity_in_words(name: str) -> str:
    known = QUANTITIES.get(name)
    return known.words if known else name.replace("_", " ")


def _driven(reading: Reading) -> str:
    return DRIVEN.get(str(reading.conditions.get("driven", "")), "")


def _into(reading: Reading) -> str:
    return "" if reading.load_ohm is None else f"into {reading.load_ohm:.0f} ohm"


def _figures(readings: Sequence[Reading]) -> Iterator[str]:
    """One line for what was measured the same way, left beside right, with the maker's claim."""
    from benchtest.report.numbers import fitting_unit, value_text

    alike: dict[str, list[Reading]] = {}
    for reading in readings:
        tones = reading.conditions.get("frequencies_hz") or [reading.frequency_hz]
        at = ", ".join(part for part in _at(reading).split(", ") if not part.endswith("Hz"))
        how = "from a sweep" if "orders" in reading.conditions else ""
        words = (at, " + ".join(_hertz(f) for f in tones if f), how)
        alike.setdefault(", ".join(filter(None, words)), []).append(reading)
    for at, group in alike.items():
        values = []
        for reading in group:
            assert reading.value is not None
            unit = fitting_unit(reading.unit, [reading.value, reading.expanded_uncertainty])
            number, spread = value_text(reading.value, reading.expanded_uncertainty, unit)
            least = "at least " if _is_bound(reading) else ""
            values.append(f"{reading.channel} {least}{number} {spread} {unit.text}".replace("  ", " ").rstrip())
        claimed = next((r for r in group if r.claim is not None), None)
        claim = ""
        if claimed is not None and claimed.claim is not None:
            unit = fitting_unit(claimed.unit, [claimed.claim])
            verdicts = {str(r.claim_verdict) for r in group if r.claim is not None}
            claim = (
                f"; maker's claim {claimed.claim / unit.divisor:g} {unit.text}".rstrip()
                + f": {', '.join(sorted(verdicts))}"
            )
        yield f"{at + ': ' if at else ''}{', '.join(values)}{claim}"


def _hertz(frequency: float) -> str:
    """A frequency in three digits.

    >>> _hertz(49.98), _hertz(6300.0)
    ('50 Hz', '6.3 kHz')
    """
    return f"{float(f'{frequency:.3g}') / 1000.0:g} kHz" if frequency >= 1000.0 else f"{float(f'{frequency:.3g}'):g} Hz"


def _method_lines(each: Compared, from_memory: bool) -> Iterator[str]:
    memory = " [in part from memory]" if from_memory else ""
    yield f"    {each.method}: {each.comparable.upper()}{memory}"
    if each.met:
        yield "      met: " + "; ".join(f"{condition.item}{_mark(condition)}" for condition in each.met)
    for kind, conditions in (("not met", each.not_met), ("not known", each.not_known)):
        for condition in conditions:
            instead = f"; here: {condition.instead}" if condition.instead else ""
            yield f"      {kind}: {condition.item}: {condition.words}{instead}{_mark(condition)}"


def _mark(condition: MethodCondition) -> str:
    return " [from memory]" if condition.confidence == "from memory" else ""


LEAST_MEASURED_THD = 0.002
"""Only from a figure above this can another be computed: below it the curve is the amplifier's own, not its clipping."""


def power_forms(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Power as makers state it: both driven or one, at each THD that was reached, in bursts, at the edges of a band; and at
    10 % THD computed from the clipping point and marked so: never driven. It is computed once a channel, way of driving and
    load, from the largest THD that was reached. One line a form, left beside right."""
    readings = [from_row(row) for row in rows if row["value"] is not None]
    powers = [reading for reading in readings if reading.quantity in POWERS]
    reached: dict[tuple[str, str, str], float] = {}
    for power in powers:
        thd = _thd_of(_at(power))
        if thd is not None and not _is_bound(power):
            reached[_drive(power)] = max(thd, reached.get(_drive(power), 0.0))
    forms: dict[tuple[str, str], list[str]] = {}

    def add(how: str, marked: str, watts: float, channel: str, least: str = "") -> None:
        forms.setdefault((how, marked), []).append(f"{least}{watts:.3g} W {channel}")

    for power in powers:
        assert power.value is not None
        driven = _driven(power) or "driven: not stated"
        into = f", {_into(power)}" if _into(power) else ""
        add(f"{driven}{into}, 1 kHz sine, {_at(power)}", "MEASURED", power.value, power.channel,
            "at least " if _is_bound(power) else "")  # fmt: skip
        thd = _thd_of(_at(power))
        if thd is None or _is_bound(power) or thd != reached[_drive(power)]:
            continue
        if LEAST_MEASURED_THD <= thd < 0.1:
            computed = power_at(0.10, power.value, thd)
            how = f"{driven}{into}, 1 kHz sine, 10 % THD"
            add(how, f"COMPUTED from {100 * thd:g} %, not driven", computed, power.channel)
    for burst in readings:
        if burst.quantity == "dynamic_headroom" and burst.level is not None and burst.load_ohm:
            watts = burst.level**2 / burst.load_ohm
            how = f"{_driven(burst)}, {_into(burst)}, {burst.conditions.get('burst', '')} bursts of 1 kHz, {_at(burst)}"
            add(
                how, "MEASURED, music power in old words", watts, burst.channel, "at least " if _is_bound(burst) else ""
            )
    lines = [f"{', '.join(values)}: {how}: {marked}" for (how, marked), values in forms.items()]
    edges: dict[str, list[float]] = {}
    for edge in readings:
        if edge.quantity == "power_bandwidth" and edge.value is not None:
            edges.setdefault(edge.channel, []).append(edge.value)
    for channel, found in edges.items():
        band = f"{_hertz(min(found))} to {_hertz(max(found))}"
        lines.append(f"half of rated power from {band}, {channel}: MEASURED; full power is driven at 1 kHz only")
    return lines


POWERS = ("output_power", "power_at_thd")
DRIVEN = {"both": "both channels driven", "one": "one channel driven"}


def _at(power: Reading) -> str:
    return str(power.conditions.get("at", ""))


def _drive(power: Reading) -> tuple[str, str, str]:
    return power.channel, str(power.conditions.get("driven", "")), _into(power)


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
