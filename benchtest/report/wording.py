"""The words of a report: quantities, verdicts, claims, conditions, and the result in one sentence. Pure.

A report never says safe, certified, guaranteed or as new, and praises nothing: it says what was found and what was not.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from benchtest.archive.conditions import conditions_of, is_measured
from benchtest.quantities import QUANTITIES, TOLD_IN_WORDS
from benchtest.report.numbers import MINUS, duration, fitting_unit, significant

SERVICEABLE = {
    "pass": "yes",
    "noted": "worn, noted",
    "fail": "no",
    "inconclusive": "too close to call",
    "information": "not judged",
    "not_measured": "not measured",
}
COUNTED = SERVICEABLE | {"pass": "serviceable", "fail": "not serviceable"}
MARK = {"pass": "●", "noted": "◐", "fail": "✕", "inconclusive": "◇", "information": "·", "not_measured": "○"}
WORST_FIRST = ("fail", "inconclusive", "not_measured", "noted", "pass", "information")

USUAL_TESTS = {
    "output_power": "output power",
    "thd_n": "distortion and noise",
    "intermodulation": "intermodulation",
    "frequency_response": "frequency response",
    "noise": "noise",
    "crosstalk": "crosstalk between the channels",
    "output_impedance": "output impedance and damping factor",
    "input_impedance": "input impedance",
    "slew_rate": "slew rate",
    "idle_current": "idle (bias) current",
    "rail_voltage": "supply rails",
    "reservoir_capacitance": "reservoir capacitors",
}
"""What a technician would expect of a full test; what no reading names is listed as not tested."""


def quantity_words(quantity: str) -> str:
    """A quantity's name in words.

    >>> quantity_words("dc_offset"), quantity_words("gain"), quantity_words("something_new")
    ('DC at the output', 'Gain', 'Something new')
    """
    words = QUANTITIES[quantity].words if quantity in QUANTITIES else quantity.replace("_", " ").strip()
    return words[:1].upper() + words[1:]


def told_in_words(row: Mapping[str, Any]) -> str:
    """A value that is a word rather than a number: the answer that a person gave, or what its 1 or 0 means; "" for others.

    >>> told_in_words({"quantity": "polarity", "value": -1.0}), told_in_words({"quantity": "gain", "value": 1.0})
    ('INVERTED', '')
    """
    words = TOLD_IN_WORDS.get(row["quantity"])
    if words is None or row["value"] is None:
        return ""
    return str(conditions_of(row).get("answer") or words.get(float(row["value"]), ""))


def plain_words(name: str) -> str:
    """A name from a file as a person writes it. A minus sign stays one.

    >>> plain_words("speaker-fuse-open"), plain_words("-20 dB")
    ('speaker fuse open', '−20 dB')
    """
    words = re.sub(r"(?<=\w)-(?=\w)", " ", name.replace("_", " "))
    return re.sub(r"(?<!\S)-(?=\d)", MINUS, words).strip()


def si_text(text: str) -> str:
    """A note with its units after SI: what was typed on a keyboard has "uV", "ohm" and a hyphen for minus.

    >>> si_text("64 uV above -87 dB into 8 ohm (1 kilohm before); two-pole 0.1 uF, THD-1")
    '64 µV above −87 dB into 8 Ω (1 kilohm before); two-pole 0.1 µF, THD-1'
    """
    text = re.sub(r"(?<=\d) u(?=(?:V|A|F|H|s|W)\b)", " µ", text)
    text = re.sub(r"(?<=\d) (k|M|m)?ohms?\b", lambda found: f" {found[1] or ''}Ω", text)
    return re.sub(r"(?<![\w.)\]])-(?=\d)", MINUS, text)


def condition_words(row: Mapping[str, Any]) -> tuple[str, ...]:
    """Under which conditions a reading was taken, in short parts, most telling first. What is usual (lamp out, the dummy
    load whose resistance is given) or was measured along the way (rails) is left to readings.csv."""
    parts: list[str] = []
    given = conditions_of(row)
    if given.get("at"):
        parts.append(plain_words(str(given["at"])))
    if _finite(row.get("frequency_hz")) and (frequency := _with_unit(row["frequency_hz"], "Hz")) not in "".join(parts):
        parts.append(frequency)
    if _finite(row.get("level")):
        parts.append(_with_unit(row["level"], str(row.get("level_unit") or "")))
    if _finite(row.get("load_ohm")):
        parts.append(f"into {_with_unit(row['load_ohm'], 'ohm')}")
    for key, value in given.items():
        if (
            key in TOLD_ELSEWHERE
            or (key, value) in USUAL
            or value in (*NOTHING, given.get("at"))
            or (isinstance(value, list) and is_measured(value))
        ):
            continue
        parts.append(_one_condition(key, value))
    if row.get("bandwidth_hz"):
        low, _, high = str(row["bandwidth_hz"]).partition(":")
        parts.append(f"{_frequency(low)} to {_frequency(high)}" if high else _frequency(low))
    return tuple(dict.fromkeys(parts))


USUAL = (("lamp", "out"), ("load", "load"))
TOLD_ELSEWHERE = ("at", "answer", "volume_down_db", "mains_voltage")
"""What stands first, as the value itself, in the note, or as a reading of its own."""
NOTHING: tuple[Any, ...] = ("", "none", "unknown", None, [], {})


def _one_condition(key: str, value: Any) -> str:
    if isinstance(value, bool):
        return plain_words(key) if value else f"no {plain_words(key)}"
    if isinstance(value, int | float):
        if key == "minutes":
            return f"over {significant(float(value))} min"
        name, unit = unit_of_key(key)
        return f"{plain_words(name)} {significant(float(value))} {unit}".strip()
    text = ", ".join(map(str, value)) if isinstance(value, list) else plain_words(str(value))
    if key == "driven" and value in ("one", "both"):
        return "one channel driven" if value == "one" else "both channels driven"
    if key == "states":
        return f"with {text.replace(', ', ' and with ')}"
    if key == "rail" and text.endswith("rail"):
        return text
    if key in ("driven", "channels_driven", "rail"):
        return f"{text} {key.removeprefix('channels_')}"
    return text if key in ("step", "form", "signal") else f"{plain_words(key)} {text}"


def shown_conditions(text: str) -> str:
    """The conditions of a kind of reading, as the archive words them, for a person.

    >>> shown_conditions("1000 Hz, 2.83 V, at 1 W, driven one"), shown_conditions("at relay + 10 s, rail positive")
    ('1 kHz, 2.83 V, 1 W, one channel driven', 'relay + 10 s, positive rail')
    """
    told = []
    for part in text.split(", "):
        number, _, unit = part.partition(" ")
        if unit == "Hz":
            part = _frequency(number)
        elif part.startswith(("driven ", "rail ")):
            key, _, value = part.partition(" ")
            part = _one_condition(key, value)
        told.append(part.removeprefix("at "))
    return si_text(", ".join(told))


UNIT_ENDINGS = {
    "_w": "W", "_v": "V", "_ohm": "Ω", "_hz": "Hz", "_percent": "%", "_db": "dB", "_s": "s", "_a": "A", "_ma": "mA",
    "_uf": "µF", "_years": "years", "_voltage": "V", "_frequency": "Hz", "sample_rate": "Hz", "_seconds": "s",
}  # fmt: skip


NAMES_TOO = ("_voltage", "_frequency", "sample_rate", "_seconds")
"""Endings that are part of the name as well: "load ohm left" is nobody's words, "mains voltage" is everybody's."""


def unit_of_key(key: str) -> tuple[str, str]:
    """A file's key without the unit that it ends in, and that unit.

    >>> unit_of_key("load_ohm"), unit_of_key("mains_voltage"), unit_of_key("name")
    (('load', 'Ω'), ('mains_voltage', 'V'), ('name', ''))
    """
    ending = next((e for e in UNIT_ENDINGS if key.endswith(e)), "")
    return key if ending in NAMES_TOO else key.removesuffix(ending), UNIT_ENDINGS.get(ending, "")


def _frequency(text: str) -> str:
    try:
        return _with_unit(float(text), "Hz")
    except ValueError:
        return text


def claim_words(row: Mapping[str, Any]) -> str:
    """How a reading stands to the maker's figure: met, or missed by so much.

    >>> claim_words({"claim": 60.0, "value": 54.0, "unit": "W", "claim_verdict": "missed"})
    'missed by 0.46 dB'
    >>> claim_words({"claim": 0.1, "value": 0.25, "unit": "%", "claim_verdict": "missed"})
    'missed (2.5 times)'
    """
    verdict = row.get("claim_verdict")
    if verdict == "met":
        return "met"
    if verdict == "inconclusive":
        return "too close to call"
    if verdict != "missed":
        return ""
    value, claim, unit = row.get("value"), row.get("claim"), str(row.get("unit") or "")
    if not (_finite(value) and _finite(claim)):
        return "missed"
    assert isinstance(value, int | float)
    assert isinstance(claim, int | float)
    if unit.startswith("dB"):
        return f"missed by {abs(value - claim):.1f} dB"
    if value * claim <= 0:
        return "missed"
    ratio = value / claim
    if unit in ("V", "W"):
        return f"missed by {abs((10 if unit == 'W' else 20) * math.log10(ratio)):.2f} dB"
    if unit == "%" and ratio > 1:
        return f"missed ({significant(ratio, 2)} times)"
    return f"missed by {significant(abs(ratio - 1) * 100, 2)} %"


def result_sentence(run: Mapping[str, Any], rows: Sequence[Mapping[str, Any]], stop: Mapping[str, Any] | None) -> str:
    """The result in one sentence."""
    result = str(run.get("result") or "unfinished")
    judged = [row for row in rows if row["verdict"] in ("pass", "noted", "fail", "inconclusive")]
    if result == "passed":
        noted = sum(row["verdict"] == "noted" for row in judged)
        tail = f"; {noted} of them {'is' if noted == 1 else 'are'} worn and noted" if noted else ""
        return f"Serviceable: {_count(len(judged), 'judged reading')} inside the limits{tail}."
    if result == "failed":
        failed = [row for row in rows if row["verdict"] == "fail"]
        if not failed:
            return "Not serviceable as it stands: a limit failed."
        return f"Not serviceable as it stands: {_listed(failed)} outside the limits."
    if result == "inconclusive":
        undecided = [row for row in rows if row["verdict"] in ("inconclusive", "not_measured")]
        if not undecided:
            return "Not decided: nothing was judged."
        return f"Not decided: {_listed(undecided)} too close to call or not measured."
    lasted = run.get("bench_seconds")
    after = f" after {duration(lasted)} on the bench's clock" if isinstance(lasted, int | float) else ""
    reason = str((stop or {}).get("message") or run.get("stop") or run.get("error") or "").strip()
    tail = f": {reason}" if reason else "."
    return {
        "stopped": f"Stopped by a safety limit{after}{tail}",
        "interrupted": f"Interrupted by a person{after}; what was measured until then stands below.",
        "error": f"Broken off{after} because an instrument or a file failed{tail}",
        "unfinished": "Unfinished: the record was never closed, so the run was cut short; what it holds stands below.",
    }.get(result, f"Result: {plain_words(result)}.")


HEADLINE = {
    "passed": "Serviceable",
    "failed": "Not serviceable",
    "inconclusive": "Not decided",
    "stopped": "Stopped",
    "interrupted": "Interrupted",
    "error": "Broken off",
    "unfinished": "Unfinished",
}


def _listed(rows: Sequence[Mapping[str, Any]], most: int = 4) -> str:
    """The quantities of ``rows`` as the subject of a sentence.

    >>> _listed([{"quantity": "thd", "channel": "left"}, {"quantity": "thd", "channel": "right"}])
    'THD (left and right) are'
    """
    by_quantity: dict[str, list[str]] = {}
    for row in rows:
        channels = by_quantity.setdefault(quantity_words(str(row["quantity"])), [])
        if row["channel"] in ("left", "right") and row["channel"] not in channels:
            channels.append(row["channel"])
    names = [name + (f" ({' and '.join(channels)})" if channels else "") for name, channels in by_quantity.items()]
    plural = len(names) > 1 or any(len(channels) > 1 for channels in by_quantity.values())
    if len(names) > most:
        names = [*names[: most - 1], f"{len(names) - most + 1} more quantities"]
    text = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
    return f"{text} {'are' if plural else 'is'}"


def _count(number: int, noun: str) -> str:
    return f"the one {noun} lies" if number == 1 else f"all {number} {noun}s lie"


def _finite(value: Any) -> bool:
    return isinstance(value, int | float) and math.isfinite(value)


def _with_unit(value: float, unit: str) -> str:
    fitted = fitting_unit(unit, [value])
    return f"{significant(value / fitted.divisor, 3)} {fitted.text}".strip()
