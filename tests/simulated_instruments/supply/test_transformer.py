"""Transformer and mains: regulation, voltage, frequency, wrong setting, shorted turn, inrush, fuse."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from simulated_instruments.amplifier.lamp import Lamp
from simulated_instruments.amplifier.mains import Mains, volts
from simulated_instruments.amplifier.rail_fuse import RailFuse
from simulated_instruments.amplifier.supply import Supply, SupplyDesign, demo_supply
from simulated_instruments.amplifier.transformer import Transformer, regulation


def on(design: SupplyDesign, current: float = 0.1, seconds: float = 2.0, *, lamp: Lamp | None = None) -> Supply:
    supply = Supply(design)
    supply.insert_lamp(lamp)
    supply.switch(True)
    supply.advance(seconds, current, current)
    return supply


def with_transformer(**changes: float) -> SupplyDesign:
    return replace(demo_supply(), transformer=replace(demo_supply().transformer, **changes))


def test_mains_wave_has_the_stated_rms_whatever_its_shape():
    phase = np.linspace(0.0, 2.0 * np.pi, 4000, endpoint=False)
    for mains in (Mains(), Mains(third=0.0, fifth=0.0), Mains(third=0.03, fifth=-0.04)):
        assert np.sqrt(np.mean(volts(mains, phase) ** 2)) == pytest.approx(230.0, rel=1e-9)
    # a flattened top: Fourier says peak = fundamental (1 - third + fifth)
    flat = Mains(third=0.006, fifth=-0.018)
    assert volts(flat, np.array([np.pi / 2]))[0] == pytest.approx(flat.fundamental_peak() * (1 - 0.006 - 0.018))


@pytest.mark.parametrize("changes", [{"voltage": -1.0}, {"voltage": math.nan}, {"frequency": 0.0}])
def test_impossible_mains_is_refused(changes):
    with pytest.raises(ValueError, match="Expected"):
        Mains(**changes)


def test_rails_without_load_are_the_peak_less_a_diode(plain):
    tight = replace(plain.reservoir_positive, bleeder_ohm=1e7)
    flat = replace(
        plain,
        mains=Mains(third=0.0, fifth=0.0, source_ohm=0.0),
        reservoir_positive=tight,
        reservoir_negative=tight,
        transformer=replace(plain.transformer, core_loss_w=0.0),
    )
    expected = math.sqrt(2.0) * plain.transformer.secondary_rms_off_load - plain.rectifier.a_positive.forward_v
    assert on(flat, 0.0).rails() == pytest.approx((expected, -expected), abs=0.03)


def test_rails_follow_mains_voltage():
    high = replace(demo_supply(), mains=Mains(253.0))
    assert on(high).rails()[0] / on(demo_supply()).rails()[0] == pytest.approx(1.1, abs=0.005)


def test_regulation_is_that_of_its_resistances(plain):
    """Copper of the primary counts twice, since both halves load it; halving all copper nearly halves the sag."""
    t = Transformer()
    assert regulation(t, 300.0) == pytest.approx(0.05, abs=0.02)  # 5 to 8 % for a toroid of 200-500 VA, from memory
    stiff = with_transformer(primary_ohm=t.primary_ohm / 2.0, secondary_ohm=t.secondary_ohm / 2.0)
    assert 0.4 < _sag(stiff) / _sag(demo_supply()) < 0.75  # mains resistance and conduction angle remain


def _sag(design: SupplyDesign) -> float:
    return on(design, 0.1).rails()[0] - on(design, 2.8).rails()[0]


def test_demo_rails_and_power_are_those_of_a_2_x_60_watt_amplifier():
    """Invented values; the window is what an amplifier of this size needs to make about 70 W with both channels."""
    supply = on(demo_supply())
    assert 41.0 < supply.rails()[0] < 43.0
    assert 15.0 < supply.power_w < 50.0  # idle draw of an ordinary class-AB set: common practice
    supply.advance(5.0, 2.8, 2.8)
    assert 37.0 < supply.rails()[0] < 38.0


def test_both_rails_share_the_transformer():
    """Load on one rail alone lowers the other through the primary's resistance."""
    supply = Supply(demo_supply())
    supply.switch(True)
    supply.advance(2.0, 2.8, 0.1)
    positive, negative = supply.rails()
    assert positive < -negative - 1.0
    assert -negative < on(demo_supply()).rails()[0] - 0.5


