"""Does a row's ``where`` hold for a reading? One matcher for limits, claims and published methods.

A condition that the reading does not state is not met, and a number that is not finite meets none: nothing is assumed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from benchtest.amplifier_file import AmplifierSpec
from benchtest.reading import Reading

FREQUENCY_TOLERANCE = 0.005
"""A condition of 1 kHz is met by 997 Hz (the test frequency of AES17 and of whole periods)."""
LOAD_TOLERANCE = 0.1
"""A condition of 8 ohm is met by a dummy load of 7.6 ohm (5 % is accepted), not by 4 or 6 ohm."""
NUMBER_TOLERANCE = 0.01


def where_holds(where: Mapping[str, Any], reading: Reading, spec: AmplifierSpec) -> bool:
    """Is every condition met? A condition of "" is met where the reading does not state it.

    >>> reading = Reading(quantity="thd", channel="left", value=0.02, unit="%", frequency_hz=997.0,
    ...                   conditions={"at": "1 W"})
    >>> spec = AmplifierSpec(name="a")
    >>> where_holds({"at": "1 W", "frequency_hz": 1000.0}, reading, spec)
    True
    >>> where_holds({"at": "1 W", "driven": "both"}, reading, spec)
    False
    """
    return all(_holds(key, wanted, _stated(key, reading, spec), spec) for key, wanted in where.items())


def _stated(key: str, reading: Reading, spec: AmplifierSpec) -> Any:
    if key in ("output_stage", "kind", "rated_power_w"):
        return getattr(spec, key)
    if key == "volume_db":
        return volume_db(reading.conditions.get("volume"))
    if key in ("channel", "frequency_hz", "load_ohm", "level", "level_unit", "bandwidth_hz", "method"):
        value = getattr(reading, key)
        if value not in (None, ""):
            return value
    return reading.conditions.get(key)


def _holds(key: str, wanted: Any, stated: Any, spec: AmplifierSpec) -> bool:
    if isinstance(wanted, Sequence) and not isinstance(wanted, str):
        if len(wanted) == 2 and all(isinstance(each, int | float) for each in wanted):
            value = as_number(stated)
            return value is not None and wanted[0] <= value <= wanted[1]
        return any(_holds(key, each, stated, spec) for each in wanted)
    if wanted == "":
        return stated in (None, "")
    if stated is None:
        return False
    if key == "load_ohm" and wanted == "rated":
        wanted = spec.rated_load_ohm
    if isinstance(wanted, bool) or isinstance(stated, bool):
        return wanted is stated
    if isinstance(wanted, int | float):
        value = as_number(stated)
        tolerance = {"frequency_hz": FREQUENCY_TOLERANCE, "load_ohm": LOAD_TOLERANCE}.get(key, NUMBER_TOLERANCE)
        return value is not None and abs(value - wanted) <= tolerance * abs(wanted)
    return _plain(str(wanted)) == _plain(str(stated))


def volume_db(position: object) -> float | None:
    """The volume position in dB re full: "full" is 0, "-20 dB" is -20; None for anything else.

    >>> volume_db("full"), volume_db("-20 dB"), volume_db("minimum")
    (0.0, -20.0, None)
    """
    if position == "full":
        return 0.0
    found = re.fullmatch(r"\s*([+-]?\d+(?:\.\d+)?)\s*dB\s*", str(position))
    return float(found.group(1)) if found else None


def as_number(value: Any) -> float | None:
    """A finite number, or None for anything else; true and false are no numbers."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def _plain(text: str) -> str:
    return "".join(text.split()).casefold()
