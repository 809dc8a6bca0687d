"""The thermal account of a dummy load keeps the rule that it states: computed here by adding up joules step by step."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtest.amplifier_file import load_amplifier
from benchtest.errors import NotAllowed, SafetyStop
from benchtest.safety import open_bench
from benchtest.safety.load_heat import LoadHeat
from simulated_instruments.truth import bench_text
from tests.safety.conftest import DEMO, ready_to_drive


def test_whole_rating_for_ten_seconds_then_thirty_seconds_rest():
    load = LoadHeat(100.0)
    load.rested(0.0)
    assert load.rest_before(100.0, 10.0) == 0.0
    load.given(100.0, 10.0)
    assert load.rest_before(100.0, 10.0) == pytest.approx(30.0)
    load.rested(10.0 + 30.0)
    assert load.rest_before(100.0, 10.0) == 0.0


def test_half_the_rating_needs_no_rest_ever():
    load = LoadHeat(100.0)
    load.rested(0.0)
    for _ in range(100):
        assert load.rest_before(50.0, 3600.0) == 0.0
        load.given(50.0, 3600.0)


@pytest.mark.parametrize("power", [math.nan, math.inf, 1e9])
def test_what_no_rest_makes_possible(power):
    load = LoadHeat(100.0)
    load.rested(0.0)
    assert load.rest_before(power, 1.0) == math.inf


@given(
    st.floats(1.0, 1000.0),
    st.lists(st.tuples(st.floats(0.0, 3.0), st.floats(0.01, 30.0), st.floats(0.0, 20.0)), max_size=30),
)
def test_whatever_is_played_the_mean_above_half_stays_within_ten_seconds_worth(rating, played):
    """Whoever follows the rests never puts in more, in any row without a pause, than 10 s of the whole rating would."""
    load, now = LoadHeat(rating), 0.0
    for share, seconds, pause in played:
        load.rested(now)
        rest = load.rest_before(share * rating, seconds)
        if math.isinf(rest):
            assert (share - 0.5) * seconds > 5.0 * (1 - 1e-9)  # refused only what is too much for a cold load
            continue
        now += rest
        load.rested(now)
        load.given(share * rating, seconds)
        assert load.held_j <= 5.0 * rating * (1 + 1e-6)
        now += seconds + pause


def a_bench(tmp_path, **changes):
    text = bench_text()
    for old, new in changes.values():
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return open_bench(path, amplifier=load_amplifier(DEMO), calibrate=False)


def risen(bench, to_v):
    while (level := min(bench.highest_output(["left"]), to_v)) < to_v * 0.999:
        bench.tone(level, ["left"], hold_s=0.4)


def test_a_small_load_is_rested_between_tones(tmp_path):
    with a_bench(tmp_path, load=("power_rating_w = 200.0", "power_rating_w = 4.0")) as bench:
        ready_to_drive(bench)
        level = math.sqrt(4.0 * 8.0) * 0.999
        risen(bench, level)
        before = bench.settling_s
        for _ in range(3):
            bench.tone(level, ["left"], hold_s=8.0)
        # All of 4 W for 8.1 s pays 16.2 J into an account of 20 J that empties by 0.667 W: the second tone needs
        # (2 * 16.2 - 20) / 0.667 = 18.6 s, the third 24.3 s; the rungs before add up to 3.8 J, or 5.7 s, at most.
        # A second or two pass between the tones anyway, and count as rest.
        assert 41.0 <= bench.settling_s - before <= 43.0 + 5.8
        with pytest.raises(NotAllowed, match=r"dummy load for|above half power"):
            bench.tone(level, ["left"], hold_s=12.0)


def test_more_than_ten_seconds_above_half_power_is_refused(tmp_path):
    with a_bench(tmp_path) as bench:
        ready_to_drive(bench)
        risen(bench, 17.0)
        with pytest.raises(NotAllowed, match="Soak below half power"):
            bench.tone(17.0, ["left"], hold_s=10.0)
        bench.tone(5.0, ["left"], hold_s=12.0)  # a soak below it is no matter


def test_a_rail_that_sags_in_a_soak_stops_it(tmp_path, monkeypatch):
    with a_bench(tmp_path) as bench:
        ready_to_drive(bench)
        for rail in ("rail_positive", "rail_negative"):
            bench.dc_volts(rail)
        risen(bench, 5.0)
        bench.tone(5.0, ["left"], hold_s=12.0)
        # The rails as they were idle, a fifth higher than they are: what a failing supply looks like from here.
        idle = bench._GuardedBench__probing.idle_rails
        idle["rail_positive"] *= 1.2
        with pytest.raises(SafetyStop, match=r"sags by 1[78] % in a soak"):
            bench.tone(5.0, ["left"], hold_s=12.0)
        with pytest.raises(SafetyStop):
            bench.tone(0.05, ["left"])
