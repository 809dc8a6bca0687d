"""The figures of a recording: names, relations between them, and laws that must hold."""

import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.analysis import analyse
from benchtest.analysis.band_limits import BAND_LIMITS, band_gain
from benchtest.analysis.distortion import decibels, of_fundamental, of_total, thd_n
from benchtest.analysis.noise import noise, weighted_rms

RATE = 96000
T = np.arange(24000) / RATE
ANGLE = 2 * np.pi * 1000.17 * T + 0.3

KEYS = ["sample_rate", "duration_s", "band_hz", "channels", "channel_balance_db"]
CHANNEL_KEYS = [
    "channel", "frequency_hz", "level_v", "dc_v", "thd_percent", "thd_db", "thd_of_total_percent", "thd_n_percent",
    "thd_n_db", "thd_n_of_total_percent", "harmonics", "noise_v", "noise_a_weighted_v", "hum", "clipped", "silent",
]  # fmt: skip


def amplifier_like(seed=0):
    rng = np.random.default_rng(seed)
    x = 2.0 * np.cos(ANGLE) + 0.02 * np.cos(2 * ANGLE + 1) + 0.004 * np.cos(3 * ANGLE - 2) + 0.05
    x += 1e-3 * np.sin(2 * np.pi * 100.02 * T) + 1e-5 * rng.standard_normal(len(T))
    return np.column_stack([x, 0.5 * x])


def test_json_has_the_contract_s_names():
    figures = json.loads(json.dumps(analyse(amplifier_like(), RATE).as_dict()))
    assert list(figures) == KEYS
    assert [list(channel) for channel in figures["channels"]] == [CHANNEL_KEYS, CHANNEL_KEYS]
    assert [channel["channel"] for channel in figures["channels"]] == ["left", "right"]
    assert list(figures["channels"][0]["harmonics"][0]) == ["order", "level_db", "level_v", "phase_deg"]
    assert list(figures["channels"][0]["hum"][0]) == ["frequency_hz", "level_v"]
    assert figures["band_hz"] == [20.0, 20000.0]
    assert figures["duration_s"] == 0.25


def test_figures_of_a_known_signal():
    result = analyse(amplifier_like(), RATE)
    left, right = result.channels
    assert left.frequency_hz == pytest.approx(1000.17, abs=1e-4)
    assert left.level_v == pytest.approx(math.sqrt(2), rel=1e-5)
    assert left.dc_v == pytest.approx(0.05, rel=1e-3)
    assert left.thd == pytest.approx(math.hypot(0.01, 0.002), rel=1e-4)
    assert left.thd_db == pytest.approx(20 * math.log10(left.thd), abs=1e-9)
    assert [h.order for h in left.harmonics] == list(range(2, 20))
    assert left.harmonics[0].level_db == pytest.approx(-40.0, abs=1e-3)
    assert left.harmonics[0].level_v == pytest.approx(0.02 / math.sqrt(2), rel=1e-4)
    assert left.harmonics[0].phase_deg == pytest.approx(math.degrees(1), abs=0.01)
    assert left.harmonics[1].phase_deg == pytest.approx(math.degrees(-2), abs=0.1)
    # Above the third harmonic there is noise only; the seldom one that passes the limit of 3 sigma is as small as it.
    assert sum(h.level_v is None for h in left.harmonics[2:]) >= 14
    assert left.hum[1].frequency_hz == pytest.approx(100.02, abs=0.01)
    assert left.hum[1].level_v == pytest.approx(1e-3 / math.sqrt(2), rel=1e-2)
    assert left.noise_v == pytest.approx(1e-5 * math.sqrt(19980 / 48000), rel=0.1)
    residual = math.hypot(0.02, 0.004, 1e-3) / math.sqrt(2)
    assert left.thd_n == pytest.approx(math.hypot(residual, left.noise_v) / left.level_v, rel=1e-4)
    assert result.channel_balance_db == pytest.approx(20 * math.log10(0.5), abs=1e-6)
    assert right.thd_percent == pytest.approx(left.thd_percent, rel=1e-9)


