"""Thumps and edges against closed forms."""

import numpy as np
import pytest

from benchtest.analysis.transients import edges, transient

RATE = 48000


@pytest.mark.parametrize("polarity", [1.0, -1.0])
@pytest.mark.parametrize("noise", [0.0, 1e-3])
@pytest.mark.parametrize("level", [0.0, 0.02])
def test_decaying_thump(polarity, noise, level):
    """V exp(-t / tau): above a tenth of the peak for tau ln 10, energy in that time V^2 tau / 2 (1 - 1 / 100)."""
    peak, tau = 2.0, 0.05
    t = np.arange(RATE) / RATE
    x = np.where(t < 0.3, 0.0, polarity * peak * np.exp(-(t - 0.3) / tau)) + level
    x += noise * np.random.default_rng(0).standard_normal(RATE)
    found = transient(x, RATE)
    assert found.peak == pytest.approx(polarity * peak, abs=5 * noise + 1e-12)
    assert found.start_s == pytest.approx(0.3, abs=1e-3)
    assert found.duration_s == pytest.approx(tau * np.log(10), rel=0.02)
    assert found.energy == pytest.approx(peak**2 * tau / 2 * 0.99, rel=0.01)
    assert found.settled


@pytest.mark.parametrize("seed", range(5))
def test_noise_is_no_thump(seed):
    assert transient(np.random.default_rng(seed).standard_normal(RATE), RATE) is None


def test_silence_and_dc_are_no_thump():
    assert transient(np.zeros(1000), RATE) is None
    assert transient(np.full(1000, 0.3), RATE) is None


def test_a_thump_that_the_record_cuts_is_not_settled():
    x = np.concatenate([np.zeros(1000), np.ones(500)])
    assert not transient(x, RATE).settled


@pytest.mark.parametrize("tau_samples", [10.0, 40.0])
def test_rise_time_of_one_pole(tau_samples):
    """10 to 90 % of an exponential takes tau ln 9 (textbook); it does not overshoot."""
    n = np.arange(9600)
    half = 1200
    x = np.empty(9600)
    state = 0.0
    for i in n:
        target = 1.0 if (i // half) % 2 else -1.0
        state += (target - state) * (1 - np.exp(-1 / tau_samples))
        x[i] = state
    found = edges(x[half:], RATE)
    assert found.rise_s * RATE == pytest.approx(tau_samples * np.log(9), rel=0.01)
    assert found.fall_s * RATE == pytest.approx(tau_samples * np.log(9), rel=0.01)
    assert found.overshoot < 1e-3
    assert found.slew == pytest.approx(2 * (1 - np.exp(-1 / tau_samples)) * RATE, rel=0.02)


@pytest.mark.parametrize("damping", [0.3, 0.5, 0.7])
def test_overshoot_of_two_poles(damping):
    """exp(-pi z / sqrt(1 - z^2)) (textbook)."""
    t = np.arange(2000) / 40.0
    wd = np.sqrt(1 - damping**2)
    step = 1 - np.exp(-damping * t) * (np.cos(wd * t) + damping / wd * np.sin(wd * t))
    x = np.concatenate([-np.ones(100), 2 * step - 1, 1 - 2 * step, 2 * step - 1])
    assert edges(x, RATE).overshoot == pytest.approx(np.exp(-np.pi * damping / wd), rel=0.01)


def test_a_constant_has_no_edges():
    with pytest.raises(ValueError, match="the record is constant"):
        edges(np.ones(100), RATE)


def test_one_edge_only():
    found = edges(np.concatenate([np.zeros(50), np.ones(50)]), 1000.0)
    assert found.rise_s == pytest.approx(0.0008)
    assert found.fall_s is None
