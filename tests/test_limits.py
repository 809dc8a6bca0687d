"""Guarded verdicts, and which limit a reading is held to. Whatever cannot be decided never passes."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from benchtest.amplifier_file import AmplifierSpec, Claim, LimitRow, unknown_amplifier
from benchtest.conditions import volume_db, where_holds
from benchtest.errors import FileError
from benchtest.limits import Limit, decide, judge, limit_table, missed_by
from benchtest.reading import AT_LEAST, ClaimVerdict, Reading, Verdict

ACCEPTED = (Verdict.PASS, Verdict.NOTED)
JUDGED_WELL = {Verdict.PASS, Verdict.NOTED}


def reading(quantity: str, value: float | None, unit: str, u: float | None = 0.0, **more: Any) -> Reading:
    return Reading(
        quantity=quantity, channel=more.pop("channel", "left"), value=value, unit=unit, expanded_uncertainty=u, **more
    )


# ------------------------------------------------------------------------------------------------------------- decide

# ILAC-G8:09/2019, clause 4.2.3, upper limit TL, guard band w = U (read in a transcription): below TL - w pass, above
# TL + w fail; "conditional pass" and "conditional fail" between them are both inconclusive here.
ILAC_UPPER = [
    (0.979, Verdict.PASS),
    (0.981, Verdict.INCONCLUSIVE),
    (1.000, Verdict.INCONCLUSIVE),
    (1.019, Verdict.INCONCLUSIVE),
    (1.021, Verdict.FAIL),
]


@pytest.mark.parametrize(("value", "expected"), ILAC_UPPER)
def test_the_four_zones_of_a_guarded_upper_limit(value, expected):
    assert decide(value, 0.02, Limit(None, 1.0)) is expected


@pytest.mark.parametrize(("value", "expected"), ILAC_UPPER)
def test_a_lower_limit_is_its_mirror_and_two_limits_are_guarded_at_both_ends(value, expected):
    assert decide(-value, 0.02, Limit(-1.0, None)) is expected
    assert decide(-value, 0.02, Limit(-1.0, 1.0)) is expected
    assert decide(value, 0.02, Limit(-1.0, 1.0)) is expected


def test_worst_risk_of_a_false_pass_is_2_28_percent():
    """One-sided limit, normal, k = 2, true value on the limit: P(X < TL - U) = Phi(-2) = 2.28 %; the closed form."""
    u = 0.01
    assert decide(1.0 - 2 * u * 1.001, 2 * u, Limit(None, 1.0)) is Verdict.PASS
    assert decide(1.0 - 2 * u * 0.999, 2 * u, Limit(None, 1.0)) is Verdict.INCONCLUSIVE
    assert norm.cdf(1.0 - 2 * u, loc=1.0, scale=u) == pytest.approx(0.0228, abs=5e-5)


def test_between_good_and_the_limit_is_noted():
    limit = Limit(-0.1, 0.1, -0.05, 0.05)
    assert [decide(v, 0.001, limit) for v in (0.02, 0.0495, 0.07, -0.07, 0.0995, 0.102)] == [
        Verdict.PASS, Verdict.NOTED, Verdict.NOTED, Verdict.NOTED, Verdict.INCONCLUSIVE, Verdict.FAIL,
    ]  # fmt: skip


def test_good_values_without_a_limit_note_and_never_fail():
    assert decide(0.2, 0.0, Limit(None, None, good_upper=0.05)) is Verdict.NOTED
    assert decide(0.02, 0.0, Limit(None, None, good_upper=0.05)) is Verdict.PASS


def test_an_uncertainty_of_half_the_tolerance_leaves_no_room_to_pass():
    """JCGM 106, from memory: with U at half the width there is no acceptance zone left."""
    assert decide(0.0, 1.0, Limit(-1.0, 1.0)) is Verdict.INCONCLUSIVE


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("limit", [Limit(None, 1.0), Limit(-1.0, None), Limit(-1.0, 1.0), Limit(None, None, None, 1.0)])
def test_what_is_no_finite_number_never_passes(value, limit):
    assert decide(value, 0.0, limit) not in ACCEPTED


@pytest.mark.parametrize("u", [None, math.nan, math.inf, -0.1])
def test_an_uncertainty_that_is_not_stated_or_impossible_decides_nothing(u):
    assert decide(0.0, u, Limit(-1.0, 1.0)) is Verdict.INCONCLUSIVE
    assert decide(9.0, u, Limit(-1.0, 1.0)) is Verdict.INCONCLUSIVE


@pytest.mark.parametrize("bound", [math.nan, math.inf, -math.inf])
def test_a_limit_that_is_no_number_passes_nothing(bound):
    assert decide(0.0, 0.0, Limit(None, bound)) is Verdict.INCONCLUSIVE
    assert decide(0.0, 0.0, Limit(bound, None)) is Verdict.INCONCLUSIVE
    assert decide(0.0, 0.0, Limit(None, 1.0, good_upper=bound)) is Verdict.INCONCLUSIVE


def test_an_open_fuse_fails_as_infinity_does():
    assert decide(math.inf, 0.01, Limit(None, 2.0)) is Verdict.FAIL


NUMBER = st.floats(-1e6, 1e6)
U = st.floats(0.0, 1e6)


@st.composite
def limits(draw: st.DrawFn) -> Limit:
    lower, good_lower, good_upper, upper = sorted(draw(st.tuples(NUMBER, NUMBER, NUMBER, NUMBER)))
    return Limit(
        lower if draw(st.booleans()) else None,
        upper if draw(st.booleans()) else None,
        good_lower if draw(st.booleans()) else None,
        good_upper if draw(st.booleans()) else None,
    )


@settings(deadline=None)
@given(NUMBER, U, limits())
def test_accepted_means_inside_by_more_than_u_and_failed_outside_by_more(value, u, limit):
    verdict = decide(value, u, limit)
    low = -math.inf if limit.lower is None else limit.lower
    high = math.inf if limit.upper is None else limit.upper
    if verdict in ACCEPTED:
        assert low < value - u
        assert value + u < high
    if verdict is Verdict.FAIL:
        assert value + u < low or value - u > high
    if verdict is Verdict.PASS:
        assert limit.good_upper is None or value + u < limit.good_upper
        assert limit.good_lower is None or value - u > limit.good_lower


@settings(deadline=None)
@given(NUMBER, U, U, limits())
def test_more_uncertainty_never_decides_more(value, u, more, limit):
    """What passes or fails with the larger U does so with the smaller one."""
    small, large = sorted((u, more))
    with_large = decide(value, large, limit)
    if with_large in (Verdict.PASS, Verdict.FAIL, Verdict.INFORMATION):
        assert decide(value, small, limit) is with_large
    if with_large is Verdict.NOTED:
        assert decide(value, small, limit) in ACCEPTED


@settings(deadline=None)
@given(NUMBER, U, limits(), st.floats(0.0, 1e6))
def test_a_wider_limit_never_turns_a_pass_into_anything_else(value, u, limit, wider):
    assume(limit.lower is not None or limit.upper is not None)
    loose = replace(
        limit,
        lower=None if limit.lower is None else limit.lower - wider,
        upper=None if limit.upper is None else limit.upper + wider,
    )
    if decide(value, u, limit) in ACCEPTED:
        assert decide(value, u, loose) is decide(value, u, limit)


@settings(deadline=None)
@given(NUMBER, U, limits())
def test_mirroring_everything_leaves_the_verdict(value, u, limit):
    def minus(x: float | None) -> float | None:
        return None if x is None else -x

    mirrored = Limit(minus(limit.upper), minus(limit.lower), minus(limit.good_upper), minus(limit.good_lower))
    assert decide(-value, u, mirrored) is decide(value, u, limit)


# ------------------------------------------------------------------------------------------------------ which row holds

SPEC = AmplifierSpec(
    name="a",
    output_stage="direct_coupled",
    rated_power_w=60.0,
    gain_db=31.5,
    rail_v=42.0,
    mains_voltage=230.0,
    reservoir_uf=10_000.0,
    claims=(
        Claim(quantity="thd", at_most=0.05, unit="%", where={"at": "1 W"}, text="0.05 % at 1 W"),
        Claim(quantity="thd", at_most=-60.0, unit="dB", text="-60 dB at any level"),
        Claim(quantity="output_power", at_least=60.0, unit="W", where={"driven": "both"}),
        Claim(quantity="frequency_response", plus_minus=1.0, unit="dB"),
        Claim(quantity="noise", at_most=0.2, unit="mV", channel="right"),
    ),
)


def test_without_a_limit_there_is_no_verdict():
    judged = judge(reading("slew_rate", 12e6, "V/s"), limit_table(SPEC))
    assert judged.verdict is Verdict.INFORMATION
    assert (judged.lower_limit, judged.upper_limit) == (None, None)


# The trade's figures for what is serviceable and what is good; common practice, no source. Each row: a value that is
# good, one between good and the limit (None where there is no such zone), one beyond the limit.
DEFAULTS = [
    ("dc_offset", "V", {}, 0.045, 0.090, 0.110),
    ("dc_offset", "V", {}, -0.045, -0.090, -0.110),
    ("offset_drift", "V", {}, 0.029, None, 0.031),
    ("dc_offset_loaded_difference", "V", {}, -0.019, None, -0.021),
    ("rail_difference", "%", {}, 4.0, 9.0, 11.0),
    ("rail_voltage", "V", {"rail": "positive"}, 38.0, None, 37.0),
    ("rail_voltage", "V", {"rail": "negative"}, -46.0, None, -47.0),
    ("output_power", "W", {"driven": "both"}, 61.0, 55.0, 53.0),
    ("thd", "%", {"at": "1 W"}, 0.04, 0.2, 0.31),
    ("thd_n", "%", {"at": "1 W"}, 0.2, None, 0.31),
    ("thd", "%", {"at": "half power"}, 0.04, 0.4, 0.6),
    ("thd", "%", {"at": "rated power"}, 0.2, 0.9, 1.1),
    ("signal_to_noise", "dB", {}, 90.0, 75.0, 69.0),
    ("hum", "V", {}, 0.00009, 0.0009, 0.0011),
    ("crosstalk", "dB", {}, 70.0, 45.0, 39.0),
    ("turn_on_transient", "V", {}, -0.4, -0.9, -1.1),
    ("turn_off_transient", "V", {}, 0.4, 0.9, 1.1),
    ("channel_balance", "dB", {"volume": "full"}, 0.4, -0.9, -1.1),
    ("channel_balance", "dB", {"volume": "-20 dB"}, 1.9, 2.9, 3.1),
    ("channel_balance", "dB", {"volume": "-40 dB"}, 2.9, None, 3.1),
    ("gain", "dB", {"volume": "full"}, 31.0, 33.0, 29.0),
    ("damping_factor", "1", {}, 60.0, 20.0, 14.0),
    ("residual_charge", "V", {}, 1.9, None, 2.1),
    ("polarity", "1", {}, 1.0, None, -1.0),
    ("fuse_resistance", "ohm", {}, 0.1, 1.0, 3.0),
    ("load_resistance", "ohm", {"stated_ohm": 8.0}, 8.3, None, 8.5),
    ("reservoir_capacitance", "F", {}, 0.0061, None, 0.0059),
]


@pytest.mark.parametrize(("quantity", "unit", "conditions", "good", "noted", "bad"), DEFAULTS)
def test_the_defaults_of_the_bench(quantity, unit, conditions, good, noted, bad):
    table = limit_table(SPEC)

    def verdict(value: float) -> Verdict:
        return judge(reading(quantity, value, unit, conditions=conditions, load_ohm=8.0), table).verdict

    assert verdict(good) is Verdict.PASS
    assert noted is None or verdict(noted) is Verdict.NOTED
    assert verdict(bad) is Verdict.FAIL


@pytest.mark.parametrize(
    ("frequency", "good", "bad"), [(1000.0, 0.4, 2.1), (40.0, -0.4, -2.1), (20.0, -0.4, -3.1), (20e3, -0.4, -3.1)]
)
def test_the_response_is_held_tighter_in_its_middle(frequency, good, bad):
    table = limit_table(SPEC)
    taken = reading("frequency_response", good, "dB", frequency_hz=frequency)
    assert judge(taken, table).verdict is Verdict.PASS
    assert judge(replace(taken, value=bad), table).verdict is Verdict.FAIL
    assert judge(replace(taken, value=-2.5), table).verdict is (
        Verdict.NOTED if frequency in (20.0, 20e3) else Verdict.FAIL
    )


@pytest.mark.parametrize(
    ("stage", "value", "expected"),
    [
        ("direct_coupled", 0.020, Verdict.PASS),
        ("unknown", 0.020, Verdict.PASS),
        ("dc_servo", 0.020, Verdict.NOTED),
        ("dc_servo", 0.120, Verdict.FAIL),
        ("bridged", 0.060, Verdict.FAIL),
        ("capacitor_coupled", 0.060, Verdict.FAIL),
        ("capacitor_coupled", 0.000, Verdict.PASS),
    ],
)
def test_which_dc_is_normal_goes_with_the_kind_of_output_stage(stage, value, expected):
    table = limit_table(AmplifierSpec(name="a", output_stage=stage))
    assert judge(reading("dc_offset", value, "V", 0.001), table).verdict is expected


def test_damping_factor_8_is_enough_for_a_capacitor_coupled_output():
    table = limit_table(AmplifierSpec(name="a", output_stage="capacitor_coupled"))
    assert judge(reading("damping_factor", 9.0, "1"), table).verdict is Verdict.NOTED
    assert judge(reading("damping_factor", 9.0, "1"), limit_table(SPEC)).verdict is Verdict.FAIL


def test_without_an_amplifier_file_no_share_of_a_rating_is_judged():
    table = limit_table(unknown_amplifier())
    for taken in (
        reading("output_power", 12.0, "W", load_ohm=8.0, conditions={"driven": "both"}),
        reading("gain", 12.0, "dB", conditions={"volume": "full"}),
        reading("rail_voltage", 42.0, "V", conditions={"rail": "positive"}),
    ):
        assert judge(taken, table).verdict is Verdict.INFORMATION
        assert judge(taken, table).claim is None


def test_power_is_corrected_for_the_mains_as_its_square_and_a_rail_in_proportion():
    """P = V^2/R and a rail proportional to the mains: 207 V of 230 V are 0.9, and 0.81 of the power."""
    table = limit_table(SPEC)
    low = {"mains_voltage": 207.0}
    power = judge(reading("output_power", 45.0, "W", 0.1, load_ohm=8.0, conditions={"driven": "both", **low}), table)
    assert power.lower_limit == pytest.approx(0.9 * 60.0 * 0.81)
    rail = judge(reading("rail_voltage", 38.0, "V", 0.1, conditions={"rail": "positive", **low}), table)
    assert (rail.lower_limit, rail.upper_limit) == (pytest.approx(42.0 * 0.81), pytest.approx(42.0 * 0.99))


def test_power_into_another_load_than_the_rated_one_is_not_held_to_the_rating():
    taken = reading("output_power", 90.0, "W", load_ohm=4.0, conditions={"driven": "both"})
    assert judge(taken, limit_table(SPEC)).verdict is Verdict.INFORMATION


def test_an_amplifier_files_row_comes_before_the_defaults():
    tight = LimitRow(quantity="dc_offset", lower=-10.0, upper=10.0, unit="mV")
    judged = judge(reading("dc_offset", 0.02, "V", 0.001), limit_table(AmplifierSpec(name="a", limits=(tight,))))
    assert (judged.lower_limit, judged.upper_limit) == (-0.01, 0.01)
    assert judged.verdict is Verdict.FAIL


def test_of_two_rows_the_one_with_more_conditions_holds():
    rows = (
        LimitRow(quantity="thd", upper=1.0, unit="%"),
        LimitRow(quantity="thd", upper=0.1, unit="%", where={"at": "1 W", "channel": "left"}),
        LimitRow(quantity="thd", upper=0.2, unit="%", where={"at": "1 W"}),
    )
    table = limit_table(AmplifierSpec(name="a", limits=rows))
    taken = reading("thd", 0.15, "%", conditions={"at": "1W"})
    assert table.limit_for(taken).upper == 0.1
    assert table.limit_for(replace(taken, channel="right")).upper == 0.2
    assert table.limit_for(replace(taken, conditions={})).upper == 1.0


CONDITIONS = [
    ({"at": "1 W"}, {"conditions": {"at": "1 W"}}, True),
    ({"at": "1 W"}, {"conditions": {"at": "2 W"}}, False),
    ({"at": "1 W"}, {}, False),
    ({"frequency_hz": 1000.0}, {"frequency_hz": 997.0}, True),
    ({"frequency_hz": 1000.0}, {"frequency_hz": 1100.0}, False),
    ({"frequency_hz": 1000.0}, {"frequency_hz": math.nan}, False),
    ({"frequency_hz": [20.0, 20e3]}, {"frequency_hz": math.nan}, False),
    ({"frequency_hz": [20.0, 20e3]}, {}, False),
    ({"load_ohm": "rated"}, {"load_ohm": 7.8}, True),
    ({"load_ohm": "rated"}, {"load_ohm": 4.0}, False),
    ({"load_ohm": 4.0}, {"load_ohm": 3.9}, True),
    ({"driven": "both"}, {"conditions": {"driven": "one"}}, False),
    ({"load": "none"}, {}, False),
    ({"load": "none"}, {"conditions": {"load": "none"}}, True),
    ({"channel": ["left", "right"]}, {}, True),
    ({"volume": ""}, {}, True),
    ({"volume": ""}, {"conditions": {"volume": "full"}}, False),
    ({"volume_db": [-30.0, -10.0]}, {"conditions": {"volume": "-20 dB"}}, True),
    ({"volume_db": [-30.0, -10.0]}, {"conditions": {"volume": "minimum"}}, False),
    ({"level": 1.0}, {"level": True}, False),
    ({"rated_power_w": [0.0, 20.0]}, {}, False),
    ({"rated_power_w": [50.0, 100.0]}, {}, True),
]


@pytest.mark.parametrize(("where", "stated", "expected"), CONDITIONS)
def test_a_condition_holds_only_where_the_reading_states_it(where, stated, expected):
    assert where_holds(where, reading("thd", 0.1, "%", **stated), SPEC) is expected


def test_a_condition_that_a_reading_does_not_state_never_lets_it_pass():
    row = LimitRow(quantity="intermodulation", upper=3.0, unit="%", where={"signal": "250 Hz + 8 kHz 4:1"})
    table = limit_table(AmplifierSpec(name="a", limits=(row,)))
    assert judge(reading("intermodulation", 0.1, "%"), table).verdict is Verdict.INFORMATION


def test_rows_that_no_reading_was_held_to_are_told():
    row = LimitRow(quantity="intermodulation", upper=3.0, unit="%")
    spec = AmplifierSpec(name="a", limits=(row,), claims=SPEC.claims[:1])
    table = limit_table(spec)
    assert table.unused([]) == (row, spec.claims[0])
    assert table.unused([reading("intermodulation", 0.1, "%")]) == (spec.claims[0],)


def test_a_limit_in_a_unit_that_does_not_fit_is_inconclusive_and_says_so():
    judged = judge(reading("dc_offset", 0.001, "W"), limit_table(SPEC))
    assert judged.verdict is Verdict.INCONCLUSIVE
    assert "'V'" in judged.note


# --------------------------------------------------------------------------------------------------- judge: what stands


def test_with_the_lamp_in_everything_is_provisional():
    lamp = {"lamp": "in"}
    for value in (0.01, 40.0):
        judged = judge(reading("dc_offset", value, "V", conditions=lamp), limit_table(SPEC))
        assert (judged.verdict, judged.upper_limit, judged.claim) == (Verdict.INFORMATION, None, None)


def test_stored_charge_is_judged_whether_the_lamp_is_in_or_not():
    judged = judge(reading("residual_charge", 30.0, "V", conditions={"lamp": "in"}), limit_table(SPEC))
    assert judged.verdict is Verdict.FAIL


@pytest.mark.parametrize("own", [Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.NOT_MEASURED])
def test_a_verdict_that_the_measurement_gave_is_never_made_better(own):
    """An exact zero beside a living channel fails, although 0 V lies inside every limit."""
    for conditions in ({}, {"lamp": "in"}):
        taken = replace(reading("dc_offset", 0.0, "V", 0.0001, conditions=conditions), verdict=own)
        assert judge(taken, limit_table(SPEC)).verdict is own


def test_a_value_outside_fails_even_if_the_measurement_called_it_inconclusive():
    taken = replace(reading("dc_offset", 40.0, "V"), verdict=Verdict.INCONCLUSIVE)
    assert judge(taken, limit_table(SPEC)).verdict is Verdict.FAIL


def test_nothing_measured_is_not_measured_and_an_open_fuse_fails():
    table = limit_table(SPEC)
    assert judge(reading("dc_offset", None, "V", None), table).verdict is Verdict.NOT_MEASURED
    assert judge(reading("slew_rate", None, "V/s", None), table).verdict is Verdict.NOT_MEASURED
    fuse = reading("fuse_resistance", None, "ohm", None)
    assert judge(fuse, table).verdict is Verdict.NOT_MEASURED
    assert judge(replace(fuse, conditions={"overload": True}), table).verdict is Verdict.FAIL


def test_only_a_row_that_says_exact_judges_without_an_uncertainty():
    table = limit_table(SPEC)
    assert judge(reading("polarity", 1.0, "1", None), table).verdict is Verdict.PASS
    assert judge(reading("polarity", -1.0, "1", None), table).verdict is Verdict.FAIL
    assert judge(reading("polarity", math.nan, "1", None), table).verdict is Verdict.INCONCLUSIVE
    assert judge(reading("thd", 0.01, "%", None, conditions={"at": "1 W"}), table).verdict is Verdict.INCONCLUSIVE


VALUES = st.none() | st.floats()


@settings(deadline=None)
@given(VALUES, VALUES, st.sampled_from(DEFAULTS), st.booleans())
def test_no_reading_passes_unless_it_is_a_number_with_an_uncertainty_inside_its_limits(value, u, row, lamp):
    quantity, unit, conditions, *_ = row
    taken = reading(quantity, value, unit, u, load_ohm=8.0, conditions={**conditions, "lamp": "in" if lamp else "out"})
    judged = judge(taken, limit_table(SPEC))
    if judged.verdict in JUDGED_WELL:
        if quantity == "polarity" and u is None:
            u = 0.0  # a sign has no uncertainty of its own; the default row says so
        assert value is not None
        assert u is not None
        assert math.isfinite(value)
        assert 0.0 <= u < math.inf
        low = -math.inf if judged.lower_limit is None else judged.lower_limit
        high = math.inf if judged.upper_limit is None else judged.upper_limit
        assert low < value - u <= value + u < high


# -------------------------------------------------------------------------------------------------------------- claims


def test_the_makers_figure_is_judged_beside_the_limit():
    table = limit_table(SPEC)
    at_1_w = {"at": "1 W"}
    met = judge(reading("thd", 0.03, "%", 0.001, conditions=at_1_w), table)
    missed = judge(reading("thd", 0.2, "%", 0.001, conditions=at_1_w), table)
    close = judge(reading("thd", 0.0495, "%", 0.001, conditions=at_1_w), table)
    assert [r.claim_verdict for r in (met, missed, close)] == [
        ClaimVerdict.MET, ClaimVerdict.MISSED, ClaimVerdict.INCONCLUSIVE,
    ]  # fmt: skip
    assert {r.claim for r in (met, missed, close)} == {0.05}
    assert missed.verdict is Verdict.NOTED  # serviceable for its age, and the claim is missed


def test_a_claim_in_decibels_judges_percent():
    """-60 dB is 0.1 %."""
    judged = judge(reading("thd", 0.2, "%", 0.001, conditions={"at": "half power"}), limit_table(SPEC))
    assert judged.claim == pytest.approx(0.1)
    assert judged.claim_verdict is ClaimVerdict.MISSED


def test_a_claim_holds_under_its_conditions_and_on_its_channel_only():
    table = limit_table(SPEC)
    one = judge(reading("output_power", 70.0, "W", load_ohm=8.0, conditions={"driven": "one"}), table)
    assert (one.claim, one.claim_verdict) == (None, None)
    assert judge(reading("noise", 1e-4, "V"), table).claim is None
    assert judge(reading("noise", 1e-4, "V", channel="right"), table).claim == pytest.approx(2e-4)


@pytest.mark.parametrize("value", [None, math.nan])
def test_what_is_no_number_never_meets_a_claim(value):
    judged = judge(reading("thd", value, "%", conditions={"at": "1 W"}), limit_table(SPEC))
    assert judged.claim_verdict in (None, ClaimVerdict.INCONCLUSIVE)


# ----------------------------------------------------------------------------------------------------- words and names


@pytest.mark.parametrize(
    ("taken", "words"),
    [
        (reading("signal_to_noise", 69.2, "dB", conditions={}), "0.8 dB"),
        (reading("output_power", 44.0, "W", load_ohm=8.0, conditions={"driven": "both"}), "19 %"),
        (reading("dc_offset", -0.15, "V"), "50 %"),
        (reading("frequency_response", -1.5, "dB", frequency_hz=1000.0), "0.5 dB"),
        (reading("thd", 0.06, "%", conditions={"at": "1 W"}), "20 %"),
        (reading("thd", 0.03, "%", conditions={"at": "1 W"}), ""),
        (reading("dc_offset", None, "V"), ""),
        (reading("dc_offset", -40.0, "V"), "400 times the limit"),
        (reading("polarity", -1.0, "1"), ""),
    ],
)
def test_how_far_it_misses_is_told_in_the_readers_terms(taken, words):
    assert missed_by(judge(taken, limit_table(SPEC))) == words


def test_an_unknown_requirement_set_lists_those_there_are():
    with pytest.raises(FileError, match=r"no requirement set is called 'hifi-din'.*defaults-at-the-bench"):
        limit_table(SPEC, require="hifi-din")


@pytest.mark.parametrize(
    ("position", "db"), [("full", 0.0), ("-20 dB", -20.0), ("-20dB", -20.0), (None, None), (3, None)]
)
def test_volume_positions(position, db):
    assert volume_db(position) == db


@pytest.mark.parametrize(
    ("value", "verdict"), [(10.0, Verdict.PASS), (20.0, Verdict.INCONCLUSIVE), (40.0, Verdict.FAIL)]
)
def test_a_reading_may_bring_its_own_limit_where_no_file_says_anything(value, verdict):
    reading = Reading(
        quantity="channels_apart", channel="both", value=value, unit="%", expanded_uncertainty=1.0, upper_limit=20.5
    )
    assert judge(reading, limit_table(AmplifierSpec(name="a"))).verdict is verdict


def test_a_limit_in_a_file_comes_before_the_readings_own():
    reading = Reading(
        quantity="thd", channel="left", value=2.0, unit="%", expanded_uncertainty=0.01, upper_limit=99.0,
        conditions={"at": "1 W"},
    )  # fmt: skip
    assert judge(reading, limit_table(AmplifierSpec(name="a"))).verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("watts", "verdict", "claim"),
    [
        (40.0, Verdict.INCONCLUSIVE, ClaimVerdict.INCONCLUSIVE),  # more may be there: nothing failed, nothing missed
        (57.0, Verdict.NOTED, ClaimVerdict.INCONCLUSIVE),
        (70.0, Verdict.PASS, ClaimVerdict.MET),
    ],
)
def test_a_power_that_the_bench_cut_short_fails_nothing(watts, verdict, claim):
    claims = (Claim(quantity="output_power", at_least=60.0, unit="W"),)
    spec = AmplifierSpec(name="set", rated_power_w=60.0, rated_load_ohm=8.0, claims=claims)
    conditions = {"driven": "both", "at": "1 % THD"}
    taken = reading("output_power", watts, "W", 0.5, load_ohm=8.0, frequency_hz=1000.0, conditions=conditions)
    cut = judge(replace(taken, conditions={**conditions, **AT_LEAST}), limit_table(spec))
    assert (cut.verdict, cut.claim_verdict) == (verdict, claim)
    whole = judge(taken, limit_table(spec))
    assert (whole.verdict is Verdict.FAIL) == (watts < 50.0)


def test_a_thump_that_left_the_converters_range_does_not_pass():
    taken = reading("turn_on_transient", 0.2, "V", 0.01, conditions=dict(AT_LEAST))
    assert judge(taken, limit_table(unknown_amplifier())).verdict is Verdict.INCONCLUSIVE
    assert judge(replace(taken, value=20.0), limit_table(unknown_amplifier())).verdict is Verdict.FAIL
