"""Accuracy statements to standard uncertainty: JCGM 100:2008, 4.3.7 (rectangular limits, u = a / sqrt(3))."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtest.errors import InstrumentError
from benchtest.instruments.accuracy import DEFAULT, Accuracy, standard_uncertainty
from benchtest.instruments.protocols import Function

STATEMENT = (
    Accuracy(Function.DC_VOLTS, 1.0, None, 0.5, 0.05),
    Accuracy(Function.DC_VOLTS, 10.0, None, 0.4, 0.05),
    Accuracy(Function.AC_VOLTS, 10.0, (40.0, 1000.0), 1.0, 0.1),
    Accuracy(Function.AC_VOLTS, 10.0, (1000.0, 20e3), 3.0, 0.1),
)


def u(function, value, full_scale, frequency=None):
    return standard_uncertainty(STATEMENT, function, value, full_scale, frequency, meter="meter")


def test_half_a_percent_of_28_28_v_is_0_289_percent():
    # u_V/V of the usual power example: 28.28 V with 0.5 % limits, computed by hand: 0.5 / sqrt(3) = 0.2887 %
    row = (Accuracy(Function.AC_VOLTS, 100.0, None, 0.5, 0.0),)
    assert standard_uncertainty(row, Function.AC_VOLTS, 28.28, 100.0) / 28.28 == pytest.approx(0.002887, rel=1e-3)


def test_the_range_term_dominates_low_readings():
    assert u(Function.DC_VOLTS, 0.020, 1.0) == pytest.approx((0.0001 + 0.0005) / math.sqrt(3))


def test_the_next_stated_range_holds_for_a_range_between():
    assert u(Function.DC_VOLTS, 1.5, 2.0) == pytest.approx((0.006 + 0.001) / math.sqrt(3))


def test_the_band_of_the_frequency_is_taken_and_the_worst_without_one():
    assert u(Function.AC_VOLTS, 1.0, 10.0, 500.0) == pytest.approx(0.02 / math.sqrt(3))
    assert u(Function.AC_VOLTS, 1.0, 10.0, 5000.0) == pytest.approx(0.04 / math.sqrt(3))
    assert u(Function.AC_VOLTS, 1.0, 10.0) == u(Function.AC_VOLTS, 1.0, 10.0, 5000.0)


@pytest.mark.parametrize("frequency", [39.9, 20001.0])
def test_outside_the_bands_a_reading_is_refused(frequency):
    with pytest.raises(InstrumentError, match=r"outside its accuracy statement \(40 to 1000 Hz, 1000 to 20000 Hz\)"):
        u(Function.AC_VOLTS, 1.0, 10.0, frequency)


def test_what_is_not_stated_is_refused():
    with pytest.raises(InstrumentError, match="has no accuracy statement for resistance"):
        u(Function.RESISTANCE, 8.0, 100.0)
    with pytest.raises(InstrumentError, match="above every range of its accuracy statement \\(10 V\\)"):
        u(Function.DC_VOLTS, 30.0, 100.0)


@pytest.mark.parametrize(
    "wrong",
    [
        (0.0, None, 0.5, 0.1),
        (math.nan, None, 0.5, 0.1),
        (1.0, (500.0, 40.0), 0.5, 0.1),
        (1.0, (math.nan, 40.0), 0.5, 0.1),
        (1.0, None, -0.5, 0.1),
        (1.0, None, 0.5, math.nan),
        (1.0, None, 0.5, math.inf),
    ],
)
def test_impossible_statements_are_refused(wrong):
    with pytest.raises(ValueError, match="accuracy of dc_volts"):
        Accuracy(Function.DC_VOLTS, *wrong)


@given(st.floats(0, 1000), st.sampled_from([1.0, 10.0, 1000.0]))
def test_the_default_holds_for_any_range_and_grows_with_reading_and_range(value, full_scale):
    one = standard_uncertainty(DEFAULT, Function.DC_VOLTS, value, full_scale)
    assert one > 0
    assert standard_uncertainty(DEFAULT, Function.DC_VOLTS, -value, full_scale) == one
    assert standard_uncertainty(DEFAULT, Function.DC_VOLTS, 2 * value + 1, full_scale) > one
