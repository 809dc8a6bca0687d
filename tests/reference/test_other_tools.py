"""Levels against tools that nobody here wrote."""

import re
import subprocess

import numpy as np
import pytest
from scipy import signal

from benchtest.analysis import analyse
from benchtest.analysis.noise import weighted_rms
from benchtest.analysis.spectrum import band_rms, power_spectrum
from benchtest.analysis.weighting import a_weighting, itu_r_468

RATE = 48000


@pytest.fixture
def recording():
    rng = np.random.default_rng(8)
    t = np.arange(RATE) / RATE
    return (
        0.4 * np.sin(2 * np.pi * 997 * t)
        + 0.01 * np.sin(2 * np.pi * 1994 * t)
        + 0.003 * rng.standard_normal(RATE)
        + 0.05
    )


@pytest.mark.needs("sox")
def test_levels_match_sox_statistics(recording, tmp_path):
    """sox stats prints DC offset and rms level in dB re full scale, of all there is."""
    raw = tmp_path / "x.f64"
    recording.astype("<f8").tofile(raw)
    command = [
        "sox",
        "-t",
        "raw",
        "-r",
        str(RATE),
        "-e",
        "floating-point",
        "-b",
        "64",
        "-c",
        "1",
        str(raw),
        "-n",
        "stats",
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    found = dict(re.findall(r"^(DC offset|RMS lev dB|Pk lev dB)\s+(\S+)", done.stderr, re.MULTILINE))
    channel = analyse(recording, RATE, band_hz=(1.0, RATE / 2)).channels[0]
    total = np.sqrt(channel.level_v**2 * (1 + channel.thd_n**2) + channel.dc_v**2)
    assert 20 * np.log10(total) == pytest.approx(float(found["RMS lev dB"]), abs=0.01)  # printed to 0.01 dB
    assert channel.dc_v == pytest.approx(float(found["DC offset"]), abs=1e-3)


def test_power_spectrum_matches_scipy_s_periodogram(recording):
    """The same Hann-weighted spectrum by scipy, whose weights are half a sample off ours (symmetric about mid-record)."""
    ours = power_spectrum(recording, RATE)
    theirs_f, theirs = signal.periodogram(recording, RATE, window="hann", detrend="constant", scaling="density")
    np.testing.assert_allclose(ours.frequencies_hz, theirs_f)
    for low, high in ((20.0, 900.0), (900.0, 1100.0), (1900.0, 2100.0), (3000.0, 20000.0)):
        inside = (theirs_f >= low) & (theirs_f <= high)
        # A bin on an edge of the band counts half here and whole there: two halves of some 900 bins at least.
        expected = np.sum(theirs[inside]) * theirs_f[1]
        assert band_rms(recording, RATE, (low, high)) ** 2 == pytest.approx(expected, rel=0.01)


def test_a_weighting_matches_an_analogue_filter_in_scipy():
    """The network's poles (IEC 61672-1, rounded as printed: 20.6, 107.7, 737.9, 12194 Hz), evaluated by scipy."""
    f = np.geomspace(10, 40000, 50)
    poles = -2 * np.pi * np.array([20.6, 20.6, 107.7, 737.9, 12194.0, 12194.0])
    _, response = signal.freqs_zpk(np.zeros(4), poles, 1.0, worN=2 * np.pi * np.append(f, 1000.0))
    expected = np.abs(response[:-1]) / np.abs(response[-1])
    np.testing.assert_allclose(20 * np.log10(a_weighting(f)), 20 * np.log10(expected), atol=0.005)


def test_bs_468_curve_matches_a_library_nobody_here_wrote():
    """itu-r-468-weighting (PyPI), an implementation of the recommendation's network by its printed polynomials."""
    from itu_r_468_weighting.filter import r468

    f = np.geomspace(31.5, 20000, 60)
    expected = [r468(float(each), "1khz", "db") for each in f]
    # its polynomials are rounded as they were published; 0.05 dB is what the network is asked for at 6300 Hz
    np.testing.assert_allclose(20 * np.log10(itu_r_468(f)), expected, atol=0.05)


@pytest.mark.parametrize("frequency", [31.5, 100.0, 1000.0, 4000.0, 8000.0])
def test_an_a_weighted_tone_is_that_of_an_acoustics_librarys_filter(frequency):
    """PyOctaveBand (PyPI), a general acoustics library after IEC 61672-1, whose digital filter at 192 kHz is close to the
    network below 10 kHz."""
    from pyoctaveband import weighting_filter

    rate = 192000
    x = np.sin(2 * np.pi * frequency / rate * np.arange(2 * rate))
    filtered = np.asarray(weighting_filter(x, rate, "A"))[rate:]  # rung in; whole periods
    expected = 20 * np.log10(np.sqrt(np.mean(filtered**2)))
    assert 20 * np.log10(weighted_rms(x, rate, weighting="A", band=(10.0, 90e3))) == pytest.approx(expected, abs=0.05)
