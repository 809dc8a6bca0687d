"""When a tone arrives, and whether it runs through without a lost, doubled or silenced frame."""

import numpy as np
import pytest

from benchtest.analysis import latency, onset, steady
from benchtest.signals import log_sweep, sine

RATE = 96000


def captured(tone, delay, noise=0.0, gain=0.1, after=20000, seed=0):
    x = np.concatenate([np.zeros(delay), gain * tone, np.zeros(after)])
    return x + noise * np.random.default_rng(seed).standard_normal(len(x))


@pytest.mark.parametrize("noise", [0.0, 1e-3, 5e-3])
@pytest.mark.parametrize("frequency", [50.0, 440.0, 997.0, 5000.0, 20000.0])
@pytest.mark.parametrize("delay", [0, 1234, 19300])
def test_onset_is_found_within_half_a_millisecond(frequency, delay, noise):
    tone = sine(frequency, 0.5, 0.3, RATE)
    found = onset(captured(tone, delay + 200, noise), RATE, frequency * (1 + 200e-6))
    assert abs(found.first - (delay + 200)) <= 0.0006 * RATE
    assert abs(found.stop - (delay + 200 + len(tone))) <= 0.0006 * RATE


def test_a_low_tone_is_found_within_a_tenth_of_a_cycle():
    tone = sine(20.0, 0.5, 0.4, RATE)
    found = onset(captured(tone, 5000), RATE, 20.0)
    assert abs(found.first - 5000) < 0.1 / 20 * RATE


@pytest.mark.parametrize("seed", range(5))
def test_no_tone_no_onset(seed):
    noise = np.random.default_rng(seed).standard_normal(30000)
    assert onset(noise, RATE, 1000.0) is None
    assert onset(np.zeros(30000), RATE, 1000.0) is None
    hum = np.sin(2 * np.pi * 50 * np.arange(30000) / RATE)
    assert onset(hum + 1e-3 * noise, RATE, 1000.0) is None
    assert latency(sine(1000.0, 0.5, 0.2, RATE), noise, RATE) is None
    assert latency(log_sweep(20.0, 20000.0, 0.5, 0.2, RATE).samples, noise, RATE) is None


def test_a_tone_that_fills_the_record_touches_its_ends():
    x = np.sin(2 * np.pi * 1000 * np.arange(9600) / RATE)
    found = onset(x, RATE, 1000.0)
    assert (found.first, found.stop) == (0, 9600)


@pytest.mark.parametrize("noise", [0.0, 1e-2, 3e-1])
def test_latency_of_a_sweep(noise):
    sweep = log_sweep(20.0, 20000.0, 0.5, 0.5, RATE).samples
    found = latency(sweep, captured(sweep, 1234, noise), RATE)
    assert found.frames == pytest.approx(1234, abs=0.5)
    assert found.gain == pytest.approx(0.1, rel=0.05)


def test_latency_of_a_tone_and_its_polarity():
    tone = sine(1000.0, 0.5, 0.3, RATE)
    found = latency(tone, captured(tone, 4321, 1e-3), RATE)
    assert found.frames == pytest.approx(4321, abs=1.0)
    assert found.gain == pytest.approx(0.1, rel=0.01)
    noise = np.random.default_rng(1).standard_normal(4800)
    assert latency(noise, captured(noise, 500, gain=-2.0), RATE).gain == pytest.approx(-2.0, rel=1e-6)


@pytest.mark.parametrize("early", [1, 300])
def test_a_recording_that_began_late_has_a_negative_latency(early):
    sweep = log_sweep(20.0, 20000.0, 0.5, 0.5, RATE).samples
    assert latency(sweep, sweep[early:], RATE).frames == pytest.approx(-early, abs=0.5)


def test_silence_has_no_latency():
    assert latency(np.zeros(100), np.ones(100), RATE) is None
    assert latency(np.arange(100.0), np.full(100, 0.1), RATE) is None


TONES = [100.0, 997.0, 5000.0, 19999.0]


@pytest.mark.parametrize("frequency", TONES)
@pytest.mark.parametrize("noise", [0.0, 1e-4, 1e-2])
def test_a_tone_that_runs_through_is_steady(frequency, noise):
    t = np.arange(24000) / RATE
    x = np.sin(2 * np.pi * frequency * (1 + 150e-6) * t) + noise * np.random.default_rng(3).standard_normal(24000)
    x += 0.05 * np.sin(4 * np.pi * frequency * t) + 0.01 * np.sin(2 * np.pi * 50 * t) + 0.2
    found = steady(x, RATE, frequency)
    assert found.steady, found
    assert found.at_frame is None


@pytest.mark.parametrize("frequency", TONES)
@pytest.mark.parametrize("frames", [16, 64, 480, 4800])
@pytest.mark.parametrize("place", [3000, 11111, 18000])
def test_lost_doubled_and_silenced_frames_show(frequency, frames, place):
    x = np.sin(2 * np.pi * frequency * np.arange(24000) / RATE) + 1e-4 * np.random.default_rng(3).standard_normal(24000)
    lost = np.delete(x, slice(place, place + frames))
    doubled = np.insert(x, place, x[place : place + frames])
    silenced = x.copy()
    silenced[place : place + frames] = 0.0
    turn = frequency / RATE * frames % 1.0
    if 0.02 < turn < 0.98:  # a whole number of cycles that is cut out leaves no trace but the length
        assert not steady(lost, RATE, frequency).steady
        assert not steady(doubled, RATE, frequency).steady
    found = steady(silenced, RATE, frequency)
    assert not found.steady
    assert abs(found.at_frame - place) <= max(frames, 2 * RATE / frequency)
    assert found.reason == "frames are exactly zero inside the tone"


def test_a_level_that_moves_is_not_steady():
    t = np.arange(24000) / RATE
    found = steady(np.sin(2 * np.pi * 1000 * t) * (1 + 0.2 * (t > 0.125)), RATE, 1000.0)
    assert not found.steady
    assert "amplitude" in found.reason


def test_silence_and_another_tone_are_not_steady():
    t = np.arange(24000) / RATE
    for x in (np.zeros(24000), np.sin(2 * np.pi * 3000 * t), np.random.default_rng(0).standard_normal(24000)):
        assert not steady(x, RATE, 1000.0).steady


def test_ten_cycles_are_needed():
    with pytest.raises(ValueError, match="Expected ten or more"):
        steady(np.zeros(960), RATE, 100.0)