def test_relations_to_the_total():
    left = analyse(amplifier_like(), RATE).channels[0]
    assert left.thd_n_of_total_percent / 100 == pytest.approx(of_total(left.thd_n), rel=1e-12)
    total = math.hypot(1.0, left.thd_n)
    assert left.thd_of_total_percent / 100 == pytest.approx(left.thd / total, rel=1e-12)
    x = np.cos(ANGLE) + 0.5 * np.cos(2 * ANGLE)
    half = analyse(x, RATE).channels[0]
    assert half.thd_percent == pytest.approx(50.0, rel=1e-9)
    assert half.thd_of_total_percent == pytest.approx(44.7213595, rel=1e-8)


# IEC 60268-3 arithmetic (the definition from memory): distortion re total d_tot = d_f / sqrt(1 + d_f^2).
@pytest.mark.parametrize(("of_f", "of_t"), [(0.01, 0.0099995), (0.10, 0.099504), (0.5, 0.447214)])
def test_published_arithmetic_of_the_two_references(of_f, of_t):
    assert of_total(of_f) == pytest.approx(of_t, rel=5e-6)
    assert of_fundamental(of_total(of_f)) == pytest.approx(of_f, rel=1e-12)


@settings(max_examples=12, deadline=None)
@given(st.floats(1e-6, 1e6), st.booleans())
def test_gain_and_polarity_leave_ratios_alone(gain, inverted):
    x = amplifier_like()
    one = analyse(x, RATE).channels[0]
    other = analyse(x * (-gain if inverted else gain), RATE).channels[0]
    assert other.level_v == pytest.approx(gain * one.level_v, rel=1e-9)
    assert other.thd_percent == pytest.approx(one.thd_percent, rel=1e-6)
    assert other.thd_n_percent == pytest.approx(one.thd_n_percent, rel=1e-6)
    assert other.noise_v == pytest.approx(gain * one.noise_v, rel=1e-6)


def test_swapping_channels_swaps_the_sign_of_the_balance():
    x = amplifier_like()
    assert analyse(x[:, ::-1], RATE).channel_balance_db == pytest.approx(-analyse(x, RATE).channel_balance_db, abs=1e-9)


def test_power_goes_with_voltage_squared():
    x = amplifier_like()
    louder = analyse(2 * x, RATE).channels[0].level_v ** 2 / 8
    assert louder == pytest.approx(4 * analyse(x, RATE).channels[0].level_v ** 2 / 8, rel=1e-9)


def test_the_stated_fundamental_chooses_the_line():
    x = np.cos(ANGLE) + 0.3 * np.cos(2 * np.pi * 3333.3 * T)
    assert analyse(x, RATE).channels[0].frequency_hz == pytest.approx(1000.17, abs=1e-3)
    chosen = analyse(x, RATE, fundamental_hz=3300.0).channels[0]
    assert chosen.frequency_hz == pytest.approx(3333.3, abs=1e-3)
    assert chosen.level_v == pytest.approx(0.3 / math.sqrt(2), rel=1e-3)


def test_the_band_is_brick_wall():
    x = np.cos(ANGLE) + 0.1 * np.cos(2 * ANGLE) + 0.01 * np.cos(5 * ANGLE)
    wide = analyse(x, RATE).channels[0]
    narrow = analyse(x, RATE, band_hz=(20.0, 4000.0)).channels[0]
    assert len(narrow.harmonics) == 2
    assert wide.thd == pytest.approx(math.hypot(0.1, 0.01), rel=1e-9)
    assert narrow.thd == pytest.approx(0.1, rel=1e-9)
    assert narrow.thd_n == pytest.approx(0.1, rel=1e-6)


def test_three_channels_have_names():
    x = np.column_stack([np.cos(ANGLE)] * 3)
    result = analyse(x, RATE)
    assert [channel.channel for channel in result.channels] == ["left", "right", "channel_3"]
    assert result.channel_balance_db is None


@pytest.mark.parametrize("mains", [49.6, 50.0, 50.4, 59.5, 60.0, 60.5])
def test_mains_frequency_is_taken_from_the_data(mains):
    x = np.cos(ANGLE) + 1e-3 * np.sin(2 * np.pi * mains * T) + 5e-4 * np.sin(6 * np.pi * mains * T)
    x += 1e-5 * np.random.default_rng(1).standard_normal(len(T))
    lines = analyse(x, RATE, fundamental_hz=1000.0).channels[0].hum
    assert lines[0].frequency_hz == pytest.approx(mains, abs=0.02)
    assert lines[0].level_v == pytest.approx(1e-3 / math.sqrt(2), rel=0.01)
    assert lines[2].level_v == pytest.approx(5e-4 / math.sqrt(2), rel=0.01)
    assert len(lines) == 10


