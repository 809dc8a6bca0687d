"""Two runs side by side. Expected uncertainties: root sum of squares of independent ones, JCGM 100:2008, 5.1.2."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtest.archive import Run, compare_rows, differing_conditions
from benchtest.reading import Verdict

FINITE = st.floats(-1e6, 1e6)
SPAN = st.floats(1e-9, 1e3)


@pytest.mark.parametrize(
    ("after", "span", "significant"),
    [(0.0123 + 0.00029, 0.0002, True), (0.0123 + 0.00028, 0.0002, False), (0.5, None, None), (None, 0.0002, None)],
)
def test_difference_is_significant_beyond_its_expanded_uncertainty(row, after, span, significant):
    # sqrt(0.0002^2 + 0.0002^2) = 0.000282843
    (found,) = compare_rows([row()], [row(value=after, expanded_uncertainty=span)])
    assert found.significant is significant
    if span and after:
        assert found.uncertainty == pytest.approx(0.000282843, rel=1e-5)
        assert found.difference == pytest.approx(after - 0.0123)


def test_coverage_factors_are_made_equal_before_they_are_added(row):
    one = row(expanded_uncertainty=0.3, coverage_factor=3.0)  # u = 0.1
    two = row(expanded_uncertainty=0.2, coverage_factor=2.0)  # u = 0.1
    assert compare_rows([one], [two])[0].uncertainty == pytest.approx(2 * math.hypot(0.1, 0.1))


@given(first=FINITE, second=FINITE, span_1=SPAN, span_2=SPAN)
def test_swapping_before_and_after_turns_the_sign_and_nothing_else(row, first, second, span_1, span_2):
    one, two = row(value=first, expanded_uncertainty=span_1), row(value=second, expanded_uncertainty=span_2)
    (there,), (back,) = compare_rows([one], [two]), compare_rows([two], [one])
    assert there.difference == -back.difference
    assert (there.uncertainty, there.significant) == (back.uncertainty, back.significant)


def test_run_compared_with_itself_shows_no_difference(row):
    rows = [
        row(sequence=n, channel=c, level=lv, level_unit="V") for n, c in enumerate(("left", "right")) for lv in (1, 2)
    ]
    found = compare_rows(rows, rows)
    assert len(found) == 4
    assert all(each.difference == 0 and each.significant is False and each.differing == () for each in found)


def test_readings_of_another_kind_are_never_set_side_by_side(row):
    first = row(level=2.83, level_unit="V", frequency_hz=1000.0, conditions={"at": "1 W"})
    others = [
        row(channel="right", level=2.83, level_unit="V", frequency_hz=1000.0, conditions={"at": "1 W"}),
        row(level=4.0, level_unit="V", frequency_hz=1000.0, conditions={"at": "1 W"}),
        row(level=2.83, level_unit="V", frequency_hz=10000.0, conditions={"at": "1 W"}),
        row(level=2.83, level_unit="V", frequency_hz=1000.0, conditions={"at": "rated power"}),
        row(quantity="gain", level=2.83, level_unit="V", frequency_hz=1000.0, conditions={"at": "1 W"}),
    ]
    found = compare_rows([first], others)
    assert len(found) == 6
    assert found[0].after is None
    assert all(each.before is None and each.difference is None for each in found[1:])


def test_conditions_that_differ_are_named_and_the_likest_reading_is_taken(row):
    before = row(load_ohm=8.0, conditions={"volume": "full", "inputs": "shorted", "rails_v": [42.1, -42.0]})
    far = row(load_ohm=4.0, value=1.0, conditions={"volume": "-20 dB", "inputs": "shorted"})
    near = row(load_ohm=8.3, value=2.0, conditions={"volume": "full", "inputs": "shorted", "rails_v": [41.0, -41.2]})
    found, other = compare_rows([before], [far, near])
    assert found.after == 2.0
    assert found.differing == ("load 8 / 8.3 ohm",)
    assert other.after == 1.0
    (alone,) = compare_rows([before], [far])
    assert alone.differing == ("load 8 / 4 ohm", "volume full / -20 dB")
    assert json.dumps(found.as_dict())


def test_what_differs_between_the_runs_as_a_whole_is_named():
    before = {
        "procedure": "power_on", "simulated": True, "amplifier": {"amplifier": {"name": "Demo", "serial": "1"}},
        "bench": {"name": "a", "mains_voltage": 230.0, "mains_frequency": 50.0, "load_ohm": {"left": 8.02, "right": 7.99}},
        "calibration": {"made_utc": "2031-05-06"}, "instruments": [{"identity": "x"}], "software": {"benchtest": "0.1"},
    }  # fmt: skip
    assert differing_conditions(before, before) == []
    after = json.loads(json.dumps(before))
    after["bench"]["mains_voltage"] = 231.0  # within 1 %
    after["bench"]["load_ohm"]["left"] = 4.01
    after["calibration"]["made_utc"] = "2031-06-06"
    after["instruments"] = [{"identity": "y"}]
    assert [(d.what, d.before, d.after) for d in differing_conditions(before, after)] == [
        ("load left (ohm)", "8.02", "4.01"),
        ("calibration", "2031-05-06", "2031-06-06"),
        ("instruments", "x", "y"),
    ]
    assert differing_conditions({}, {}) == []
    assert differing_conditions({"bench": "a"}, {"bench": None})


def test_what_was_not_measured_before_is_named_once_and_words_stay_words(tmp_path, new_run, row):
    from benchtest.report.comparison import two_runs

    def one(here, dull, **gain):
        writer = new_run(tmp_path / here)
        lamp = {"quantity": "lamp_brightness", "channel": "none", "unit": "1", "expanded_uncertainty": None}
        writer.append_reading(row(writer.run_id, 1, **lamp, value=dull, conditions={"at": "on the lamp"}))
        common = {"quantity": "gain", "channel": "right", "unit": "dB", "conditions": {"at": "50 mV", "driven": "one"}}
        writer.append_reading(row(writer.run_id, 2, **common, **gain))
        zero = {"at": "relay + 10 s"} | ({"zero": True} if gain["value"] is None else {})
        writer.append_reading(row(writer.run_id, 3, conditions=zero))
        writer.close({"result": "passed"})
        return Run(writer.folder)

    found = two_runs(
        one("before", 1.0, value=None, verdict=Verdict.NOT_MEASURED),
        one("after", 2.0, value=31.0, frequency_hz=1000.0, level=0.05, level_unit="V"),
    )
    assert found.only_before == ()
    assert found.only_after == ("Gain (1 kHz, 0.05 V, 50 mV, one channel driven), right",)
    lamp, zero = found.lines
    assert (lamp.sides["none"].before, lamp.sides["none"].after) == ("dull", "half")
    assert lamp.sides["none"].difference == ""
    assert zero.differing == ()  # a zero is what was found, no condition
