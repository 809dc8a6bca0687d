"""What the rows of an amplifier file may name, and what can be wrong between its keys.

Works on the raw data, so that it also speaks when other keys are wrong. Published requirement sets are held to it too.
Pure; the models are in ``amplifier_file``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

from benchtest.config import KeyFault, nearest
from benchtest.quantities import QUANTITIES, convertible

OUTPUT_STAGES: tuple[str, ...] = (
    "direct_coupled", "dc_servo", "capacitor_coupled", "bridged", "output_transformer", "unknown",
)  # fmt: skip
KINDS: tuple[str, ...] = ("integrated", "power", "receiver", "module")

WHERE_KEYS: dict[str, str] = {
    "channel": "left, right, both or none",
    "frequency_hz": "a frequency, or [low, high]",
    "load_ohm": 'a resistance, [low, high], or "rated"',
    "level": "the level under which the reading was taken, or [low, high]",
    "level_unit": "the unit of level",
    "bandwidth_hz": 'the band, as "20:20000"',
    "method": "the method's name",
    "at": '"idle", "1 W", "half power", "rated power", "-20 dB", ..',
    "driven": '"one" or "both" channels',
    "volume": '"full", "minimum", "-20 dB"; "" where there is none',
    "volume_db": "volume position in dB re full, [low, high]",
    "input": "source input",
    "inputs": '"shorted", "sound_card" or "open"',
    "load": '"none", "1 kilohm", "load" or "second load"',
    "minutes": "minutes since mains on, or [low, high]",
    "point": "where it was measured, where that is not the terminals",
    "rail": '"positive" or "negative"',
    "edge": '"lower" or "upper" edge of a band',
    "signal": "the test signal's name",
    "reference": 'what a ratio refers to: "1 W", "rated power"',
    "weighting": '"none", "A", ..',
    "form": "form of the figure",
    "thd_percent": "distortion at which power was taken, or [low, high]",
    "burst": 'length of the burst; "" for a steady tone',
    "dwell_s": "seconds at full power before the figure is taken, or [low, high]",
    "preconditioning": 'preconditioning, such as "1/8 power, 1 h"',
    "mains_voltage": "mains voltage measured, V, or [low, high]",
    "step": "where in the procedure: before load, loaded, warm, ..",
    "output_stage": "kind of output stage of the amplifier",
    "kind": "kind of amplifier",
    "rated_power_w": "rated power of the amplifier, [low, high]",
}
"""Conditions in ``where``, and what stands there. The last three are the amplifier's, the rest a reading's."""

REFERENCES: tuple[str, ...] = (
    "rated_power_w", "rated_load_ohm", "rated_thd_percent", "gain_db", "sensitivity_v", "rail_v", "reservoir_uf",
    "idle_current_ma", "relay_delay_s", "load_ohm", "stated_ohm",
)  # fmt: skip
"""What ``percent_of`` and ``relative_to`` may name: keys of [amplifier], the reading's load or the bench file's."""


def amplifier_faults(data: Mapping[str, Any]) -> Iterator[KeyFault]:
    """What is wrong between keys. The data are raw: anything may be missing or of the wrong kind."""
    amplifier = data.get("amplifier")
    if isinstance(amplifier, Mapping):
        rated, minimum = amplifier.get("rated_load_ohm", 8.0), amplifier.get("minimum_load_ohm")
        if _number(rated) and _number(minimum) and minimum > rated:
            yield KeyFault(
                ("amplifier", "minimum_load_ohm"),
                f"at most the rated load, {rated} ohm",
                "Write the lowest load on the label.",
            )
    yield from claims_faults(data.get("claims"), "claims")
    yield from limits_faults(data.get("limits"), "limits")


def claims_faults(rows: Any, header: str) -> Iterator[KeyFault]:
    """Faults between the keys of [[claims]] rows, given raw."""
    for i, row in _rows(rows):
        path = (header, i)
        yield from _quantity_faults(row, path)
        yield from where_faults(row.get("where"), (*path, "where"))
        stated = [key for key in ("at_most", "at_least", "plus_minus") if key in row]
        if len(stated) != 1:
            yield KeyFault(
                (*path, stated[1]) if stated else path,
                "exactly one of at_most, at_least, plus_minus",
                "Write one figure in each [[claims]] section.",
                found=f"has {' and '.join(stated)}" if stated else "has no figure",
            )


def limits_faults(rows: Any, header: str) -> Iterator[KeyFault]:
    """Faults between the keys of [[limits]] rows, given raw."""
    for i, row in _rows(rows):
        path = (header, i)
        yield from _quantity_faults(row, path)
        yield from where_faults(row.get("where"), (*path, "where"))
        if not any(key in row for key in ("lower", "upper", "good_lower", "good_upper")):
            yield KeyFault(
                path, "at least one of lower, upper, good_lower, good_upper", "Add the limit.", found="has no limit"
            )
        yield from _order_faults(row, path)
        for key in ("percent_of", "relative_to"):
            name = row.get(key)
            if isinstance(name, str) and name and name not in REFERENCES:
                near = nearest(name, REFERENCES)
                yield KeyFault(
                    (*path, key),
                    f"one of {', '.join(REFERENCES)}",
                    f"Did you mean {near}?" if near else "Write the reference's key.",
                )
        if row.get("percent_of") and row.get("relative_to"):
            yield KeyFault((*path, "relative_to"), "either percent_of or relative_to", "Delete one of the two.")


def where_faults(where: Any, path: tuple[str | int, ...]) -> Iterator[KeyFault]:
    """Faults in a row's conditions: an unknown one, or a value that nothing could ever match."""
    if not isinstance(where, Mapping):
        return
    for key, value in where.items():
        here = (*path, key)
        if key not in WHERE_KEYS:
            near = nearest(key, WHERE_KEYS)
            yield KeyFault(
                here,
                f"one of the conditions {', '.join(WHERE_KEYS)}",
                f"Did you mean {near}?" if near else "Write a condition that readings carry; else the row never holds.",
                found="is not known",
            )
            continue
        if isinstance(value, str | bool) or _number(value):
            yield from _choice_faults(key, [value], here)
        elif isinstance(value, Sequence) and value and all(isinstance(each, str) for each in value):
            yield from _choice_faults(key, value, here)
        elif isinstance(value, Sequence) and len(value) == 2 and all(_number(each) for each in value):
            if value[0] > value[1]:
                yield KeyFault(here, "the lower value first", "Write [low, high].")
        else:
            yield KeyFault(here, WHERE_KEYS[key], "Write text, a finite number, [low, high], or a list of texts.")


