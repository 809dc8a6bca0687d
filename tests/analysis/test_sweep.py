"""A sweep through known filters: response, phase, clock, distortion of each order."""

import numpy as np
import pytest

from benchtest.analysis.sweep import sweep_response
from benchtest.signals import log_sweep

RATE = 48000
FREQUENCIES = np.geomspace(20.0, 20000.0, 181)
PEAK = 0.5
SECONDS = 4.0


def amplifier(f):
    """High-passes at 5 and 12 Hz, a second-order low-pass at 45 kHz: the sort of response an amplifier has."""
    s, high, pair, top = 2j * np.pi * f, 2 * np.pi * 5, 2 * np.pi * 12, 2 * np.pi * 45000
    return s / (s + high) * s**2 / (s**2 + s * pair / 0.8 + pair**2) * top**2 / (s**2 + s * top / 0.75 + top**2)


FILTERS = {
    "flat": lambda f: np.ones(len(f), dtype=complex),
    "amplifier": amplifier,
    "inverting": lambda f: -amplifier(f),
    "low-pass 22 kHz": lambda f: 1 / (1 + 1j * f / 22000),
    "high-pass 20 Hz": lambda f: (1j * f / 20) / (1 + 1j * f / 20),
    "phono": lambda f: (1 + 1j * f / 500.5) / ((1 + 1j * f / 50.05) * (1 + 1j * f / 2122)),
}


def played(clock=1.0, bend=lambda x: x):
    """The sweep of 10 Hz to 24 kHz (23.9 kHz at this rate) as a recorder with another clock samples it, from its formula."""
    sweep = log_sweep(10.0, 23900.0, PEAK, SECONDS, RATE)
    t = np.arange(int(len(sweep.samples) / clock)) * clock / RATE
    growth = SECONDS / np.log(23900.0 / 10.0)
    x = PEAK * np.sin(2 * np.pi * 10.0 * growth * np.expm1(t / growth))
    for distance in (t + 0.5 / RATE, SECONDS - t - 0.5 / RATE):
        x *= 0.5 - 0.5 * np.cos(np.pi * np.clip(distance / 0.05, 0, 1))
    return sweep, bend(x)


def through(x, response, delay_s=0.0123, noise=0.0):
    n = len(x) + RATE
    size = 2 * n
    f = np.fft.rfftfreq(size, 1 / RATE)
    f[0] = 1e-9
    y = np.fft.irfft(np.fft.rfft(x, size) * response(f) * np.exp(-2j * np.pi * f * delay_s), size)[:n]
    return y + noise * np.random.default_rng(0).standard_normal(n)


def errors(found, response):
    """Level in dB and phase in degrees beside the truth, whose best linear phase is unknown here and so taken out too."""
    ratio = found.response / response(found.frequencies_hz)
    phase = np.unwrap(np.angle(ratio))
    slope = (found.frequencies_hz @ phase) / (found.frequencies_hz @ found.frequencies_hz)
    return np.abs(20 * np.log10(np.abs(ratio))), np.abs(np.degrees(phase - slope * found.frequencies_hz))


@pytest.mark.parametrize("name", ["flat", "amplifier", "phono", "low-pass 22 kHz"])
def test_response_on_one_clock(name):
    sweep, x = played()
    found = sweep_response(through(x, FILTERS[name]), sweep, frequencies_hz=FREQUENCIES, clock_ratio=1.0)
    level, phase = errors(found, FILTERS[name])
    assert np.max(level) < 0.01
    assert np.max(phase) < 0.1
    assert found.valid_hz[0] <= 20.0
    assert found.valid_hz[1] >= 20000.0


@pytest.mark.parametrize(
    ("name", "ppm"),
    [("amplifier", 200), ("phono", -200), ("high-pass 20 Hz", 0)]
    + [pytest.param(name, ppm, marks=pytest.mark.slow) for name in FILTERS for ppm in (200, -200, 0)],
)
def test_response_with_clocks_apart(name, ppm):
    sweep, x = played(1 + ppm * 1e-6)
    found = sweep_response(through(x, FILTERS[name]), sweep, frequencies_hz=FREQUENCIES)
    level, phase = errors(found, FILTERS[name])
    assert np.max(level) < 0.05
    assert np.max(phase) < 1.0
    assert (found.clock_ratio - 1) * 1e6 == pytest.approx(ppm, abs=0.5)


def test_delay_is_found():
    sweep, x = played()
    found = sweep_response(through(x, FILTERS["flat"], delay_s=0.2345678), sweep)
    assert found.delay_s == pytest.approx(0.2345678, abs=1e-7)
    assert np.max(np.abs(found.phase_deg)) < 0.1


def test_polarity_stays_in_the_response():
    sweep, x = played()
    found = sweep_response(-0.5 * through(x, FILTERS["flat"]), sweep)
    np.testing.assert_allclose(found.response, -0.5, atol=1e-3)


def test_distortion_of_each_order():
    """y = x + a2 x^2 + a3 x^3: H2 / H1 = a2 A / 2, H3 / H1 = a3 A^2 / 4, to first order (textbook trigonometry)."""
    a2, a3 = 0.01, 0.004
    sweep, x = played(1 + 100e-6, lambda x: x + a2 * x**2 + a3 * x**3)
    found = sweep_response(through(x, FILTERS["flat"]), sweep, frequencies_hz=FREQUENCIES, orders=(2, 3, 4))
    fundamental = 1 + 0.75 * a3 * PEAK**2
    middle = (FREQUENCIES > 60) & (FREQUENCIES < 5000)
    np.testing.assert_allclose(found.distortion[2][middle], a2 * PEAK / 2 / fundamental, rtol=0.02)
    np.testing.assert_allclose(found.distortion[3][middle], a3 * PEAK**2 / 4 / fundamental, rtol=0.03)
    assert np.max(found.distortion[4][middle]) < 2e-5
    assert np.all(np.isnan(found.distortion[3][found.valid_hz[1] < FREQUENCIES * 3]))


def test_noise_moves_the_response_little():
    sweep, x = played(1 + 100e-6)
    found = sweep_response(through(x, amplifier, noise=1e-3), sweep, frequencies_hz=FREQUENCIES)
    level, _ = errors(found, amplifier)
    assert np.max(level) < 0.1  # 50 dB between the sweep's rms and the noise's
    assert (found.clock_ratio - 1) * 1e6 == pytest.approx(100, abs=2.0)


def test_refusals():
    sweep, x = played()
    with pytest.raises(ValueError, match="record for longer"):
        sweep_response(x[:1000], sweep)
    with pytest.raises(ValueError, match="is silent"):
        sweep_response(np.zeros(len(x) + RATE), sweep)
    with pytest.raises(ValueError, match="a response at 5 Hz"):
        sweep_response(through(x, FILTERS["flat"]), sweep, frequencies_hz=[5.0])
    with pytest.raises(ValueError, match="distortion of order 1"):
        sweep_response(through(x, FILTERS["flat"]), sweep, orders=(1,))
    with pytest.raises(ValueError, match="not a finite number"):
        sweep_response(np.full(len(x) + RATE, np.nan), sweep)


def test_noise_instead_of_the_sweep_is_refused():
    sweep, x = played()
    with pytest.raises(ValueError, match="Expected"):
        sweep_response(np.random.default_rng(0).standard_normal(len(x) + RATE), sweep)
