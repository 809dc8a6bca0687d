"""Stored charge: discharge, leakage, dielectric absorption, against closed forms and an ODE solved here."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simulated_instruments.amplifier.reservoir import Reservoir
from simulated_instruments.amplifier.supply import Supply, demo_supply

# V0, C, bleeder -> seconds to 10 V and to 2 V: t = R C ln(V0 / V), values as printed in a table, to 1 s
DISCHARGE = [
    pytest.param(50.0, 10e-3, 2200.0, 35.0, 71.0, id="50V-10mF-2k2"),
    pytest.param(50.0, 10e-3, 4700.0, 76.0, 151.0, id="50V-10mF-4k7"),
    pytest.param(63.0, 15e-3, 3300.0, 91.0, 171.0, id="63V-15mF-3k3"),
    pytest.param(85.0, 22e-3, 4700.0, 221.0, 388.0, id="85V-22mF-4k7"),
]


@pytest.mark.parametrize(("v0", "farad", "bleeder", "to_10", "to_2"), DISCHARGE)
def test_bleeder_discharge(v0, farad, bleeder, to_10, to_2):
    part = Reservoir(farad=farad, bleeder_ohm=bleeder, leakage_a=0.0, absorption=0.0, rated_v=100.0)
    assert part.discharged(v0, v0, to_10)[0] == pytest.approx(10.0, rel=0.02)  # the table is rounded to seconds
    assert part.discharged(v0, v0, to_2)[0] == pytest.approx(2.0, rel=0.02)


@pytest.mark.parametrize("siemens", [0.0, 0.002])
def test_discharge_with_absorption_is_the_solution_of_its_circuit(siemens):
    part = Reservoir(farad=8.2e-3, bleeder_ohm=6800.0, leakage_a=0.001, absorption=0.05, absorption_s=20.0)
    slow = part.absorption_siemens

    def rates(_: float, x: np.ndarray) -> list[float]:
        v, a = x
        into = (v - a) * slow
        return [(-v * part.leak_siemens(v) - into - v * siemens) / part.farad, into / (part.absorption * part.farad)]

    solved = solve_ivp(rates, (0.0, 12.0), [42.0, 30.0], rtol=1e-9, atol=1e-9, t_eval=[0.5, 3.0, 12.0])
    for t, v, a in zip(solved.t, *solved.y, strict=True):
        assert part.discharged(42.0, 30.0, float(t), siemens) == pytest.approx((v, a), rel=1e-6)


def test_shorted_out_reservoir_recovers_some_volts():
    """Dielectric absorption: charge an hour, short for some seconds, wait: up to some 4 % of the voltage returns."""
    part = Reservoir(bleeder_ohm=1e9, leakage_a=0.0)
    absorbed = part.absorbed_after(0.0, 42.0, 5.0)
    recovered = part.discharged(0.0, absorbed, 120.0)[0]
    assert 0.02 < recovered / 42.0 < 0.05
    assert replace(part, absorption=0.0).discharged(0.0, 0.0, 120.0)[0] == 0.0


def test_leakage_flows_at_rated_voltage_and_rises_steeply_above():
    part = Reservoir(leakage_a=0.1, rated_v=50.0, bleeder_ohm=1e9)
    assert 50.0 * part.leak_siemens(50.0) == pytest.approx(0.1, rel=1e-3)
    assert 25.0 * part.leak_siemens(25.0) == pytest.approx(0.05, rel=1e-3)
    assert 60.0 * part.leak_siemens(60.0) > 1.0


def charged() -> Supply:
    supply = Supply(demo_supply())
    supply.switch(True)
    supply.advance(60.0, 0.1, 0.1)
    return supply


def test_dead_amplifier_keeps_its_charge_until_the_bleeders_have_taken_it():
    """Rail fuses gone and no auxiliary: R C ln(V0 / 2 V) and a little more for what the dielectric gives back."""
    supply = charged()
    fuse = demo_supply().fuse_positive
    assert fuse is not None
    part = replace(supply.design.reservoir_positive, leakage_a=0.0)
    dead = replace(supply.design, auxiliary=None, reservoir_positive=part, fuse_positive=replace(fuse, open=True))
    supply.design = replace(dead, fuse_negative=replace(fuse, open=True))
    supply.switch(False)
    expected = part.bleeder_ohm * part.farad * math.log(supply.reservoirs()[0] / 2.0)
    supply.advance(expected, 0.0, 0.0)
    assert 2.0 < supply.reservoirs()[0] < 4.5
    supply.advance(60.0, 0.0, 0.0)
    assert supply.reservoirs()[0] < 2.0
    assert 120.0 < expected < 240.0
    assert supply.rails() == (0.0, 0.0)  # the amplifier sees nothing, the reservoirs hold it


def test_idle_current_takes_most_of_it_in_seconds_but_not_the_last_volts():
    supply = charged()
    supply.switch(False)
    supply.advance(5.0, 0.12, 0.12)
    assert 1.0 < supply.rails()[0] < 4.0
    supply.advance(235.0, 0.12, 0.12)
    assert supply.rails()[0] < 2.0


def test_charge_taken_is_the_fall_of_voltage():
    supply = charged()
    supply.design = replace(supply.design, auxiliary=None)
    before = supply.reservoirs()[0]
    supply.switch(False)
    supply.advance(0.1, 1.0, 0.0)
    assert before - supply.reservoirs()[0] == pytest.approx(0.1 * 1.0 / 8.2e-3, rel=0.02)


def test_many_short_steps_equal_one_long():
    one, many = charged(), charged()
    for supply in (one, many):
        supply.switch(False)
    one.advance(40.0, 0.0, 0.0)
    for _ in range(400):
        many.advance(0.1, 0.0, 0.0)
    assert many.reservoirs() == pytest.approx(one.reservoirs(), rel=0.02)


@pytest.mark.parametrize("changes", [{"farad": 0.0}, {"esr": -1.0}, {"bleeder_ohm": 0.0}, {"farad": math.nan}])
def test_impossible_reservoir_is_refused(changes):
    with pytest.raises(ValueError, match="Expected"):
        Reservoir(**changes)
