"""Lines of the table: words for numbers that are words, each size in its own unit, what is missing beside its other."""

from __future__ import annotations

from typing import Any

from benchtest.report.pairs import grouped, line_of


def _row(quantity: str = "dc_offset", channel: str = "left", value: float | None = 0.0, **more: Any) -> dict[str, Any]:
    keys = ("lower_limit", "upper_limit", "claim", "claim_verdict", "frequency_hz", "level", "load_ohm",
            "expanded_uncertainty")  # fmt: skip
    return dict.fromkeys(keys) | {
        "quantity": quantity, "channel": channel, "value": value, "unit": "V", "verdict": "information", "step": "s",
        "level_unit": "", "bandwidth_hz": "", "conditions": "{}", "note": "",
    } | more  # fmt: skip


def test_the_lamp_is_told_by_its_word_once():
    line = line_of([_row("lamp_brightness", "none", 1.0, unit="1", note="dull", conditions='{"answer":"dull"}')])
    assert line.whole is not None
    assert (line.whole.value, line.notes, line.conditions, line.unit) == ("dull", [], (), "")


def test_polarity_is_a_word_and_its_limit_the_word_that_is_allowed():
    rows = [_row("polarity", c, v, unit="1", lower_limit=0.0) for c, v in (("left", 1.0), ("right", -1.0))]
    line = line_of(rows)
    assert [cell.value for cell in line.cells.values()] == ["as the input", "INVERTED"]
    assert line.limits == "as the input"
    assert line.graphic == ""


def test_a_zero_beside_a_rail_has_a_unit_of_its_own():
    line = line_of([
        _row(value=1.5e-6, expanded_uncertainty=4e-6),
        _row(channel="right", value=-28.306, expanded_uncertainty=0.093),
    ])  # fmt: skip
    assert line.left is not None
    assert line.right is not None
    assert (line.left.value, line.left.uncertainty) == ("1.5", "±\u202f4.0 µV")
    assert (line.right.value, line.unit) == ("−28.306", "V")


def test_what_was_not_measured_on_one_channel_stands_beside_every_line_of_the_other():
    at = '{"at":"1 W"}'
    rows = [
        _row("frequency_response", "left", None, unit="dB", verdict="not_measured", note="not driven", conditions=at),
        *(
            _row(
                "frequency_response",
                "right",
                -0.1,
                unit="dB",
                frequency_hz=f,
                level=2.8,
                conditions=at,
                upper_limit=3.0,
            )
            for f in (20.0, 20e3)
        ),
        _row("thd", "left", None, unit="%", verdict="not_measured", note="not driven", conditions=at),
    ]
    (group,) = grouped(rows)
    assert [(line.quantity, sorted(line.cells)) for line in group.lines] == [
        ("Frequency response", ["left", "right"]), ("Frequency response", ["left", "right"]), ("THD", ["left"]),
    ]  # fmt: skip
    assert [line.notes for line in group.lines] == [["left: not driven"], [], ["left: not driven"]]
    assert [line.limits for line in group.lines] == ["at most 3", "at most 3", ""]


def test_separation_both_ways_is_one_line():
    rows = [
        _row("crosstalk", c, 68.0, unit="dB", frequency_hz=1000.0, conditions=f'{{"at":"1 W","into":"{o}"}}')
        for c, o in (("left", "right"), ("right", "left"))
    ]
    (group,) = grouped(rows)
    (line,) = group.lines
    assert "into the other channel" in line.conditions


def test_a_channel_without_hum_stands_beside_the_one_that_hums():
    rows = [_row("hum", "left", 20e-6, frequency_hz=50.0), _row("hum", "right", 0.0)]
    (group,) = grouped(rows)
    (line,) = group.lines
    assert sorted(line.cells) == ["left", "right"]
