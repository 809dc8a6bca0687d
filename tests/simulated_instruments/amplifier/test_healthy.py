"""Healthy amplifiers, as their tolerances scatter, pass what a serviceable set has to (defaults at the bench: common
practice, no source) with room to spare. Measured at the model's terminals; the procedure measures them again."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulated_instruments.amplifier import SILENCE, Amplifier, demo_amplifier, with_tolerances
from tests.simulated_instruments.amplifier.playing import RATE, band_rms, db, line, settled, thd, tone

SEEDS = [0, 1, 2, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(3, 100))]


@pytest.mark.parametrize("seed", SEEDS)
def test_passes_the_defaults(seed):
    design = with_tolerances(demo_amplifier(), np.random.default_rng(seed))
    amplifier = Amplifier(design, rng=np.random.default_rng(seed))
    amplifier.connect_load(1000.0, 1000.0)
    amplifier.connect_inputs("shorted")
    amplifier.set_volume(-math.inf)
    amplifier.switch_mains(True)
    amplifier.advance(15.0)
    assert 3.0 < design.relay.delay_s < 6.0
    assert 0.05 < design.relay.release_s < 0.2
    first = [amplifier.probe(f"{c}_output").dc for c in ("left", "right")]
    assert all(0.2e-3 < abs(v) < 0.05 for v in first), "a zero would be an open circuit"
    amplifier.set_volume(0.0)
    amplifier.advance(600.0)
    late = [amplifier.probe(f"{c}_output").dc for c in ("left", "right")]
    assert all(abs(v) < 0.05 for v in late)
    assert all(abs(a - b) < 0.03 for a, b in zip(first, late, strict=True))
    emitters = [amplifier.probe(f"{c}_emitter_resistor_1").dc for c in ("left", "right")]
    assert all(4e-3 < v < 33e-3 for v in emitters), "20 to 100 mA a pair, 0.33 ohm"
    assert 0.8 < emitters[0] / emitters[1] < 1.25
    amplifier.connect_load(8.0, 8.0)
    amplifier.advance(2.0)
    quiet = amplifier.render(np.zeros((96000, 2)), RATE)
    for c in (0, 1):
        assert band_rms(quiet[:, c]) < 0.2e-3
        assert all(abs(line(quiet[:, c], f)) < 100e-6 for f in (50.0, 100.0, 150.0, 200.0))
    amplifier.connect_inputs("source", 100.0, (40e-6, 40e-6))
    y = settled(amplifier.render(tone(1000.0, 2.83 / 37.6, 0.0), RATE), 1000.0)
    assert db(abs(line(y[:, 1], 1000.0)) / abs(line(y[:, 0], 1000.0))) < -60.0
    gains = [
        abs(line(settled(amplifier.render(tone(1000.0, 2.83 / 37.6), RATE), 1000.0)[:, c], 1000.0)) for c in (0, 1)
    ]
    assert abs(db(gains[0] / gains[1])) < 0.5
    assert all(db(g / (2.83 / 37.6)) == pytest.approx(31.5, abs=0.4) for g in gains)
    for volts, most in ((2.83, 5e-4), (15.5, 5e-4), (21.91, 5e-3)):
        y = settled(amplifier.render(tone(1000.0, volts / 37.6), RATE), 1000.0)
        assert all(thd(y[:, c], 1000.0) < most for c in (0, 1))
    for c in (0, 1):
        z = amplifier.path(c).series_ohm + amplifier.output_ohm(c, 1000.0)
        assert 75 < 8.0 / z < 170
    amplifier.connect_inputs("shorted")
    amplifier.advance(5.0)
    amplifier.switch_mains(False)
    thump = amplifier.render(np.zeros((48000, 2)), RATE)
    assert np.abs(thump).max() < 0.2
    amplifier.advance(600.0)
    assert all(abs(v) < 2.0 for v in amplifier.supply.reservoirs())
    assert amplifier.smoke == []
    assert amplifier.probe("left_output", SILENCE).dc == 0.0
