"""How it was measured: what run.json says of bench, instruments, calibration, set and software, as labels and texts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from benchtest.errors import FileError
from benchtest.report.numbers import PLUS_MINUS, THIN, fitting_unit, significant
from benchtest.report.wording import plain_words, quantity_words, si_text, unit_of_key

Row = Mapping[str, Any]

LONGEST_TEXT = 300
MOST_NUMBERS = 6
COVERAGE = 2.0
MADE = {"measured": "measured against the meter", "stated": "not measured: the values stated in the bench file"}


def how_it_was_measured(
    summary: Mapping[str, Any], identity: Mapping[str, Any]
) -> list[tuple[str, list[tuple[str, str]]]]:
    """Headings with their facts, for what run.json says of the bench."""
    bench = summary.get("bench")
    sections = [
        ("Bench and load", _facts(bench if isinstance(bench, Mapping) else {"name": bench})),
        ("Instruments", _facts(summary.get("instruments"))),
        ("Calibration", _calibration(summary.get("calibration"))),
        (
            "The set, as its file says",
            _facts({k: _plain(v) for k, v in identity.items() if k not in ("name", "claims", "limits")}),
        ),
        ("Judged by", _judged_by(summary.get("required_set"))),
        ("Surroundings", _facts(summary.get("environment"))),
        ("Software", _facts(summary.get("software"))),
    ]
    if summary.get("seed") is not None:
        sections[0][1].append(("seed", str(summary["seed"])))
    return [(heading, facts) for heading, facts in sections if facts]


def _judged_by(required: Any) -> list[tuple[str, str]]:
    """The published set whose limits came before the defaults, where one was asked for."""
    from benchtest.published import requirement_set

    if not isinstance(required, str):
        return []
    try:
        title = requirement_set(required).set.title
    except FileError:  # a set that this program does not know any more
        title = required
    return [("requirement set", title), ("where it says nothing", "the amplifier file, then the defaults at the bench")]


def _facts(value: Any, label: str = "", unit: str = "") -> list[tuple[str, str]]:
    """Nested JSON as label and text, in order; what is empty is left out. A key's ending gives the unit.

    >>> _facts({"load_ohm": {"left": 8.02}, "mains_voltage": 230.0, "file": None})
    [('load left', '8.02 Ω'), ('mains voltage', '230 V')]
    """
    if isinstance(value, Mapping):
        found = []
        for key, item in value.items():
            name, own_unit = unit_of_key(str(key))
            name = plain_words(name).replace("thd", "THD")
            found += _facts(item, f"{label} {name}".strip(), own_unit or unit)
        return found
    if isinstance(value, list) and _is_a_table(value):
        return []  # tables of numbers (the bench's own response) are left to run.json
    if isinstance(value, list) and any(isinstance(item, Mapping) for item in value):
        return [fact for number, item in enumerate(value, 1) for fact in _thing(item, f"{label} {number}".strip())]
    text = ", ".join(map(_text, value)) if isinstance(value, list) else _text(value)
    if isinstance(value, int | float) and not isinstance(value, bool) and unit:
        text = f"{text} {unit}"
    return [(label, text[:LONGEST_TEXT])] if text else []


def _calibration(value: Any) -> list[tuple[str, str]]:
    """The calibration in the words of who made it: scales in volts, the bench's own noise and distortion, uncertainties.

    >>> _calibration({"kind": "measured", "noise_v": [64e-6, 63.9e-6], "meter_relative": 0.00055})[:3]
    [('how', 'measured against the meter'), ('meter, uncertainty', '±\\u202f0.11 %'), ('own noise', '64 and 63.9 µV')]
    """
    if not isinstance(value, Mapping):
        return _facts(value, "calibration")
    kind = str(value.get("kind") or "")
    told = [
        ("how", MADE.get(kind, plain_words(kind))),
        ("warning", str(value.get("warning") or "")),
        ("made", _day(value.get("made_utc"))),
        ("due", _day(value.get("due_utc"))),
        ("meter", str(value.get("meter") or "")),
        ("sound card", str(value.get("sound_card") or "")),
        ("at", _both([value.get("frequency_hz")], "Hz")),
        ("output, full scale", _both(value.get("output_volts_per_full_scale"), "V", " peak")),
        ("input, full scale", _both(value.get("input_volts_per_full_scale"), "V", " peak at the terminals")),
        ("meter, uncertainty", _share(value.get("meter_relative"))),
        ("sound card, uncertainty", _share(value.get("own_relative"))),
        ("own noise", _both(value.get("noise_v"), "V")),
        ("own THD", _both(value.get("residual_thd"), "%", factor=100.0, digits=2)),
        ("own THD+N", _both(value.get("residual_thd_n"), "%", factor=100.0, digits=2)),
        ("own response", "taken off" if value.get("response") else "not measured" if kind == "measured" else ""),
        ("file", str(value.get("path") or "")),
    ]
    return [(label, si_text(text)[:LONGEST_TEXT]) for label, text in told if text]


def _both(values: Any, unit: str, tail: str = "", *, factor: float = 1.0, digits: int = 4) -> str:
    """One figure, or that of left and that of right, in one unit."""
    numbers = [factor * v for v in values or [] if isinstance(v, int | float) and not isinstance(v, bool)]
    if not numbers:
        return ""
    fitted = fitting_unit(unit, numbers)
    texts = dict.fromkeys(significant(number / fitted.divisor, digits) for number in numbers)
    return f"{' and '.join(texts)} {fitted.text}{tail}"


def _share(relative: Any) -> str:
    """A relative standard uncertainty as expanded one, in percent."""
    known = isinstance(relative, int | float) and relative > 0
    return f"{PLUS_MINUS}{THIN}{significant(100.0 * COVERAGE * relative, 2)} %" if known else ""


def _day(text: Any) -> str:
    try:
        return f"{datetime.fromisoformat(str(text)).astimezone(UTC):%d %B %Y}"
    except ValueError:
        return str(text or "")


def _plain(value: Any) -> Any:
    return plain_words(value) if isinstance(value, str) and value.islower() and " " not in value else value


def _is_a_table(values: Sequence[Any]) -> bool:
    numbers = not any(isinstance(item, str | Mapping) for item in values)
    return numbers and (len(values) > MOST_NUMBERS or any(isinstance(item, list) for item in values))


def _thing(item: Any, label: str) -> list[tuple[str, str]]:
    """One of a list of things (instruments): by its name, with the rest in one line."""
    if not (isinstance(item, Mapping) and item.get("name")):
        return _facts(item, label)
    rest = [plain_words(text) if key != "identity" else text for key, text in _facts({**item, "name": None})]
    return [(str(item["name"]), " · ".join(rest)[:LONGEST_TEXT])]


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return significant(value, 6)
    return str(value)


def methods_of(rows: Iterable[Row]) -> list[tuple[str, str]]:
    """The methods, each with the quantities that were measured by it."""
    found: dict[str, dict[str, None]] = {}
    for row in rows:
        if row["method"]:
            found.setdefault(si_text(row["method"]), {})[quantity_words(row["quantity"])] = None
    return [(", ".join(quantities), method) for method, quantities in found.items()]
