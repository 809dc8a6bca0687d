"""Digital sections against the analogue responses that they stand for."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from simulated_instruments.amplifier.filters import DELAY, FirstOrder, Running, fitted, high_pass, low_pass, mapped
from simulated_instruments.amplifier.gain_stage import GainStage

FREQUENCIES = np.array([20.0, 100.0, 1000.0, 5000.0, 10000.0, 20000.0])


def response(b, a, rate, frequencies=FREQUENCIES):
    return signal.freqz(b, a, frequencies, fs=rate)[1]


@pytest.mark.parametrize("rate", [44100.0, 48000.0, 96000.0, 192000.0])
@pytest.mark.parametrize("corner", [0.3, 3.0, 40.0, 150.0])
def test_slow_high_pass(rate, corner):
    section = high_pass(1.0 / (2 * np.pi * corner))
    expected = np.array([section.response(f) for f in FREQUENCIES])
    np.testing.assert_allclose(np.abs(response(*mapped(section, rate), rate)), np.abs(expected), rtol=3e-3)


@pytest.mark.parametrize("rate", [48000.0, 96000.0])
@pytest.mark.parametrize(
    "sections",
    [
        pytest.param((low_pass(72e3), low_pass(250e3)), id="closed loop"),
        pytest.param((low_pass(8e3),), id="treble fault"),
        pytest.param((GainStage().error(25.0),), id="1/(1+T)"),
        pytest.param((FirstOrder(1.0, 12e3 * 1e-10, 470 * 1e-10),), id="feedback capacitor open"),
    ],
)
def test_fast_sections_within_a_fifth_of_a_decibel(rate, sections):
    """Up to 20 kHz at 96 kHz, to 16 kHz at 48 kHz (the fit ends at 0.46 of the rate)."""
    f = FREQUENCIES[rate / 4.5 > FREQUENCIES]
    h = response(*fitted(sections, rate), rate, f) * np.exp(2j * np.pi * f / rate * DELAY)
    expected = np.prod([[s.response(x) for x in f] for s in sections], axis=0)
    np.testing.assert_allclose(20 * np.log10(np.abs(h / expected)), 0.0, atol=0.2)


def test_dc_passes_exactly():
    b, a = fitted((low_pass(72e3),), 96000.0)
    assert b.sum() / a.sum() == pytest.approx(1.0, abs=1e-9)


def test_blocks_give_what_one_call_gives():
    x = np.random.default_rng(0).standard_normal(5000)
    sections, section = (low_pass(72e3), GainStage().error(25.0)), high_pass(0.1)
    one, blocks = Running(), Running()
    whole = one.slow(one_fast := Running().fast(x, sections, 96000.0), section, 96000.0)
    fast = Running()
    parts = [blocks.slow(fast.fast(x[i : i + 700], sections, 96000.0), section, 96000.0) for i in range(0, 5000, 700)]
    np.testing.assert_allclose(np.concatenate(parts), whole, atol=1e-12)
    assert len(one_fast) == len(x)
