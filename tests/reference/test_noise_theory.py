"""Noise figures against theory: ideal quantiser, dither, white noise in a band."""

import math

import numpy as np
import pytest

from benchtest.analysis import analyse, sine_fit

RATE = 96000


def tone(peak, frequency=997.1, seconds=1.0, rate=RATE):
    return peak * np.sin(2 * np.pi * frequency * np.arange(round(seconds * rate)) / rate)


def triangular(rng, n, step):
    return (rng.uniform(-0.5, 0.5, n) + rng.uniform(-0.5, 0.5, n)) * step


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_ideal_quantiser(bits):
    """SINAD of a full-scale sine is 6.0206 bits + 1.7609 dB (two secondary sources; simulations within 0.07 dB of it)."""
    step = 2.0 ** (1 - bits)
    fit = sine_fit(np.round(tone(1.0 - step) / step) * step, RATE)
    assert 20 * math.log10(fit.sinad) == pytest.approx(6.0206 * bits + 1.7609, abs=0.1)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("rate", [48000, 96000, 192000])
@pytest.mark.parametrize("band", [(20.0, 20000.0), (400.0, 5000.0)])
def test_dithered_converter(bits, rate, band):
    """TPDF dither of two steps peak to peak makes the error white with step^2 / 4 (AES17 arithmetic: 4.77 dB above plain
    rounding); the share of the band follows. 1 s: within 0.2 dB of theory, or 3.5 standard deviations of a noise power under
    Hann weights, sqrt(1.94 / (bandwidth * time)), where a narrow band makes those more."""
    rng = np.random.default_rng(bits + rate)
    step = 2.0 ** (1 - bits)
    x = tone(0.9, rate=rate)
    x = np.round((x + triangular(rng, len(x), step)) / step) * step
    share = (band[1] - band[0]) / (rate / 2)
    theory = 10 * math.log10(step**2 / 4 * share / (0.9**2 / 2))
    channel = analyse(x, rate, band_hz=band).channels[0]
    spread = 10 / math.log(10) * math.sqrt(1.94 / (band[1] - band[0]))
    assert channel.thd_n_db == pytest.approx(theory, abs=max(0.2, 3.5 * spread))
    assert not channel.clipped
    assert channel.hum == ()


@pytest.mark.parametrize("seconds", [0.05, 0.2, 1.0])
@pytest.mark.parametrize("frequency", [997.1, 100.0, 5000.0])
def test_thd_n_in_white_noise_does_not_depend_on_how_many_harmonics_are_fitted(seconds, frequency):
    """Fitted lines take noise with them; the sum puts it back. Mean of 40 records, within what 40 records can tell."""
    rng = np.random.default_rng(7)
    powers, noises = [], []
    for _ in range(40):
        x = tone(1.0, frequency, seconds)
        channel = analyse(x + 1e-3 * rng.standard_normal(len(x)), RATE).channels[0]
        powers.append((channel.thd_n * channel.level_v) ** 2)
        noises.append(channel.noise_v**2)
    theory = 1e-6 * (20000 - 20) / (RATE / 2)
    # Relative standard deviation of one power: sqrt(1.94 / (bandwidth * time)) under Hann weights; three of the mean's.
    tolerance = 3 * math.sqrt(1.94 / (19980 * seconds)) / math.sqrt(40) + 0.005
    assert np.mean(powers) == pytest.approx(theory, rel=tolerance)
    assert np.mean(noises) == pytest.approx(theory, rel=tolerance)


@pytest.mark.parametrize("frequency", [20.3, 997.0, 997.01, 1000.0, 12345.6, 19999.9])
@pytest.mark.parametrize("rate", [44100, 96000, 192000])
@pytest.mark.parametrize("seconds", [0.25, 1.0])
def test_a_pure_sine_has_no_distortion(frequency, rate, seconds):
    """64-bit sine up to 1 s long: THD+N below -200 dB."""
    channel = analyse(tone(1.0, frequency, seconds, rate), rate).channels[0]
    assert channel.thd_n_db < -200.0
    assert channel.thd_db is None or channel.thd_db < -200.0
    assert channel.frequency_hz == pytest.approx(frequency, rel=1e-12)
    assert channel.level_v == pytest.approx(math.sqrt(0.5), rel=1e-12)


def test_hum_beside_a_tone_does_not_reach_the_harmonics():
    rng = np.random.default_rng(3)
    t = np.arange(24000) / RATE  # 0.25 s
    x = tone(1.0, 1000.13, 0.25) + 1e-7 * rng.standard_normal(len(t))
    hum = 1e-2 * np.sin(2 * np.pi * 49.97 * t) + 3e-3 * np.sin(2 * np.pi * 149.91 * t + 1)
    channel = analyse(x + 1e-6 * np.cos(2 * np.pi * 2000.26 * t) + hum, RATE, fundamental_hz=1000.0).channels[0]
    assert channel.harmonics[0].level_db == pytest.approx(-120.0, abs=0.1)
    lines = {round(line.frequency_hz / 50): line.level_v for line in channel.hum}
    assert lines[1] == pytest.approx(1e-2 / math.sqrt(2), rel=1e-3)
    assert lines[3] == pytest.approx(3e-3 / math.sqrt(2), rel=1e-3)
    assert channel.thd_n * channel.level_v == pytest.approx(math.hypot(1e-2, 3e-3) / math.sqrt(2), rel=1e-3)
    # Noise 1e-7 in 20 kHz of 48 kHz, with no trace of hum at 100 000 times the size.
    assert channel.noise_v == pytest.approx(1e-7 * math.sqrt(19980 / 48000), rel=0.1)


def test_a_residue_above_the_band_does_not_reach_it():
    rng = np.random.default_rng(3)
    x = tone(1.0, 997.0, 0.25) + 0.05 * np.sin(2 * np.pi * 31234.5 * np.arange(24000) / RATE)
    x += 1e-6 * rng.standard_normal(24000)
    channel = analyse(x, RATE).channels[0]
    assert channel.noise_v == pytest.approx(1e-6 * math.sqrt(19980 / 48000), rel=0.1)
