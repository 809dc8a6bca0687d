"""Several tones on one clock, crosstalk, and bursts."""

import numpy as np
import pytest

from benchtest.analysis.bursts import burst_levels
from benchtest.analysis.tones import fit_tones
from benchtest.signals import bursts, multitone, whole_cycles_hz

RATE = 96000
FREQUENCIES = [whole_cycles_hz(f, 1.0, RATE) for f in np.geomspace(20, 20000, 31)]


@pytest.mark.parametrize("ppm", [0.0, 200.0, -170.0])
def test_multitone_response(ppm):
    """Each tone through a one-pole low-pass of 10 kHz comes out with its gain."""
    t = np.arange(RATE) / RATE * (1 + ppm * 1e-6)
    gain = 1 / (1 + 1j * np.array(FREQUENCIES) / 10000)
    x = sum(np.abs(g) * np.cos(2 * np.pi * f * t + np.angle(g)) for f, g in zip(FREQUENCIES, gain, strict=True))
    found = fit_tones(x, RATE, FREQUENCIES)
    np.testing.assert_allclose(np.abs(found.amplitudes), np.abs(gain), rtol=1e-6)
    assert (found.clock_ratio - 1) * 1e6 == pytest.approx(ppm, abs=1e-3)


def test_crosstalk_with_the_driven_channel_s_clock():
    rng = np.random.default_rng(0)
    driven = multitone(FREQUENCIES, 1.0, 1.0, RATE, fade_s=0.0)
    leak = 1e-3 * driven + 1e-5 * rng.standard_normal(RATE)
    clock = fit_tones(driven, RATE, FREQUENCIES).clock_ratio
    found = fit_tones(leak, RATE, FREQUENCIES, clock_ratio=clock)
    reference = fit_tones(driven, RATE, FREQUENCIES)
    np.testing.assert_allclose(found.rms / reference.rms, 1e-3, rtol=0.01)
    quiet = fit_tones(1e-5 * rng.standard_normal(RATE), RATE, FREQUENCIES, clock_ratio=clock)
    # Lost in noise: the floor is three standard deviations, noise alone passes it once in 90 lines.
    assert np.mean(quiet.rms > quiet.floors) <= 0.1
    assert np.median(quiet.floors) == pytest.approx(3 * 1e-5 * np.sqrt(1.5 / RATE), rel=0.3)


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        ([], "no frequencies"),
        ([1000.0, 1001.0], "two lines are 1 Hz apart"),
        ([0.5], "record for longer"),
        ([48000.0], "below half the sample rate"),
        ([np.nan], "a line at nan"),
    ],
)
def test_lines_that_cannot_be_fitted_are_refused(lines, message):
    with pytest.raises(ValueError, match=message):
        fit_tones(np.zeros(RATE), RATE, lines)


@pytest.mark.parametrize("low_db", [-20.0, -np.inf])
@pytest.mark.parametrize("clip", [None, 0.8])
def test_bursts_are_found_and_measured(low_db, clip):
    x = 3.0 * bursts(1000.0, 1.0, RATE, count=3, low_db=low_db)
    if clip is not None:
        x = np.clip(x, -3.0 * clip, 3.0 * clip)
    x += 1e-4 * np.random.default_rng(0).standard_normal(len(x))
    found = burst_levels(x, RATE, 1000.0)
    assert len(found) == 3
    # Symmetrical clipping at c = 0.8: fundamental 0.895912 of the peak, THD 0.0897858 (closed form, all harmonics).
    peak, distortion = (1.0, 0.0) if clip is None else (0.895912, 0.0897858)
    for index, burst in enumerate(found):
        assert burst.first == pytest.approx((0.5 * index + 0.24) * RATE, abs=0.001 * RATE)
        assert burst.level == pytest.approx(3.0 * peak / np.sqrt(2), rel=1e-3)
        assert burst.thd == pytest.approx(distortion, abs=1e-3)


def test_no_bursts_in_silence_or_a_steady_tone():
    assert burst_levels(np.zeros(RATE), RATE, 1000.0) == ()
    assert burst_levels(np.sin(2 * np.pi * 1000 * np.arange(RATE) / RATE), RATE, 1000.0) == ()


def test_bursts_too_short_to_measure_are_refused():
    with pytest.raises(ValueError, match="three cycles or more"):
        burst_levels(np.zeros(RATE), RATE, 100.0)
