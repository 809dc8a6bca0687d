"""Evidence in plain words, with the readings quoted."""

from __future__ import annotations

import math

import numpy as np

from benchtest.diagnosis.features import OPEN_OHM, OVERLOAD_V, Feature
from benchtest.diagnosis.knowledge import FloatArray, Symptom
from benchtest.diagnosis.rows import Seen
from benchtest.instruments.test_points import TEST_POINTS
from benchtest.quantities import QUANTITIES

_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"))
NOTHING = 1e-9
"""Below that, in any unit, a value is said to be 0."""
_SCALED = ("V", "A", "W", "ohm", "F")
RAMP_WORDS = {
    0: "it rose to the end", 1: "THD reached its ceiling", 2: "the gain fell", 3: "the gain rose by itself",
    4: "THD stood at a low level", 5: "no answer to the tone",
}  # fmt: skip
ANSWER_WORDS = {0: "none", 1: "from the other channel", 2: "its own"}
LAMP_WORDS = {0: "dark", 1: "dull", 2: "half bright", 3: "bright"}


def figure(value: float, unit: str) -> str:
    """A value in three digits with a prefix where the unit takes one.

    >>> figure(0.02753, "V"), figure(1.734, "%"), figure(0.0, "V"), figure(-31.5, "dB"), figure(8.06, "ohm")
    ('27.5 mV', '1.73 %', '0 V', '-31.5 dB', '8.06 ohm')
    """
    unit = "" if unit == "1" else unit
    if abs(value) < NOTHING:
        return f"0 {unit}".rstrip()
    if unit == "ohm" and value >= OPEN_OHM:
        return "open"
    scale, prefix = 1.0, ""
    if unit in _SCALED:
        scale, prefix = next(((s, p) for s, p in _PREFIXES if abs(value) >= s), _PREFIXES[-1])
        if unit == "ohm" and scale < 1.0:
            scale, prefix = 1.0, ""
    number = value / scale
    digits = max(0, 2 - math.floor(math.log10(abs(number)) + 1e-9))
    text = f"{number:.{min(digits, 4)}f}"
    return f"{text} {prefix}{unit}".rstrip()


def reading_words(seen: Seen) -> str:
    """One reading: "THD, left, 1 W: 1.73 %".

    >>> from benchtest.diagnosis.rows import seen
    >>> thd = {"quantity": "thd", "channel": "left", "value": 0.2, "unit": "%", "frequency_hz": 6300,
    ...        "conditions": {"at": "1 W, 6.3 kHz"}}
    >>> lamp = {"quantity": "lamp_brightness", "value": 3, "unit": "1", "conditions": {"at": "on the lamp"}}
    >>> charge = {"quantity": "residual_charge", "value": 1.5, "unit": "V", "conditions": {"rail": "positive"}}
    >>> [reading_words(each) for each in seen([thd, lamp, charge])]
    ['THD, left, 1 W, 6.3 kHz: 0.200 %', 'series lamp: bright', 'stored charge, positive rail: 1.50 V']
    """
    known = QUANTITIES.get(seen.quantity)
    name = known.words if known else seen.quantity.replace("_", " ")
    rail = seen.conditions.get("rail")
    if seen.quantity == "residual_charge" and rail == "rail to rail":
        name = f"{name}, rail to rail"
    elif rail in ("positive", "negative"):
        name = name.replace("rail", f"{rail} rail", 1) if "rail" in name else f"{name}, {rail} rail"
    where = [seen.channel] if seen.channel in ("left", "right") else []
    point = str(seen.conditions.get("point", ""))
    if seen.quantity in ("resistance", "voltage", "ac_voltage") and point in TEST_POINTS:
        name, where = f"{name}, {point.replace('_', ' ')}", []
    at = seen.at()
    if seen.quantity == "output_power" and seen.conditions.get("driven"):
        at = f"{at}, {seen.conditions['driven']} driven" if at else f"{seen.conditions['driven']} driven"
    if at.replace(" ", "_") == seen.conditions.get("point"):
        at = ""
    where += [at] if at else []
    if "Hz" not in at and (_by_frequency(seen) or _not_1_khz(seen)):
        where.append(figure(seen.frequency_hz or 0.0, "").strip() + " Hz")
    if rail == "none":
        return f"{', '.join(['negative rail', *where])}: none, there is one supply rail only"
    if seen.quantity == "lamp_brightness" and seen.value is not None:
        return f"{name}: {LAMP_WORDS.get(int(seen.value), '')}"
    if seen.quantity == "polarity" and seen.value is not None:
        return f"{', '.join([name, *where])}: {'the right way round' if seen.value > 0 else 'INVERTED'}"
    if seen.quantity == "dropouts" and seen.value == 0.0:
        return f"{', '.join([name, *where])}: never, it is steady"
    value = figure(seen.value, seen.unit) if seen.value is not None else (seen.note.split(". ")[0] or "no value")
    return f"{', '.join([name, *where])}: {value}"