def test_power_drawn_is_what_the_rails_give_and_what_is_lost(plain):
    """Energy: mains power less the loss in copper, diodes, ESR and core equals load and bleeders."""
    supply = on(plain, 2.0)
    given = 2.0 * 2.0 * supply.rails()[0]
    current = supply.mains_current
    t = plain.transformer
    copper = current**2 * (t.primary_ohm + plain.mains.source_ohm + plain.mains_fuse.ohm)
    halves = 0.5 * (current / t.ratio) ** 2 * (t.secondary_ohm + 0.015 + plain.reservoir_positive.esr)
    diodes = 2.0 * 2.0 * plain.rectifier.a_positive.forward_v
    core = (t.core_loss_w) * 0.97**2
    assert supply.power_w == pytest.approx(given + copper + halves + diodes + core, rel=0.02)


@pytest.mark.parametrize(("tap_ratio", "expected"), [(0.5, 0.5), (220.0 / 240.0, 220.0 / 240.0)])
def test_wrong_voltage_setting_scales_the_rails(tap_ratio, expected):
    good, wrong = on(demo_supply()), on(with_transformer(tap_ratio=tap_ratio))
    drop = demo_supply().rectifier.a_positive.forward_v
    assert (wrong.rails()[0] + drop) / (good.rails()[0] + drop) == pytest.approx(expected, rel=0.02)


def test_double_voltage_saturates_the_core_and_blows_the_mains_fuse():
    wrong = with_transformer(tap_ratio=2.0)
    never_blows = replace(wrong, mains_fuse=RailFuse(1000.0, 0.03))
    supply = on(never_blows, 0.05)
    assert 1.8 < supply.rails()[0] / on(demo_supply(), 0.05).rails()[0] < 2.1
    assert supply.mains_current > 5.0
    supply = on(wrong, 0.05)
    assert supply.fuses_open["mains"]
    assert not supply.live
    assert supply.power_w == 0.0
    assert on(wrong, 0.05, 5.0, lamp=Lamp(60.0)).lamp_state() in ("half", "bright")


def test_shorted_turn_takes_power_without_load_and_lights_the_lamp():
    turn = with_transformer(shorted_turn_ohm=4.0)
    good, bad = on(demo_supply(), 0.0), on(turn, 0.0)
    assert bad.rails()[0] < good.rails()[0] - 1.0
    # what the resistance takes at the secondary's voltage, and the copper's share on the way
    taken = demo_supply().transformer.secondary_rms_off_load ** 2 / 4.0
    assert 0.8 * taken < bad.power_w - good.power_w < 1.1 * taken
    assert on(demo_supply(), 0.0, 5.0, lamp=Lamp(60.0)).lamp_state() in ("dark", "dull")
    assert on(turn, 0.0, 5.0, lamp=Lamp(60.0)).lamp_state() == "bright"


def test_inrush_depends_on_the_moment_and_dies_within_the_first_half_second():
    """Zero crossing is the worst moment: the flux swings from nothing to twice its peak; at the peak it does not."""

    def first_cycles(delay: float) -> list[float]:
        design = replace(
            demo_supply(), reservoir_positive=replace(demo_supply().reservoir_positive, farad=1e-5),
            reservoir_negative=replace(demo_supply().reservoir_negative, farad=1e-5), auxiliary=None,
        )  # fmt: skip
        supply = Supply(design)
        supply.advance(delay, 0.0, 0.0)
        supply.switch(True)
        currents = []
        for _ in range(30):
            supply.advance(0.02, 0.0, 0.0)
            currents.append(supply.mains_current)
        return currents

    worst, best = first_cycles(0.02), first_cycles(0.005)
    assert worst[0] > 10.0 * worst[-1]
    assert best[0] < 0.2 * worst[0]
    assert worst[-1] == pytest.approx(best[-1], rel=0.1)
    assert all(b <= a * 1.01 for a, b in pairwise(worst))


def test_mains_fuse_stands_inrush_and_full_power_but_no_short():
    supply = on(demo_supply(), 2.8, 600.0)
    assert not supply.fuses_open["mains"]
    for _ in range(10):
        supply.switch(False)
        supply.advance(2.0, 0.1, 0.1)
        supply.switch(True)
        supply.advance(3.0, 0.1, 0.1)
    assert not supply.fuses_open["mains"]
    supply.advance(10.0, 40.0, 40.0)
    assert supply.fuses_open["mains"]
    supply.replace_fuses()
    supply.advance(1.0, 0.1, 0.1)
    assert supply.rails()[0] > 35.0


@pytest.mark.parametrize(
    "changes",
    [{"secondary_rms_off_load": 0.0}, {"tap_ratio": -1.0}, {"shorted_turn_ohm": 0.0}, {"primary_ohm": math.nan}],
)
def test_impossible_transformer_is_refused(changes):
    with pytest.raises(ValueError, match="Expected"):
        Transformer(**changes)