_CHOICES: dict[str, tuple[str, ...]] = {
    "channel": ("left", "right", "both", "none"),
    "driven": ("one", "both"),
    "rail": ("positive", "negative"),
    "edge": ("lower", "upper"),
    "output_stage": OUTPUT_STAGES,
    "kind": KINDS,
}


def _choice_faults(key: str, values: Sequence[Any], path: tuple[str | int, ...]) -> Iterator[KeyFault]:
    for value in values:
        if key in _CHOICES and value not in _CHOICES[key]:
            near = nearest(str(value), _CHOICES[key])
            yield KeyFault(
                path,
                f"one of {', '.join(_CHOICES[key])}",
                f"Did you mean {near}?" if near else "Change the value; else the row never holds.",
            )


def _quantity_faults(row: Mapping[str, Any], path: tuple[str | int, ...]) -> Iterator[KeyFault]:
    quantity, unit = row.get("quantity"), row.get("unit")
    if not isinstance(quantity, str):
        return
    if quantity not in QUANTITIES:
        near = nearest(quantity, QUANTITIES)
        yield KeyFault(
            (*path, "quantity"),
            "the name of a quantity",
            f"Did you mean {near}?" if near else f"Quantities: {', '.join(QUANTITIES)}.",
        )
    elif isinstance(unit, str):
        wanted = "%" if row.get("percent_of") else QUANTITIES[quantity].unit
        if not convertible(unit, wanted):
            yield KeyFault(
                (*path, "unit"),
                f'a unit that can be stated in "{wanted}", the unit of {quantity}',
                f'Write the figures in "{wanted}".',
            )


def _order_faults(row: Mapping[str, Any], path: tuple[str | int, ...]) -> Iterator[KeyFault]:
    order = [(key, row.get(key)) for key in ("lower", "good_lower", "good_upper", "upper")]
    stated = [(key, value) for key, value in order if value is not None and _number(value)]
    for (low_key, low), (high_key, high) in pairwise(stated):
        if not low <= high:
            yield KeyFault(
                (*path, high_key),
                f"at least {low_key}, which is {low}",
                "The order is lower, good_lower, good_upper, upper.",
            )


def _rows(rows: Any) -> Iterator[tuple[int, Mapping[str, Any]]]:
    if isinstance(rows, list):
        yield from ((i, row) for i, row in enumerate(rows) if isinstance(row, Mapping))


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
