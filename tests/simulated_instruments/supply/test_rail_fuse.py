"""When a fuse blows: the gates of IEC 60127-2, and the rail that it leaves dead."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulated_instruments.amplifier.rail_fuse import QUICK_S, TIME_LAG_S, RailFuse
from simulated_instruments.amplifier.supply import Supply, demo_supply

# Multiple of rated current, shortest and longest pre-arcing time in s. IEC 60127-2, standard sheet 2 (quick-acting, low
# breaking capacity, 0.4 to 6.3 A) and 3 (time-lag, low, 0.125 to 6.3 A): as component makers' data sheets print them;
# the standard itself was not read.
GATES = [
    pytest.param(QUICK_S, 2.1, 0.0, 1800.0, id="sheet2-2.1"),
    pytest.param(QUICK_S, 2.75, 0.05, 2.0, id="sheet2-2.75"),
    pytest.param(QUICK_S, 4.0, 0.01, 0.3, id="sheet2-4"),
    pytest.param(QUICK_S, 10.0, 0.0, 0.02, id="sheet2-10"),
    pytest.param(TIME_LAG_S, 2.1, 0.0, 120.0, id="sheet3-2.1"),
    pytest.param(TIME_LAG_S, 2.75, 0.6, 10.0, id="sheet3-2.75"),
    pytest.param(TIME_LAG_S, 4.0, 0.15, 3.0, id="sheet3-4"),
    pytest.param(TIME_LAG_S, 10.0, 0.02, 0.3, id="sheet3-10"),
]


@pytest.mark.parametrize(("time_constant", "multiple", "shortest", "longest"), GATES)
def test_blows_within_the_gates(time_constant, multiple, shortest, longest):
    fuse = RailFuse(2.0, 0.02, time_constant)
    blows = fuse.blows_after(multiple * 2.0)
    assert shortest <= blows <= longest
    assert (
        fuse.heated(0.0, (multiple * 2.0) ** 2, 0.99 * blows)
        < 1.0
        < fuse.heated(0.0, (multiple * 2.0) ** 2, 1.01 * blows)
    )


@pytest.mark.parametrize("time_constant", [QUICK_S, TIME_LAG_S])
def test_carries_one_and_a_half_times_its_rating_for_an_hour(time_constant):
    assert RailFuse(2.0, 0.02, time_constant).heated(0.0, 3.0**2, 3600.0) < 1.0


def test_heating_does_not_depend_on_how_time_is_cut():
    fuse, heat = RailFuse(1.0), 0.0
    for _ in range(100):
        heat = fuse.heated(heat, 9.0, 0.002)
    assert heat == pytest.approx(fuse.heated(0.0, 9.0, 0.2))


def test_overloaded_rail_loses_its_fuse_and_reads_zero_while_the_reservoir_is_charged():
    supply = Supply(demo_supply())
    supply.switch(True)
    supply.advance(2.0, 0.1, 0.1)
    rails = supply.waveform(np.tile([[16.0, 0.1]], (48_000, 1)), 48_000.0)
    assert rails[0, 0] > 35.0
    assert supply.fuses_open == {"mains": False, "positive": True, "negative": False}
    after = supply.waveform(np.tile([[16.0, 0.1]], (4_800, 1)), 48_000.0)
    assert np.all(after[:, 0] == 0.0)
    supply.advance(1.0, 0.1, 0.1)
    assert supply.rails()[0] == 0.0
    assert supply.rails()[1] < -40.0
    assert supply.reservoirs()[0] > 41.0


def test_form_factor_heats_with_the_rms():
    """Half sines of 6.5 A average are 10.2 A rms: above what a 6.3 A fuse carries, where the average is not."""
    stiff = replace(demo_supply(), mains_fuse=RailFuse(100.0))
    for factor, blown in ((1.0, False), (1.571, True)):
        supply = Supply(stiff)
        supply.switch(True)
        supply.advance(10.0, 6.5, 0.1, form_factor=factor)
        assert supply.fuses_open["positive"] is blown


def test_fuse_resistance_lowers_the_rail_by_its_drop():
    supply = Supply(replace(demo_supply(), fuse_positive=RailFuse(6.3, 0.1)))
    supply.switch(True)
    supply.advance(2.0, 2.0, 2.0)
    assert supply.reservoirs()[0] - supply.rails()[0] == pytest.approx(0.2)
    wave = supply.waveform(np.tile([[2.0, 2.0]], (9_600, 1)), 96_000.0)
    assert -wave[-1920:, 1].mean() - wave[-1920:, 0].mean() == pytest.approx(0.2 - 2.0 * 0.008, rel=0.05)


def test_impossible_fuse_is_refused():
    with pytest.raises(ValueError, match="Expected"):
        RailFuse(0.0)
