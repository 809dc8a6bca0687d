"""Tones away from 1 kHz, bursts, waveforms in the loopback, a volume turned down: what the guard allows of them."""

import math

import numpy as np
import pytest

from benchtest.errors import NotAllowed
from benchtest.safety.limits import DriveLimits
from tests.safety.conftest import ready_to_drive


def risen(bench, *levels):
    ready_to_drive(bench)
    for level in levels:
        bench.tone(level, ["left"], hold_s=0.3, window_s=0.1)


def test_the_first_tone_is_not_one_of_10_khz(bench, emitted):
    ready_to_drive(bench)
    with pytest.raises(NotAllowed, match="before the gain is known"):
        bench.tone(0.05, ["left"], frequency_hz=10e3)
    assert emitted.loudest() == 0.0


def test_a_tone_elsewhere_teaches_no_level(bench):
    """20 kHz seen at 0.3 V is no reason to try 1 W at 1 kHz."""
    risen(bench, 0.05, 0.05)
    bench.tone(0.3, ["left"], frequency_hz=20e3, hold_s=0.3, window_s=0.1)
    with pytest.raises(NotAllowed, match="highest that may be tried"):
        bench.tone(2.8, ["left"])


def test_a_volume_turned_down_answers_with_little_and_that_is_no_dead_channel(bench):
    """At -20 dB the first tone, made for full volume, gives a tenth of 50 mV; the second gives 50 mV."""
    ready_to_drive(bench)
    bench.hook_up(volume="-20 dB")
    assert bench.tone(0.05, ["left"]).figures["left"].level_v == pytest.approx(0.005, rel=0.5)
    assert bench.ramp_ended("left") == ""
    assert bench.tone(0.05, ["left"]).figures["left"].level_v == pytest.approx(0.05, rel=0.02)


def test_meters_are_read_while_a_tone_plays_and_dc_is_watched_still(bench):
    risen(bench, 0.05, 0.05, 0.3)
    points = (("rail_positive", 100.0), ("rail_negative", 100.0))
    capture = bench.tone(2.8, ["left"], hold_s=2.0, also_ac=points)
    assert set(capture.meters) == {"rail_positive", "rail_negative"}
    assert all(0.01 < value.value < 1.0 for value in capture.meters.values())


def test_bursts_rise_by_half_a_decibel_up_to_3_db_above_rated(bench):
    risen(bench, 0.05, 0.05, 0.3, math.sqrt(8.0))
    seen = math.sqrt(8.0)
    with pytest.raises(NotAllowed, match=r"rise by 0\.5 dB"):
        bench.bursts(seen * 1.2, ["left"])
    assert bench.highest_burst(["left"]) == pytest.approx(seen * 10 ** (0.52 / 20))
    bench.bursts(seen * 1.05, ["left"])
    assert bench.highest_burst(["left"]) == pytest.approx(seen * 1.05 * 10 ** (0.52 / 20))


def test_the_burst_limit_is_twice_the_rated_power_or_what_the_sound_card_takes():
    wide = DriveLimits((8.0, 8.0), 200.0, 60.0, 8.0, (80.0, 80.0))
    assert wide.highest_burst_v(0, 8.0) == pytest.approx(math.sqrt(2.0 * 60.0 * 8.0))
    narrow = DriveLimits((8.0, 8.0), 200.0, 60.0, 8.0, (40.0, 40.0))
    assert narrow.highest_burst_v(0, 8.0) == pytest.approx(0.9 * 40.0 / math.sqrt(2.0))
    assert DriveLimits((8.0, 8.0), 200.0, None, 8.0, (80.0, 80.0)).highest_burst_v(0, 8.0) is None


def test_no_bursts_without_a_load_or_after_a_knob(bench):
    risen(bench, 0.05, 0.05, 0.3)
    bench.hook_up(volume="-20 dB")
    with pytest.raises(NotAllowed):
        bench.bursts(0.1, ["left"])


def test_a_loopback_waveform_stays_off_the_amplifier(bench, emitted):
    shape = np.sin(np.linspace(0.0, 600.0, 20000))
    with pytest.raises(NotAllowed, match="loopback"):
        bench.loopback_waveform(shape, 0.3, ["left"], window_s=(0.05, 0.15))
    assert emitted.loudest() == 0.0
    bench.hook_up(sound_card="loopback")
    capture = bench.loopback_waveform(shape, 0.3, ["left"], window_s=(0.06, 0.14))
    assert np.std(capture.channel("left")) > 1000 * np.std(capture.channel("right"))


def test_of_a_long_first_tone_only_its_window_is_recorded(bench, emitted, monkeypatch):
    """The way round is found from a short tone, so that nobody keeps and searches twenty seconds of a calibration."""
    kept = []
    finish = emitted.bench.audio().finish

    def finished():
        recording = finish()
        kept.append(len(recording.samples) / recording.sample_rate)
        return recording

    monkeypatch.setattr(emitted.bench.audio(), "finish", finished)
    bench.hook_up(sound_card="loopback")
    capture = bench.loopback_tone(0.3, frequency_hz=1000.0, hold_s=20.0, while_playing=None)
    assert capture.figures["left"].level_v > 0.1
    assert len(kept) == 2
    assert max(kept) < 2.5
