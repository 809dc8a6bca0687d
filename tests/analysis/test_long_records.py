"""Recordings in blocks give the figures of the whole, and hold on to none of it."""

import numpy as np
import pytest

from benchtest.analysis import analyse
from benchtest.analysis.long_records import analyse_blocks

RATE = 48000


def recording(seconds=7.3, seed=0):
    t = np.arange(round(seconds * RATE)) / RATE
    angle = 2 * np.pi * 997.01 * t
    x = np.cos(angle) + 1e-2 * np.cos(2 * angle + 1) + 1e-3 * np.sin(2 * np.pi * 50.01 * t)
    x += 1e-4 * np.random.default_rng(seed).standard_normal(len(t)) + 0.01
    return np.column_stack([x, 0.5 * x])


def blocks(x, length):
    for start in range(0, len(x), length):
        yield x[start : start + length]


@pytest.mark.parametrize("length", [1, 4097, 100_000, 10**6])
def test_blocks_of_any_length(length):
    x = recording(0.3 if length == 1 else 7.3)
    whole, parts = analyse(x, RATE), analyse_blocks(blocks(x, length), RATE)
    assert parts.duration_s == whole.duration_s
    assert parts.channel_balance_db == pytest.approx(whole.channel_balance_db, abs=1e-6)
    for one, other in zip(whole.channels, parts.channels, strict=True):
        assert other.frequency_hz == pytest.approx(one.frequency_hz, rel=1e-8)
        assert other.level_v == pytest.approx(one.level_v, rel=1e-6)
        assert other.dc_v == pytest.approx(one.dc_v, rel=1e-3)
        assert other.thd_percent == pytest.approx(one.thd_percent, rel=1e-3)
        assert other.thd_n_percent == pytest.approx(one.thd_n_percent, rel=2e-3)
        assert other.noise_v == pytest.approx(one.noise_v, rel=0.02)
        assert other.noise_a_weighted_v == pytest.approx(one.noise_a_weighted_v, rel=0.03)
        assert other.harmonics[0].level_db == pytest.approx(one.harmonics[0].level_db, abs=1e-3)
        assert other.harmonics[0].phase_deg == pytest.approx(one.harmonics[0].phase_deg, abs=0.1)
        assert other.hum[0].level_v == pytest.approx(one.hum[0].level_v, rel=1e-2)
        assert (other.clipped, other.silent) == (one.clipped, one.silent)


def test_a_silent_recording_stays_silent():
    parts = analyse_blocks(blocks(np.zeros((RATE * 6, 2)), 10000), RATE)
    assert all(channel.silent and channel.level_v is None for channel in parts.channels)
    assert parts.channel_balance_db is None


def test_blocks_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="there is nothing"):
        analyse_blocks(iter(()), RATE)
    with pytest.raises(ValueError, match="as many channels in every block"):
        analyse_blocks([np.zeros((10, 2)), np.zeros((10, 1))], RATE)
    with pytest.raises(ValueError, match="not a finite number"):
        analyse_blocks([np.full((RATE, 1), np.nan)], RATE)