def _by_frequency(seen: Seen) -> bool:
    return bool(seen.frequency_hz) and seen.quantity in ("frequency_response", "crosstalk", "hum")


def _not_1_khz(seen: Seen) -> bool:
    return seen.quantity in ("thd", "thd_n") and bool(seen.frequency_hz) and abs((seen.frequency_hz or 0) - 1000) > 100


def feature_words(feature: Feature, symptom: Symptom) -> str:
    """What a feature says, with its readings: "gain against the other channel, left: -4.3 dB (gain, left ..)"."""
    where = f", {feature.channel}" if feature.channel != "none" else ""
    sources = [reading_words(s) for s in feature.sources[:2]]
    if feature.name in ("ramp_end", "answers", "lamp"):
        words = {"ramp_end": RAMP_WORDS, "answers": ANSWER_WORDS, "lamp": LAMP_WORDS}[feature.name]
        what = {"ramp_end": "rising tone", "answers": "answer to the tone", "lamp": "series lamp"}[feature.name]
        said = f"{what}{where}: {words.get(int(feature.value), '')}"
        return f"{said} ({sources[0]})" if sources and feature.name == "ramp_end" else said
    if len(sources) == 1 and _same_number(feature):
        return sources[0]
    value = "overload" if symptom.unit == "V" and feature.value >= OVERLOAD_V else figure(feature.value, symptom.unit)
    quoted = f" ({'; '.join(sources)})" if sources else ""
    return f"{symptom.words}{where}: {value}{quoted}"


def _same_number(feature: Feature) -> bool:
    value = feature.sources[0].value
    return value is None or math.isclose(abs(value), abs(feature.value), rel_tol=1e-9, abs_tol=1e-12)


def level_words(symptom: Symptom, level: int) -> str:
    """The range of a level: "below 0.1 %", "0.1 % to 0.3 %", "above 0.3 %"."""
    cuts = symptom.cuts
    if not cuts:
        return "any value"
    if level == 0:
        return f"below {figure(cuts[0], symptom.unit)}"
    if level == len(cuts):
        return f"above {figure(cuts[-1], symptom.unit)}"
    return f"{figure(cuts[level - 1], symptom.unit)} to {figure(cuts[level], symptom.unit)}"


def for_words(feature: Feature, symptom: Symptom, normal: FloatArray) -> str:
    """Evidence for a cause."""
    share = float(np.exp(normal[symptom.level(feature.value)]))
    how = "hardly ever in a healthy set" if share < 0.02 else "seldom in a healthy set" if share < 0.1 else ""
    said = feature_words(feature, symptom)
    return said + (f": {how}" if how else "")


def against_words(feature: Feature, symptom: Symptom, table: FloatArray) -> str:
    """Evidence against a cause: what was seen, and what one would expect."""
    said = feature_words(feature, symptom)
    if feature.name in ("ramp_end", "answers", "lamp"):
        return f"against it: {said}"
    return f"against it: {said}; with this fault it is usually {level_words(symptom, int(np.argmax(table)))}"
