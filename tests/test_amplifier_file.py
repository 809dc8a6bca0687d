"""The amplifier file: a specification with claims and limits, every key checked."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.amplifier_checks import KINDS, OUTPUT_STAGES, REFERENCES
from benchtest.amplifier_file import (
    AmplifierSection,
    AmplifierSpec,
    Claim,
    LimitRow,
    amplifier_as_toml,
    amplifier_from_text,
    load_amplifier,
    unknown_amplifier,
)
from benchtest.config import FaultyFile
from benchtest.quantities import QUANTITIES

DEMO = Path(__file__).parents[1] / "procedures" / "demo_amplifier.toml"
TEXT = """\
[amplifier]
name = "an amplifier"
output_stage = "direct_coupled"
rated_power_w = 60.0
[[claims]]
quantity = "thd"
at_most = 0.05
unit = "%"
where = { at = "1 W" }
[[limits]]
quantity = "dc_offset"
lower = -50.0
upper = 50.0
unit = "mV"
"""


def test_what_is_left_out_is_unknown():
    spec = amplifier_from_text('[amplifier]\nname = "a"\n', "a.toml")
    assert (spec.rated_power_w, spec.gain_db, spec.rail_v, spec.minimum_load_ohm) == (None, None, None, None)
    assert (spec.output_stage, spec.kind, spec.rated_load_ohm) == ("unknown", "integrated", 8.0)
    assert (spec.claims, spec.limits) == ((), ())


def test_rows_are_read():
    spec = amplifier_from_text(TEXT, "a.toml")
    assert spec.claims[0] == Claim(quantity="thd", at_most=0.05, unit="%", where={"at": "1 W"})
    assert (spec.claims[0].kind, spec.claims[0].value) == ("max", 0.05)
    assert spec.limits[0].upper == 50.0


@pytest.mark.parametrize(
    ("figure", "kind", "value"),
    [({"at_most": 0.0}, "max", 0.0), ({"at_least": 60.0}, "min", 60.0), ({"plus_minus": 1.0}, "deviation", 1.0)],
)
def test_a_claim_is_one_of_three_kinds(figure, kind, value):
    claim = Claim(quantity="thd", unit="%", **figure)
    assert (claim.kind, claim.value) == (kind, value)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("rated_power_w = 60.0", "rated_power_w = -60.0", "line 4: [amplifier] rated_power_w = -60.0"),
        ("rated_power_w = 60.0", "rated_power_w = nan", "Expected a finite number"),
        ("rated_power_w = 60.0", 'rated_power_w = "60 W"', "Write it without quotes: 60."),
        ("rated_power_w = 60.0", "rated_pwoer_w = 60.0", "Did you mean rated_power_w?"),
        ("rated_power_w = 60.0", "minimum_load_ohm = 16.0", "at most the rated load, 8.0 ohm"),
        ('"direct_coupled"', '"direct coupled"', 'Did you mean "direct_coupled"?'),
        ('name = "an amplifier"\n', "", "[amplifier] name is missing"),
        ('"thd"', '"tdh"', "Did you mean thd?"),
        ('quantity = "thd"\n', "", "[[claims]] number 1, quantity is missing"),
        ('unit = "%"', 'unit = "V"', 'a unit that can be stated in "%", the unit of thd'),
        ("at_most = 0.05", "", "has no figure"),
        ("at_most = 0.05", "at_most = 0.05\nat_least = 0.01", "exactly one of at_most, at_least, plus_minus"),
        ("at_most = 0.05", "at_most = inf", "at_most = inf. Expected a finite number"),
        ("at_most = 0.05", "plus_minus = -0.05", "a deviation of 0 or more"),
        ('at = "1 W"', 'att = "1 W"', "where, att is not known"),
        ('at = "1 W"', "frequency_hz = nan", "where, frequency_hz = nan"),
        ('at = "1 W"', "frequency_hz = [2000.0, 20.0]", "the lower value first"),
        ('at = "1 W"', "frequency_hz = [20.0, 200.0, 2000.0]", "a finite number, [low, high], or a list of texts"),
        ('at = "1 W"', 'driven = "bth"', "Did you mean both?"),
        ('at = "1 W"', 'output_stage = ["dc_servo", "direct"]', "one of direct_coupled, dc_servo"),
        ('where = { at = "1 W" }', 'where = "1 W"', "Expected a section"),
        ("upper = 50.0", "upper = -60.0", "at least lower, which is -50.0"),
        ("upper = 50.0", "good_upper = 10.0\ngood_lower = 20.0", "at least good_lower, which is 20.0"),
        ("lower = -50.0\nupper = 50.0\n", "", "[[limits]] number 1 has no limit"),
        ("upper = 50.0", 'upper = 50.0\npercent_of = "rated_pwer_w"', "Did you mean rated_power_w?"),
        ("upper = 50.0", 'upper = 50.0\npercent_of = "rail_v"', 'a unit that can be stated in "%"'),
        ('unit = "mV"', 'unit = "%"\npercent_of = "rail_v"\nrelative_to = "gain_db"', "Delete one of the two"),
        ("[[limits]]", "[limits]", "Write its header in double brackets: [[limits]]."),
        ("[[limits]]", "[[limit]]", "Did you mean limits?"),
    ],
)  # fmt: skip
def test_an_unknown_or_impossible_key_is_refused_with_a_remedy(old, new, says):
    assert old in TEXT
    with pytest.raises(FaultyFile) as caught:
        amplifier_from_text(TEXT.replace(old, new, 1), "a.toml")
    assert says in str(caught.value)


def test_all_faults_are_told_at_once():
    text = TEXT.replace("60.0", "-60.0").replace('"thd"', '"tdh"').replace("upper = 50.0", "upper = inf")
    with pytest.raises(FaultyFile) as caught:
        amplifier_from_text(text, "a.toml")
    assert [fault.line for fault in caught.value.faults] == [4, 6, 13]


def test_nothing_known_claims_nothing():
    assert unknown_amplifier() == AmplifierSpec(name="unknown amplifier")
    assert unknown_amplifier().rated_voltage is None


def test_rated_voltage_is_root_of_power_times_load():
    """16 CFR 432 arithmetic: U = sqrt(P R), 50 W into 8 ohm is 20.00 V."""
    assert AmplifierSpec(name="a", rated_power_w=50.0, rated_load_ohm=8.0).rated_voltage == pytest.approx(20.0)


def test_the_demo_amplifier_is_read_and_says_that_it_is_invented():
    spec = load_amplifier(DEMO)
    assert spec.rated_power_w == 60.0
    assert "INVENTED" in DEMO.read_text(encoding="utf-8")
    assert "Invented" in spec.remarks
    assert spec.maker == ""
    assert {claim.quantity for claim in spec.claims} >= {"output_power", "thd", "signal_to_noise"}


def test_what_rows_may_refer_to_exists():
    assert set(REFERENCES) - {"load_ohm", "stated_ohm"} <= set(AmplifierSection.model_fields)
    assert len(OUTPUT_STAGES) == 6
    assert len(KINDS) == 4


FIGURE = st.floats(-1e3, 1e3)
WHERE = st.fixed_dictionaries(
    {},
    optional={
        "at": st.sampled_from(["1 W", "half power", 'a "quoted" place']),
        "frequency_hz": st.floats(1.0, 1e5) | st.just((20.0, 20e3)),
        "driven": st.sampled_from(["one", "both"]),
        "channel": st.just(("left", "right")),
    },
)


@st.composite
def specs(draw: st.DrawFn) -> AmplifierSpec:
    known = draw(st.booleans())
    quantities = st.sampled_from(sorted(QUANTITIES))
    figure = draw(st.sampled_from(["at_most", "at_least"]))
    claims = [Claim(quantity=q, unit=QUANTITIES[q].unit, where=draw(WHERE), **{figure: draw(FIGURE)}) for q in
              draw(st.lists(quantities, max_size=3))]  # fmt: skip
    rows = []
    for quantity in draw(st.lists(quantities, max_size=3)):
        lower, upper = sorted(draw(st.tuples(FIGURE, FIGURE)))
        rows.append(LimitRow(quantity=quantity, unit=QUANTITIES[quantity].unit, lower=lower, upper=upper,
                             where=draw(WHERE), overload_fails=draw(st.booleans())))  # fmt: skip
    return AmplifierSpec(
        name=draw(st.text(min_size=1, max_size=8)),
        serial=draw(st.text(max_size=8)),
        kind=draw(st.sampled_from(KINDS)),
        output_stage=draw(st.sampled_from(OUTPUT_STAGES)),
        rated_power_w=60.0 if known else None,
        gain_db=draw(st.none() | st.floats(0.0, 60.0)),
        relay_delay_s=0.0 if known else None,
        claims=tuple(claims),
        limits=tuple(rows),
    )


@settings(deadline=None)
@given(specs(), st.booleans())
def test_a_specification_survives_being_written_and_read(spec, comments):
    assert amplifier_from_text(amplifier_as_toml(spec, comments=comments), "a.toml") == spec
