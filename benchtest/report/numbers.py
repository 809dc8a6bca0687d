"""Numbers as a page shows them: as many digits as the uncertainty supports, one SI prefix for a whole line. Pure.

The uncertainty has two significant digits and the value ends at the same place (JCGM 100:2008, 7.2.6).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

MINUS = "\N{MINUS SIGN}"
PLUS_MINUS = "\N{PLUS-MINUS SIGN}"
THIN = "\N{NARROW NO-BREAK SPACE}"

_PREFIXES = (("M", 1e6), ("k", 1e3), ("", 1.0), ("m", 1e-3), ("µ", 1e-6), ("n", 1e-9), ("p", 1e-12))
_SYMBOLS = {"ohm": "Ω", "ohms": "Ω", "percent": "%", "1": "", "degC": "°C", "C": "°C"}
_WITH_PREFIX = frozenset({"V", "A", "W", "Ω", "F", "H", "Hz", "s", "V/min"})
_NO_KILO = frozenset({"s", "W", "V", "A", "F", "V/min"})  # 1500 s and 0.1 kV are nobody's words at a bench


@dataclass(frozen=True)
class Unit:
    """A unit as shown, and by what an SI value is divided for it."""

    text: str
    divisor: float = 1.0


def fitting_unit(unit: str, values: Iterable[float | None]) -> Unit:
    """The unit for a line, its prefix chosen by the largest of ``values``.

    >>> fitting_unit("V", [0.0123, -0.005]), fitting_unit("ohm", [8.02]), fitting_unit("V peak", [0.02])
    (Unit(text='mV', divisor=0.001), Unit(text='Ω', divisor=1.0), Unit(text='mV peak', divisor=0.001))
    """
    base, _, rest = unit.partition(" ")
    base = _SYMBOLS.get(base, base)
    tail = f" {rest}" if rest else ""
    largest = max((abs(v) for v in values if v is not None and math.isfinite(v)), default=0.0)
    if base not in _WITH_PREFIX or largest == 0.0:
        return Unit(base + tail)
    for prefix, factor in _PREFIXES:
        if factor > 1 and base in _NO_KILO:
            continue
        if largest >= factor * 0.9995:
            return Unit(prefix + base + tail, factor)
    return Unit(base + tail)


def decimal(value: float, places: int) -> str:
    """``value`` with a fixed number of decimal places; below 0 the digits before the point are rounded.

    >>> decimal(-0.01234, 3), decimal(1234.0, -2)
    ('−0.012', '1200')
    """
    rounded = round(value, places)
    text = f"{rounded:.{max(places, 0)}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def places_for(uncertainty: float) -> int:
    """Decimal places at which two significant digits of ``uncertainty`` end.

    >>> places_for(0.0123), places_for(0.0996), places_for(123.0)
    (3, 2, -1)
    """
    return 1 - int(f"{uncertainty:.1e}".partition("e")[2])


def significant(value: float, digits: int = 4) -> str:
    """``value`` with so many significant digits, for a number that has no uncertainty.

    >>> significant(0.1), significant(28.28427), significant(0.0), significant(100.0)
    ('0.1', '28.28', '0', '100')
    """
    if not math.isfinite(value):
        return "not a number" if math.isnan(value) else ("∞" if value > 0 else f"{MINUS}∞")
    if value == 0.0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    text = f"{round(value, places):.{min(max(places, 0), 12)}f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text).replace("-", MINUS)


def value_text(value: float, uncertainty: float | None, unit: Unit) -> tuple[str, str]:
    """The value and its expanded uncertainty, both in ``unit``; the second is "" where it is not known.

    >>> value_text(0.012345, 0.00023, fitting_unit("V", [0.012345]))
    ('12.35', '±\u202f0.23')
    """
    shown = value / unit.divisor
    if uncertainty is None or not math.isfinite(uncertainty) or uncertainty <= 0 or not math.isfinite(shown):
        return significant(shown), ""
    half = uncertainty / unit.divisor
    places = min(places_for(half), 9)
    return decimal(shown, places), f"{PLUS_MINUS}{THIN}{decimal(half, places)}"


def limits_text(lower: float | None, upper: float | None, unit: Unit) -> str:
    """The limits in words.

    >>> unit = Unit("mV", 1e-3)
    >>> limits_text(-0.1, 0.1, unit), limits_text(None, 0.1, unit), limits_text(0.01, None, unit)
    ('within ±100', 'at most 100', 'at least 10')
    """
    low, high = (None if v is None or not math.isfinite(v) else v / unit.divisor for v in (lower, upper))
    if low is not None and high is not None:
        if low == -high:
            return f"within {PLUS_MINUS}{significant(high)}"
        return f"{significant(low)} to {significant(high)}"
    if high is not None:
        return f"at most {significant(high)}"
    return f"at least {significant(low)}" if low is not None else ""


def duration(seconds: float) -> str:
    """A time span as a person says it.

    >>> duration(45.2), duration(605), duration(7260)
    ('45 s', '10 min 5 s', '2 h 1 min')
    """
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min" + (f" {whole % 60} s" if whole % 60 else "")
    return f"{whole // 3600} h {whole % 3600 // 60} min"
