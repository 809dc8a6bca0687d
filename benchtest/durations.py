"""How long things take, as a procedure's author writes it: "40 s", "10 min", "1 h 20 min". Pure."""

from __future__ import annotations

import re
from collections.abc import Iterable

_PART = re.compile(r"(\d+(?:\.\d+)?)\s*(h|min|s)\b")
_SECONDS = {"h": 3600.0, "min": 60.0, "s": 1.0}


def seconds_of(takes: str) -> float | None:
    """Seconds of a duration; None where nothing, or something else, is written.

    >>> seconds_of("40 s"), seconds_of("1 h 20 min"), seconds_of("a while") is None
    (40.0, 4800.0, True)
    """
    parts = _PART.findall(takes)
    if not parts or _PART.sub("", takes).strip():
        return None
    return sum(float(number) * _SECONDS[unit] for number, unit in parts)


def total_seconds(steps: Iterable[str]) -> float | None:
    """The sum; None where none of them says how long it takes.

    >>> total_seconds(["40 s", "", "1 min"])
    100.0
    """
    known = [s for s in map(seconds_of, steps) if s is not None]
    return sum(known) if known else None


def in_words(seconds: float) -> str:
    """About how long, coarse enough to be true.

    >>> in_words(44.0), in_words(994.0), in_words(8000.0)
    ('45 s', '17 min', '2 h 15 min')
    """
    if seconds < 90.0:
        return f"{5 * max(1, round(seconds / 5.0))} s"
    minutes = round(seconds / 60.0)
    if minutes < 90:
        return f"{minutes} min"
    minutes = 5 * round(minutes / 5)
    return f"{minutes // 60} h" + (f" {minutes % 60} min" if minutes % 60 else "")
