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
