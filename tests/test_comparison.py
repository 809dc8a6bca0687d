"""Whether a figure may be compared with a published method's follows from the conditions that the reading states."""

from __future__ import annotations

from dataclasses import replace

from benchtest.amplifier_file import AmplifierSpec
from benchtest.comparison import compared, compared_with_all
from benchtest.reading import Reading

SPEC = AmplifierSpec(name="a", rated_power_w=60.0, rated_load_ohm=8.0)
POWER = Reading(
    quantity="output_power", channel="left", value=62.0, unit="W", expanded_uncertainty=1.0, frequency_hz=1000.0,
    load_ohm=8.02, conditions={"driven": "both", "at": "0.5 % THD", "lamp": "out"},
)  # fmt: skip
RULE = "power-rule-16cfr432-to-2024"


def items(conditions):
    return {each.item for each in conditions}


def test_a_short_1_khz_figure_does_not_compare_with_the_power_rule():
    found = compared(POWER, SPEC, method=RULE)
    assert found.comparable == "no"
    assert items(found.met) == {"channels driven", "load", "form"}
    assert items(found.not_met) >= {"frequency band", "preconditioning", "dwell"}
    assert all(each.instead for each in found.not_met)
    assert "air" in items(found.not_known)


def test_a_figure_taken_by_the_rule_compares_with_care_because_the_air_was_not_measured():
    taken = {
        **POWER.conditions,
        "form": "band",
        "preconditioning": "1/8 power, 1 h",
        "dwell_s": 300.0,
        "at": "rated THD",
    }
    assert compared(replace(POWER, conditions=taken), SPEC, method=RULE).comparable == "with care"


def test_one_channel_driven_does_not_meet_both_driven():
    one = replace(POWER, conditions={**POWER.conditions, "driven": "one"})
    assert "channels driven" in items(compared(one, SPEC, method=RULE).not_met)


def test_the_new_rule_fixes_8_ohm_and_the_old_one_does_not():
    spec = replace_load(SPEC, 4.0)
    four = replace(POWER, load_ohm=4.0)
    assert "load" in items(compared(four, spec, method=RULE).met)
    assert "load" in items(compared(four, spec, method="power-rule-16cfr432-from-2024").not_met)


def replace_load(spec: AmplifierSpec, ohm: float) -> AmplifierSpec:
    return spec.model_copy(update={"rated_load_ohm": ohm})


def test_thd_relative_to_the_fundamental_compares_with_iec_with_care():
    thd = Reading(quantity="thd", channel="left", value=0.1, unit="%", frequency_hz=1000.0)
    found = compared(thd, SPEC, method="iec-60268-3")
    assert found.comparable == "with care"
    assert found.from_memory
    assert compared(replace(thd, frequency_hz=997.0), SPEC, method="iec-60268-3").comparable == "with care"
    assert compared(replace(thd, frequency_hz=10e3), SPEC, method="iec-60268-3").comparable == "no"


def test_a_method_that_says_nothing_of_a_quantity_and_a_reading_without_a_value_are_left_out():
    assert compared(replace(POWER, quantity="polarity"), SPEC, method=RULE) is None
    assert compared(replace(POWER, value=None), SPEC, method=RULE) is None
    assert {each.method for each in compared_with_all([POWER], SPEC)} == {
        "hifi-din45500", "iec-60268-3", "ihf-a-202", RULE, "power-rule-16cfr432-from-2024",
    }  # fmt: skip


def test_the_table_of_a_run_names_what_was_not_met_and_what_was_done_instead():
    from benchtest.comparison import comparison_lines
    from benchtest.reading import as_row

    reading = Reading(
        quantity="thd",
        channel="left",
        value=0.02,
        unit="%",
        frequency_hz=1000.0,
        conditions={"at": "1 W", "driven": "one"},
    )
    row = as_row(reading, run_id="r", sequence=1, time_utc="", procedure="p", step="s", simulated=True)
    text = "\n".join(comparison_lines([row], AmplifierSpec(name="a")))
    assert "iec-60268-3: " in text
    assert "not met: reference of the ratio" in text
    assert "here: " in text
    assert "[from memory]" in text


def test_a_run_of_which_no_method_says_anything_has_no_table():
    from benchtest.comparison import comparison_lines

    assert comparison_lines([], AmplifierSpec(name="a")) == []


def test_each_way_of_driving_and_each_load_is_compared_by_itself_with_what_was_met():
    from benchtest.comparison import comparison_lines
    from benchtest.reading import as_row

    def row(**changed):
        given = {"conditions": {**POWER.conditions, "driven": changed.pop("driven", "both")}, **changed}
        return as_row(
            replace(POWER, **given), run_id="r", sequence=1, time_utc="", procedure="p", step="s", simulated=True
        )

    lines = comparison_lines(
        [row(claim=60.0, claim_verdict="met"), row(channel="right", value=63.0), row(driven="one", value=70.0),
         row(load_ohm=4.02, value=90.0)], SPEC,
    )  # fmt: skip
    heads = [line.strip() for line in lines if line.startswith("  output power")]
    assert heads == [
        "output power, both channels driven, into 8 ohm", "output power, one channel driven, into 8 ohm",
        "output power, both channels driven, into 4 ohm",
    ]  # fmt: skip
    text = "\n".join(lines)
    first = text[text.index(heads[0]) : text.index(heads[1])]
    assert "left 62.0 ±\u202f1.0 W, right 63.0 ±\u202f1.0 W; maker's claim 60 W: met" in first
    assert "met: channels driven; load; form" in first
    second = text[text.index(heads[1]) : text.index(heads[2])]
    assert "not met: channels driven" in second
    forms = text[text.index("forms that makers use") :]
    assert "62 W left, 63 W right: both channels driven, into 8 ohm, 1 kHz sine, 0.5 % THD: MEASURED" in forms
    assert "into 4 ohm, 1 kHz sine, 10 % THD: COMPUTED from 0.5 %, not driven" in forms


def test_power_in_bursts_stands_beside_that_of_a_sine():
    from benchtest.comparison import power_forms
    from benchtest.reading import as_row

    burst = Reading(
        quantity="dynamic_headroom", channel="left", value=1.5, unit="dB", level=26.0, level_unit="V", load_ohm=8.0,
        conditions={"driven": "one", "burst": "20 ms", "at": "1 % THD"},
    )  # fmt: skip
    (line,) = power_forms([as_row(burst, run_id="", sequence=0, time_utc="", procedure="", step="", simulated=True)])
    assert line.startswith("84.5 W left: one channel driven, into 8 ohm, 20 ms bursts of 1 kHz, 1 % THD")  # 26^2 / 8