@pytest.mark.parametrize("name", BAND_LIMITS)
def test_thd_n_through_named_bands(name):
    """Two harmonics through the filter, by its gain at each; the filters' own shapes are stated in their table."""
    angle = 2 * np.pi * 6700.3 * T
    x = np.cos(angle) + 0.01 * np.cos(3 * angle) + 0.02 * np.cos(5 * angle)
    expected = math.hypot(0.01 * band_gain(name, 3 * 6700.3), 0.02 * band_gain(name, 5 * 6700.3))
    assert thd_n(x, RATE, band=name) == pytest.approx(expected, rel=1e-6)


def test_low_passes_are_3_db_down_at_their_names():
    for name in ("22 kHz", "40 kHz", "80 kHz"):
        corner = float(name.split()[0]) * 1000
        assert 20 * math.log10(band_gain(name, corner)) == pytest.approx(-3.01, abs=0.01)
        assert 20 * math.log10(band_gain(name, 2 * corner)) == pytest.approx(-18.1, abs=0.2)  # 18 dB an octave
    assert 20 * math.log10(band_gain("20 kHz", 20000.0)) == pytest.approx(0.0, abs=0.1)
    assert 20 * math.log10(band_gain("20 kHz", 24000.0)) <= -60.0
    assert band_gain("22.4 Hz to 22.4 kHz", 22.4) == pytest.approx(math.sqrt(0.5), rel=1e-3)
    with pytest.raises(ValueError, match="Expected one of: 20 kHz"):
        band_gain("30 kHz", 1000.0)


def test_noise_of_a_record_without_a_tone():
    rng = np.random.default_rng(4)
    x = 1e-4 * rng.standard_normal(RATE) + 0.003 + 1e-3 * np.sin(2 * np.pi * 100 * np.arange(RATE) / RATE)
    found = noise(x, RATE)
    in_band = 1e-4 * math.sqrt(19980 / 48000)
    assert found.noise_v == pytest.approx(in_band, rel=0.03)
    assert found.hum_v == pytest.approx(1e-3 / math.sqrt(2), rel=0.01)
    assert found.total_v == pytest.approx(math.hypot(in_band, 1e-3 / math.sqrt(2)), rel=0.01)
    assert found.dc_v == pytest.approx(0.003, rel=0.01)
    assert found.mains_hz == pytest.approx(50.0, abs=0.02)
    assert weighted_rms(x, RATE) == pytest.approx(found.total_v, rel=0.01)


def test_signal_to_noise_arithmetic():
    """100 uV at the output re 1 W into 8 ohm is 89.03 dB (arithmetic of the reference of IHF-A-202, 2.828 V)."""
    rng = np.random.default_rng(4)
    x = rng.standard_normal(RATE)
    x *= 100e-6 / weighted_rms(x, RATE)
    assert decibels(math.sqrt(8.0) / weighted_rms(x, RATE)) == pytest.approx(89.03, abs=0.005)


@pytest.mark.parametrize("weighting", ["B", "a", ""])
def test_an_unknown_weighting_is_refused(weighting):
    with pytest.raises(ValueError, match="Expected one of: none, A, C, 468"):
        weighted_rms(np.zeros(100), RATE, weighting=weighting)


def test_without_hum_every_total_is_the_same():
    rng = np.random.default_rng(7)
    t = np.arange(19200) / 96000
    x = np.sin(2 * np.pi * 1000.02 * t) + 3e-4 * np.sin(2 * np.pi * 2000.04 * t) + 1e-5 * rng.standard_normal(len(t))
    x += sum(level * np.sin(2 * np.pi * 50.01 * k * t + k) for k, level in ((1, 2e-4), (2, 4e-4), (3, 1e-4)))
    full = analyse(x, 96000, fundamental_hz=1000.0).channels[0]
    short = analyse(x, 96000, fundamental_hz=1000.0, hum=False).channels[0]
    assert full.hum
    assert not short.hum
    assert short.level_v == pytest.approx(full.level_v, rel=1e-6)
    assert short.thd_percent == pytest.approx(full.thd_percent, rel=1e-3)
    assert short.thd_n_percent == pytest.approx(full.thd_n_percent, rel=2e-3)
    assert short.noise_v**2 == pytest.approx(full.noise_v**2 + full.hum_v**2, rel=0.02)
