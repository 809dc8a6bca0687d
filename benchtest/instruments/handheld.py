"""A hand-held meter without an interface: a person reads it off and types what it shows.

What is typed is repeated back in full, checked for being plausible, and asked for again where it is not; nothing is
taken silently. Parsing is pure (`parse_typed`); asking goes through the operator.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from benchtest.errors import InstrumentError, NoReply
from benchtest.instruments.accuracy import DEFAULT, UNITS, Accuracy, rows_for, standard_uncertainty
from benchtest.instruments.protocols import Function, MeterReading, Operator

TRIES = 5
"""How often a value is asked for before the step is given up."""

LARGEST: dict[Function, float] = {
    Function.DC_VOLTS: 1000.0,
    Function.AC_VOLTS: 750.0,
    Function.RESISTANCE: 100e6,
    Function.RESISTANCE_4W: 100e6,
    Function.DC_CURRENT: 20.0,
    Function.DIODE: 10.0,
}
"""More than this no hand-held meter shows (common practice, no source)."""

_SWITCH_TO: dict[Function, str] = {
    Function.DC_VOLTS: "DC volts",
    Function.AC_VOLTS: "AC volts",
    Function.RESISTANCE: "ohms",
    Function.RESISTANCE_4W: "ohms",
    Function.DC_CURRENT: "DC current",
    Function.DIODE: "the diode test",
}
_PREFIXES = {"": 1.0, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9}
_OVERLOADS = {"ol", "0l", "0.l", "o.l", "o/l", "ofl", "1.", "ovld", "overload", "over", "inf", "infinity", "open", "∞"}
_TYPED = re.compile(r"(?P<sign>[+-]?)(?P<digits>\d+(?:[.,]\d*)?|[.,]\d+)(?P<exponent>[eE][+-]?\d{1,2})?(?P<unit>.*)")
_CODED = re.compile(r"(?P<whole>\d+)(?P<letter>[RrkKMm])(?P<part>\d+)")  # 4k7, 0R22
_UNITS = {"v": "V", "volt": "V", "volts": "V", "a": "A", "amp": "A", "amps": "A"}
_OHMS = {"ohm", "ohms", "r", "ω", "Ω"}
_KIND = re.compile(r"\s*\(?(ac|dc|rms|~|=)\)?\s*$", re.IGNORECASE)


@dataclass(frozen=True)
class TypedValue:
    """What somebody typed: value in ``unit`` (None for an overload), and the step of its last digit."""

    value: float | None
    unit: str
    resolution: float
    unit_given: bool

    @property
    def overload(self) -> bool:
        return self.value is None


def parse_typed(text: str, unit: str) -> TypedValue:
    """Read a value as a person types it off a meter.

    Parameters
    ----------
    text : str
        "64 mV", "-1,2mV" (a comma is a decimal comma), "0.064", "4k7", "OL".
    unit : str
        "V", "A" or "ohm": the unit that is expected, and that a bare number is in.

    Raises
    ------
    ValueError
        If it is no number, holds two separators, or carries another unit. The message says what would do.

    Examples
    --------
    >>> parse_typed("-1,2mV", "V").value
    -0.0012
    >>> parse_typed("0.064", "V").value
    0.064
    >>> parse_typed("OL", "ohm").overload
    True
    >>> parse_typed("4k7", "ohm").value
    4700.0
    """
    bare = text.strip().replace("\u2212", "-").replace("\u2013", "-").replace("\u00a0", " ")
    if bare.lower().lstrip("+-").replace(" ", "") in _OVERLOADS:
        return TypedValue(None, unit, math.nan, unit_given=False)
    expected = f"Expected a number in {unit}, such as {_example(unit)}, or OL where the meter shows that."
    if not bare:
        raise ValueError(f"Nothing was typed. {expected}")
    coded = _CODED.fullmatch(bare)
    if coded and unit == "ohm":
        scale = {"R": 1.0, "K": 1e3, "M": 1e6}[coded["letter"].upper()]
        value = float(f"{coded['whole']}.{coded['part']}") * scale
        return TypedValue(value, unit, scale * 10.0 ** -len(coded["part"]), unit_given=True)
    found = _TYPED.fullmatch(re.sub(r"^(minus|plus)\s*", lambda m: "-" if m[1] == "minus" else "+", bare))
    if found is None:
        raise ValueError(f"{text!r} is not a number. {expected}")
    scale = _scale(found["unit"], unit, text, expected)
    digits = found["digits"].replace(",", ".")
    exponent = found["exponent"] or ""
    value = float(f"{found['sign']}{digits}{exponent}") * scale
    decimals = len(digits.partition(".")[2])
    step = 10.0**-decimals * float(f"1{exponent}") * scale
    return TypedValue(_tidy(value), unit, _tidy(step), unit_given=bool(found["unit"].strip()))


def _scale(written: str, unit: str, text: str, expected: str) -> float:
    bare = _KIND.sub("", written.strip()).strip()
    if bare == "":
        return 1.0
    if unit == "ohm" and bare in _PREFIXES:
        return _PREFIXES[bare]
    if bare in ("m", "u", "µ", "μ", "k"):
        return _PREFIXES[bare]
    for length in (0, 1):
        prefix, name = bare[:length], bare[length:].strip()
        known = _UNITS.get(name.lower()) or ("ohm" if name.lower() in _OHMS or name in _OHMS else None)
        if prefix in _PREFIXES and known is not None:
            if known != unit:
                raise ValueError(f"{text!r} is in {known}, not in {unit}. {expected}")
            return _PREFIXES[prefix]
    raise ValueError(f"{text!r} has something after the number that is no unit here. {expected}")


def _example(unit: str) -> str:
    return {"V": "'64 mV' or '0.064'", "A": "'12 mA' or '0.012'"}.get(unit, "'8.2' or '4.7k'")


def _tidy(value: float) -> float:
    """Rid of what scaling by a prefix adds in the last binary digits."""
    return float(f"{value:.12g}")


def spoken(value: float, unit: str) -> str:
    """A value as it is read back, with a prefix.

    >>> spoken(-0.0012, "V"), spoken(8.2, "ohm"), spoken(0.0, "V")
    ('-1.2 mV', '8.2 ohm', '0 V')
    """
    if value == 0.0:
        return f"0 {unit}"
    prefixes = [(1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u")]
    scale, prefix = next(((s, p) for s, p in prefixes if abs(value) >= s * (1 - 1e-9)), prefixes[-1])
    return f"{value / scale:.9g} {prefix}{unit}"


class HandheldMultimeter:
    """A meter that a person reads; implements `benchtest.instruments.protocols.Multimeter`.

    Parameters
    ----------
    operator : Operator
        Who reads it.
    name, connected_to : str
        As for every meter.
    accuracy : sequence of Accuracy
        Its statement; without one, that of a plain meter of 2000 counts.
    description : str
        What the person calls it, such as "yellow hand-held meter".
    """

    def __init__(
        self,
        operator: Operator,
        *,
        name: str,
        connected_to: str = "movable",
        accuracy: Sequence[Accuracy] = DEFAULT,
        description: str = "hand-held meter, read by a person",
    ) -> None:
        self.name = name
        self.connected_to = connected_to
        self.accuracy = tuple(accuracy)
        self._operator = operator
        self._description = description

    def identity(self) -> str:
        return self._description

    def measure(
        self,
        function: Function,
        *,
        range: float | None = None,
        line_cycles: float = 10.0,
        frequency_hz: float | None = None,
    ) -> MeterReading:
        """Ask for one reading. ``range`` is the largest value that the step expects; above it the person is asked
        again.

        Raises
        ------
        InstrumentError
            If the meter's statement does not cover it.
        NoReply
            If nothing usable was typed in `TRIES` tries.
        """
        function = Function(function)
        if range is not None and not 0 < range < math.inf:
            raise InstrumentError(f"Meter '{self.name}': range {range!r}. Expected a full scale above 0, or None.")
        rows_for(self.accuracy, function, None, frequency_hz, meter=self.name)
        unit = UNITS[function]
        kind = {Function.DC_VOLTS: " DC", Function.AC_VOLTS: " AC", Function.DC_CURRENT: " DC"}.get(function, "")
        question = f"{self.name} on {_SWITCH_TO[function]}: what does it show now?"
        hint = ""
        for _ in _ATTEMPTS:
            answer = self._operator.enter(f"{hint}{question}", unit=unit + kind)
            try:
                typed = parse_typed(answer, unit)
            except ValueError as error:
                hint = f"{error} "
                continue
            accepted = self._plausible(typed, function, range)
            if accepted is None:
                hint = ""
                continue
            return self._reading(accepted, function, range, frequency_hz)
        raise NoReply(
            f"Meter '{self.name}': nothing usable was typed in {TRIES} tries. Expected {_example(unit)} or OL. "
            f"Check the meter's function and leads, then run the step again."
        )

    def errors(self) -> list[str]:
        return []

    def close(self) -> None:
        """Nothing is held open."""

    def _plausible(self, typed: TypedValue, function: Function, range: float | None) -> TypedValue | None:
        """The value that the person means, repeated back; None to ask again."""
        if typed.value is None:
            self._operator.tell(f"{self.name}: overload (OL).")
            return typed
        shown = spoken(typed.value, typed.unit)
        doubt = self._doubt(typed.value, function, range) or self._coarse(typed, range)
        if not doubt:
            self._operator.tell(f"{self.name}: {shown}.")
            return typed
        choices = ["again", f"it is {shown}"]
        milli = typed.value / 1000.0
        if not typed.unit_given and not self._doubt(milli, function, range):
            choices.insert(0, f"it is {spoken(milli, typed.unit)}")
        if abs(typed.value) > LARGEST[function]:
            choices.remove(f"it is {shown}")
        chosen = self._operator.ask(f"{self.name}: {shown}? {doubt} Which is right?", choices, about="reading")
        if chosen == f"it is {shown}":
            return typed
        if chosen == f"it is {spoken(milli, typed.unit)}":
            return TypedValue(_tidy(milli), typed.unit, typed.resolution / 1000.0, unit_given=True)
        return None

    def _doubt(self, value: float, function: Function, range: float | None) -> str:
        largest, unit = LARGEST[function], UNITS[function]
        if not abs(value) <= largest:
            return f"No meter shows more than {spoken(largest, unit)}."
        if function in (Function.AC_VOLTS, Function.DIODE) and value < 0:
            return "That cannot be negative."
        if function in (Function.RESISTANCE, Function.RESISTANCE_4W) and value < -0.5:
            return "Ohms cannot be negative: is there a voltage on the leads?"
        if range is not None and not abs(value) <= 1.2 * range:
            return f"Up to {spoken(range, unit)} is expected here."
        return ""

    def _coarse(self, typed: TypedValue, range: float | None) -> str:
        """A bare "0" or "1" says nothing of the digits behind it, on which the uncertainty rests."""
        bare_zero = typed.value == 0.0 and not typed.unit_given and typed.resolution >= 1.0
        if bare_zero or (range is not None and typed.resolution > range / 20):
            return "Type every digit that the meter shows, such as 0.000, or the unit with it."
        return ""

    def _reading(
        self, typed: TypedValue, function: Function, range: float | None, frequency_hz: float | None
    ) -> MeterReading:
        if typed.value is None:
            return MeterReading(function, None, range or LARGEST[function], math.nan, overload=True)
        full_scale = self._range_for(typed, function)
        u = standard_uncertainty(self.accuracy, function, typed.value, full_scale, frequency_hz, meter=self.name)
        return MeterReading(function, typed.value, full_scale, math.hypot(u, self._rounding(typed, function)))

    def _range_for(self, typed: TypedValue, function: Function) -> float:
        """The range the meter must have been on: the smallest stated one that holds the value, else of 2000 counts."""
        assert typed.value is not None
        stated = sorted(row.range for row in self.accuracy if row.function == function and math.isfinite(row.range))
        if stated:
            return next((scale for scale in stated if scale >= abs(typed.value)), stated[-1])
        by_counts = 2000 * typed.resolution
        while by_counts < abs(typed.value):
            by_counts *= 10
        return min(by_counts, max(2 * LARGEST[function], abs(typed.value)))

    def _rounding(self, typed: TypedValue, function: Function) -> float:
        """Half a digit, rectangular, where the statement has no term of range that would contain it."""
        if any(row.percent_of_range > 0 for row in self.accuracy if row.function == function):
            return 0.0
        return typed.resolution / 2 / math.sqrt(3)


_ATTEMPTS = range(TRIES)
