"""Ripple and conduction of the rectifier against handbook relations and figures computed elsewhere."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulated_instruments.amplifier.rectifier import Diode, Rectifier
from simulated_instruments.amplifier.supply import Supply, SupplyDesign
from simulated_instruments.amplifier.supply_circuit import SupplyCircuit


def on(design: SupplyDesign, i_positive: float, i_negative: float, seconds: float = 2.0) -> Supply:
    supply = Supply(design)
    supply.switch(True)
    supply.advance(seconds, i_positive, i_negative)
    return supply


def with_source(design: SupplyDesign, ohm: float) -> SupplyDesign:
    return replace(design, transformer=replace(design.transformer, secondary_ohm=ohm))


# Full wave, 50 V peak, 2 A, 10 mF, 50 Hz, ideal diodes: solved by an independent numerical integration of the circuit;
# figures as published with two or three digits in our reference tables: ripple in V, conduction in degrees of the half
# cycle, diode peak and rms over the direct current.
FIGURES = [
    pytest.param(0.3, 1.53, 44.0, 6.0, 2.2, id="0.3-ohm"),
    pytest.param(0.05, 1.73, 25.0, 11.0, 2.9, id="0.05-ohm"),
]


@pytest.mark.parametrize(("ohm", "ripple", "degrees", "peak", "rms"), FIGURES)
def test_ripple_and_conduction_of_the_textbook_circuit(bare, ohm, ripple, degrees, peak, rms):
    design = with_source(bare, ohm)
    supply = on(design, 2.0, 2.0)
    assert supply.ripple(2.0, 2.0) == pytest.approx((ripple, ripple), rel=0.02)
    # the same from the diodes' current, on finer nodes over one cycle
    circuit, state = SupplyCircuit(design, None), supply.state
    nodes = 1000
    charge = 2.0 * 0.02 / nodes * np.arange(nodes + 1)
    current = circuit.solve(state, circuit.drive(state, 0.02 / nodes, charge, charge)).i1[1:]
    assert np.count_nonzero(current) / nodes * 180.0 == pytest.approx(degrees, abs=1.0)
    assert current.max() / 2.0 == pytest.approx(peak, rel=0.06)  # the figures have one or two digits
    assert np.sqrt(np.mean(current**2)) / 2.0 == pytest.approx(rms, rel=0.03)
    assert current.mean() == pytest.approx(2.0, rel=0.005)  # what flows in flows out


def test_ripple_stays_below_the_rule_of_thumb(bare):
    """dV = I / (2 f C) takes the discharge as lasting the whole half period: an upper bound, reached at no load."""
    rule = 2.0 / (2.0 * 50.0 * 10e-3)
    assert on(with_source(bare, 0.3), 2.0, 2.0).ripple(2.0, 2.0)[0] < 0.8 * rule
    light = on(with_source(bare, 0.01), 0.02, 0.02).ripple(0.02, 0.02)[0]
    assert 0.85 * rule / 100.0 < light < rule / 100.0


def test_one_diode_open_gives_mains_frequency_ripple_twice_as_high(bare):
    """Half wave: dV = I / (f C), twice the full-wave rule, at mains frequency; the other rail keeps twice that."""
    design = with_source(bare, 0.05)
    one = replace(design, rectifier=Rectifier(a_positive=Diode(0.0, 0.0, open=True), b_positive=Diode(0.0, 0.0)))
    full, half = on(design, 1.0, 1.0), on(one, 1.0, 1.0)
    assert half.ripple(1.0, 1.0)[0] / full.ripple(1.0, 1.0)[0] == pytest.approx(2.1, abs=0.15)
    assert half.rails()[0] < full.rails()[0]
    wave = half.waveform(np.ones((2000, 2)), 10_000.0)  # 0.2 s: bin 10 is 50 Hz
    lines = np.abs(np.fft.rfft(wave - wave.mean(axis=0), axis=0))
    assert lines[:, 0].argmax() == 10
    assert lines[:, 1].argmax() == 20
    healthy = np.abs(np.fft.rfft(full.waveform(np.ones((2000, 2)), 10_000.0)[:, 0]))
    assert healthy[10] < 1e-3 * healthy[20]


def test_both_diodes_of_a_rail_open_leave_it_dead(plain):
    gone = replace(plain.rectifier, a_negative=Diode(open=True), b_negative=Diode(open=True))
    supply = on(replace(plain, rectifier=gone), 0.1, 0.1)
    assert supply.rails()[0] > 40.0
    assert supply.rails()[1] == 0.0


def test_ripple_goes_with_current_and_capacitance(plain):
    half = replace(plain.reservoir_positive, farad=plain.reservoir_positive.farad / 2.0, esr=0.0)
    design = replace(plain, reservoir_positive=half, reservoir_negative=replace(plain.reservoir_negative, esr=0.0))
    positive, negative = on(design, 1.0, 1.0).ripple(1.0, 1.0)
    assert positive / negative == pytest.approx(2.0, rel=0.05)
    assert on(plain, 2.0, 2.0).ripple(2.0, 2.0)[0] / on(plain, 1.0, 1.0).ripple(1.0, 1.0)[0] == pytest.approx(
        1.85, abs=0.15
    )  # conduction lasts longer under load


def test_esr_adds_the_step_of_the_diodes_current(plain):
    """While the diodes charge it, the terminal stands above the capacitor by ESR times that current."""
    bad = replace(plain.reservoir_positive, esr=0.3)
    positive, negative = on(replace(plain, reservoir_positive=bad), 1.5, 1.5).ripple(1.5, 1.5)
    assert positive > 1.5 * negative


def test_a_diode_with_more_drop_lowers_the_rail_by_it(plain):
    drop = Diode(forward_v=plain.rectifier.a_positive.forward_v + 1.0)
    poor = replace(plain.rectifier, a_positive=drop, b_positive=drop)
    assert on(plain, 0.1, 0.1).rails()[0] - on(replace(plain, rectifier=poor), 0.1, 0.1).rails()[0] == pytest.approx(
        1.0, abs=0.05
    )


def test_single_rail_passes_two_diodes_and_has_no_negative(plain):
    single = on(replace(plain, single_rail=True), 1.0, 5.0)
    assert single.rails()[1] == 0.0
    assert 0.5 < on(plain, 1.0, 0.0).rails()[0] - single.rails()[0] < 1.0  # one more diode
    assert single.ripple(1.0, 0.0)[1] == 0.0
