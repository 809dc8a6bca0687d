"""The DC check's outcomes at their limits, guarded, and the zero that is too perfect."""

import pytest

from benchtest.instruments.protocols import Function
from benchtest.safety.findings import MeterValue, dc_outcome, has_moved


def reading(volts, u=2e-6, spread=1e-6):
    return MeterValue("left_output", Function.DC_VOLTS, volts, u, spread, "meter", {})


# at most 50 mV good, to 100 mV noted, to 300 mV dummy load and 1 W only, above: stop (common practice, no source)
@pytest.mark.parametrize(
    ("volts", "outcome"),
    [(0.005, "good"), (-0.0499, "good"), (0.051, "noted"), (-0.0999, "noted"), (0.101, "limited"), (-0.299, "limited"),
     (0.301, "stop"), (-41.0, "stop"), (None, "stop")],
)  # fmt: skip
def test_outcomes_by_magnitude(volts, outcome):
    assert dc_outcome(reading(volts), "direct_coupled")[0] == outcome


def test_too_close_to_call_counts_as_above():
    assert dc_outcome(reading(0.299, u=0.001), "direct_coupled")[0] == "stop"
    assert dc_outcome(reading(0.0995, u=0.001), "direct_coupled")[0] == "limited"


@pytest.mark.parametrize("volts", [float("nan"), float("inf")])
def test_what_is_no_number_stops(volts):
    assert dc_outcome(reading(volts), "direct_coupled")[0] == "stop"


def test_exactly_zero_is_no_pass_but_natural_behind_a_capacitor():
    assert dc_outcome(reading(2e-6), "direct_coupled")[0] == "zero"
    assert dc_outcome(reading(2e-6), "capacitor_coupled")[0] == "good"
    assert dc_outcome(reading(2e-6, spread=100e-6), "direct_coupled")[0] == "good"  # livelier than shorted leads


def test_a_hand_held_meters_zero_is_zero_within_its_last_digit():
    assert dc_outcome(reading(1e-4, u=1e-4, spread=0.0), "direct_coupled")[0] == "zero"
    assert dc_outcome(reading(1.8e-4), "direct_coupled")[0] == "good"  # a bench meter tells this from zero


def test_an_offset_that_drifts_through_zero_is_no_open_path():
    assert has_moved(reading(5e-6), reading(60e-6))
    assert not has_moved(reading(2e-6), reading(1e-6))
