"""The figures behind the safety limits, against arithmetic and the published values they come from."""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtest.safety.limits import (
    ABOVE_RATED,
    FIRST_V,
    SECOND_V,
    WATCH_WEIGHTS,
    DriveLimits,
    network_limit_v,
    next_rung,
    watch_referred_v,
)

LIMITS = DriveLimits(
    load_ohm=(8.0, 8.0), load_rating_w=200.0, rated_power_w=60.0, rated_load_ohm=8.0, input_peak_v=(46.6, 46.6)
)


def test_one_watt_is_the_reference_output_of_ihf_a_202():
    # IHF-A-202 (1978): reference output 1 W into 8 ohm = 2.828 V (from memory; the value is arithmetic)
    assert LIMITS.one_watt_v() == pytest.approx(2.828, abs=5e-4)


def test_rated_voltage_is_root_of_power_times_load():
    # 16 CFR 432 arithmetic: 50 W into 8 ohm = 20.00 V
    limits = DriveLimits((8.0, 8.0), 200.0, 50.0, 8.0, (60.0, 60.0))
    assert limits.rated_v() == pytest.approx(20.0)


def test_high_frequency_limit_follows_the_output_network():
    # common practice, no source: 20 kHz at 100 W (28.28 V) puts 1.2 W into 10 ohm + 0.1 uF; computed with its impedance
    impedance = 10.0 + 1.0 / (2j * math.pi * 20e3 * 100e-9)
    watts = (28.28 / abs(impedance)) ** 2 * 10.0
    assert watts == pytest.approx(1.24, abs=0.01)
    assert (28.28 / network_limit_v(20e3)) ** 2 * 0.5 == pytest.approx(watts)


def test_watch_weights_are_the_resistive_sum_of_100_and_47_kilohm():
    # 100 k from the left and 47 k from the right into one node: weights 47/147 and 100/147
    assert pytest.approx((47 / 147, 100 / 147), abs=0.001) == WATCH_WEIGHTS


@given(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0))
def test_watch_never_under_reads_one_channel_alone(left, right):
    assert watch_referred_v(WATCH_WEIGHTS[0] * left) >= abs(left) * 0.999 - 1e-12
    assert watch_referred_v(WATCH_WEIGHTS[1] * right) >= abs(right) * 0.999 - 1e-12


def test_equal_and_opposite_offsets_do_not_cancel_in_the_watch():
    assert watch_referred_v(WATCH_WEIGHTS[0] * 1.0 - WATCH_WEIGHTS[1] * 1.0) > 0.5


def test_the_ladder_starts_at_50_mv_and_steps_as_stated():
    rungs, level = [], 0.0
    for _ in range(60):
        level = next_rung(level, LIMITS)
        rungs.append(level)
        if level > 24.0:
            break
    assert rungs[:3] == pytest.approx([FIRST_V, SECOND_V, LIMITS.one_watt_v()])
    rated = math.sqrt(480.0)
    for low, high in itertools.pairwise(rungs[2:]):
        step_db = 20 * math.log10(high / low)
        if high <= rated / math.sqrt(2) * 1.001:
            assert step_db <= 3.03
        elif low < rated * 10 ** (-1.06 / 20):
            assert step_db <= 1.03
        else:
            assert step_db <= 0.27


@given(
    rating=st.floats(1.0, 1000.0), load=st.floats(2.0, 32.0), rated=st.one_of(st.none(), st.floats(1.0, 500.0)),
    peak=st.floats(1.0, 200.0), frequency=st.floats(20.0, 40e3),
)  # fmt: skip
def test_no_output_is_above_any_of_its_bounds(rating, load, rated, peak, frequency):
    limits = DriveLimits((load, load), rating, rated, load, (peak, peak))
    highest = limits.highest_v(0, load, frequency)
    assert highest**2 / load <= rating * 1.0001
    assert highest * math.sqrt(2) <= peak
    assert highest <= network_limit_v(frequency) * 1.0001
    if rated is not None:
        assert highest**2 / load <= rated * ABOVE_RATED * 1.0001
