"""Two-tone figures of y = x + 0.01 x^2 + 0.004 x^3 at a peak sum of 1, worked out from the products' closed forms.

First order: U(f2 +- f1) = a2 A1 A2, U(f2 +- 2 f1) = 0.75 a3 A1^2 A2, U(2 f1 - f2) = 0.75 a3 A1^2 A2; the tones themselves
grow through a3 by 0.75 a3 A^2 + 1.5 a3 B^2. Textbook trigonometry; the forms of the figures are from memory of DIN 45403 and
IEC 60268-3 but for the difference tone's reference, read at second hand.
"""

import numpy as np
import pytest

from benchtest.analysis.intermodulation import (
    difference_distortion,
    modulation_distortion,
    total_difference_distortion,
)
from benchtest.signals import two_tone

A2, A3 = 0.01, 0.004
RATE = 96000


def bent(frequencies, ratio, rate=RATE, seconds=1.0, clock=1.0):
    x = two_tone((frequencies[0] * clock, frequencies[1] * clock), 1.0, seconds, rate, ratio=ratio, fade_s=0.0)
    return x + A2 * x**2 + A3 * x**3


def tone_gain(own, other):
    return 1 + 0.75 * A3 * own**2 + 1.5 * A3 * other**2


@pytest.mark.parametrize("pair", [(60.0, 7000.0), (250.0, 8000.0)])
@pytest.mark.parametrize("clock", [1.0, 1 + 200e-6, 1 - 200e-6])
def test_modulation_distortion(pair, clock):
    found = modulation_distortion(bent(pair, 4.0, clock=clock), RATE, low_hz=pair[0], high_hz=pair[1])
    upper = 0.2 * tone_gain(0.2, 0.8)
    assert found.order_2 == pytest.approx(2 * A2 * 0.8 * 0.2 / upper, rel=1e-6)
    assert found.order_3 == pytest.approx(2 * 0.75 * A3 * 0.8**2 * 0.2 / upper, rel=1e-6)
    # The same figures as computed once by a Fourier transform of 96 kHz, 1 s, to the digits noted then.
    assert 100 * found.order_2 == pytest.approx(1.59369, abs=6e-6)
    assert 100 * found.order_3 == pytest.approx(0.38249, abs=6e-6)
    assert 100 * found.total == pytest.approx(1.63894, abs=6e-6)
    assert 100 * found.power_sum == pytest.approx(1.15891, abs=6e-6)
    assert found.total / found.power_sum == pytest.approx(np.sqrt(2), rel=1e-6)  # the 3.01 dB between the two forms
    assert not found.lost


@pytest.mark.parametrize("clock", [1.0, 1 + 200e-6])
def test_difference_distortion(clock):
    found = difference_distortion(bent((19000.0, 20000.0), 1.0, clock=clock), RATE)
    tone = 0.5 * tone_gain(0.5, 0.5)
    assert found.order_2 == pytest.approx(A2 * 0.25 / (2 * tone), rel=1e-6)
    assert 100 * found.order_2 == pytest.approx(0.24944, abs=6e-6)
    assert 100 * found.order_3 == pytest.approx(0.07483, abs=6e-6)


def test_total_difference_distortion():
    found = total_difference_distortion(bent((8000.0, 11950.0), 1.0), RATE)
    assert 100 * found.total == pytest.approx(0.25223, abs=6e-6)


def test_pair_form_returns_the_depth_of_an_amplitude_modulation():
    """A carrier with modulation depth m has two sidebands of m / 2 each."""
    t = np.arange(RATE) / RATE
    depth = 0.03
    low = 0.8 * np.cos(2 * np.pi * 60 * t)
    x = low + 0.2 * (1 + depth * np.cos(2 * np.pi * 60 * t)) * np.cos(2 * np.pi * 7000 * t)
    assert modulation_distortion(x, RATE).order_2 == pytest.approx(depth, rel=1e-9)


def test_a_clean_pair_is_lost_in_noise_and_says_so():
    x = two_tone((60.0, 7000.0), 1.0, 1.0, RATE, fade_s=0.0) + 1e-4 * np.random.default_rng(0).standard_normal(RATE)
    assert modulation_distortion(x, RATE).lost


@pytest.mark.parametrize("function", [modulation_distortion, difference_distortion, total_difference_distortion])
def test_no_tones_no_figure(function):
    noise = np.random.default_rng(0).standard_normal(RATE)
    for x in (np.zeros(RATE), noise):
        with pytest.raises(ValueError, match="do not both stand above the noise"):
            function(x, RATE)


def test_too_short_to_part_the_sidebands():
    with pytest.raises(ValueError, match="record for longer"):
        modulation_distortion(bent((60.0, 7000.0), 4.0, seconds=0.01), RATE)
