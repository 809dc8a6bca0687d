"""The vocabulary of quantities and the conversion of units. Factors: SI prefixes, and 20 lg for distortion in dB."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.quantities import QUANTITIES, convert, convertible

# The names and units of the contract of readings.csv, so that nothing is dropped from the vocabulary by accident.
CONTRACT = [
    "dc_offset", "offset_drift", "rail_voltage", "rail_ripple", "gain", "input_sensitivity", "channel_balance",
    "polarity", "output_voltage", "output_power", "power_bandwidth", "dynamic_headroom", "clipping_headroom", "thd",
    "thd_n", "sinad", "intermodulation", "frequency_response", "noise", "hum", "signal_to_noise", "crosstalk",
    "output_impedance", "damping_factor", "input_impedance", "slew_rate", "turn_on_transient", "turn_off_transient",
    "mute_delay", "idle_current", "reservoir_capacitance", "fuse_resistance", "load_resistance", "residual_charge",
]  # fmt: skip


def test_every_quantity_of_the_contract_is_in_the_vocabulary():
    assert set(CONTRACT) <= set(QUANTITIES)
    assert all(name == each.name and each.unit and each.meaning for name, each in QUANTITIES.items())


@pytest.mark.parametrize(
    ("value", "unit", "to", "expected"),
    [
        (150.0, "mV", "V", 0.15),
        (10_000.0, "uF", "F", 0.01),
        (47.0, "kohm", "ohm", 47_000.0),
        (0.12, "kW", "W", 120.0),
        (20.0, "kHz", "Hz", 20_000.0),
        (12.0, "V/us", "V/s", 12e6),
        (-80.0, "dB", "%", 0.01),
        (80.0, "dB", "%", 0.01),
        (0.5, "%", "1", 0.005),
        (40.0, "°C", "degC", 40.0),
        (-3.0, "dB", "dB", -3.0),
        (250.0, "µV", "mV", 0.25),
    ],
)
def test_units_of_data_sheets(value, unit, to, expected):
    assert convert(value, unit, to) == pytest.approx(expected)


@pytest.mark.parametrize(("unit", "to"), [("V", "W"), ("dB", "V"), ("%", "dB"), ("mm", "V"), ("", "V"), ("dBm", "V")])
def test_units_of_different_kinds_are_refused(unit, to):
    assert not convertible(unit, to)
    with pytest.raises(ValueError, match="no unit of the same kind"):
        convert(1.0, unit, to)


@settings(deadline=None)
@given(st.floats(-1e6, 1e6), st.sampled_from([("mV", "V"), ("kohm", "ohm"), ("ppm", "%"), ("V/us", "V/s")]))
def test_there_and_back_is_the_same(value, units):
    unit, to = units
    assert convert(convert(value, unit, to), to, unit) == pytest.approx(value, rel=1e-12)
