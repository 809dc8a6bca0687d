"""Clipping without aliases, and that blocks of any size give what one call gives."""

from __future__ import annotations

import numpy as np
import pytest

from simulated_instruments.amplifier.band_limited import LATENCY, Clipper, Curve, Table

RATE = 96000.0


def clipped(frequency: float, limit: float, *, n: int = 96000, block: int = 8192) -> np.ndarray:
    x = np.sin(2 * np.pi * frequency * np.arange(n) / RATE)
    clipper = Clipper()
    parts = []
    for i in range(0, n, block):
        m = len(x[i : i + block])
        parts.append(clipper(x[i : i + block], np.full(m, -limit), np.full(m, limit)))
    return np.concatenate(parts)


def folded(y: np.ndarray, frequency: float, *, below: float = 48000.0) -> float:
    """The strongest line that is no harmonic below half the rate, dB re the fundamental; two-hertz bins."""
    part = y[-48000:]
    spectrum = np.abs(np.fft.rfft(part * np.blackman(len(part))))
    bins = np.arange(len(spectrum)) * RATE / len(part)
    fundamental = spectrum[round(frequency * len(part) / RATE)]
    harmonic = np.zeros(len(spectrum), bool)
    for k in range(0, int(RATE / 2 / frequency) + 1):
        harmonic |= np.abs(bins - k * frequency) < 12.0
    harmonic |= bins > below
    return float(20 * np.log10(spectrum[~harmonic].max() / fundamental))


def knee_for_one_percent() -> float:
    """Limit over peak at which hard clipping makes 1 % THD, from the Fourier integral of a clipped sine."""
    theta = (np.arange(20000) + 0.5) / 20000 * 2 * np.pi
    low, high = 0.5, 1.0
    for _ in range(50):
        limit = 0.5 * (low + high)
        wave = np.clip(np.sin(theta), -limit, limit)
        fundamental = 2 * np.mean(wave * np.sin(theta))
        distortion = np.sqrt(max(0.0, 2 * np.mean(wave**2) - fundamental**2)) / fundamental
        low, high = (limit, high) if distortion > 0.01 else (low, limit)
    return limit


@pytest.mark.parametrize(
    ("frequency", "below"),
    # harmonics between 48 and 56 kHz fold into the decimator's transition band, above 40 kHz
    [(20000.0, 48000.0), (19000.0, 48000.0), (15000.0, 48000.0), (7000.0, 40000.0), (1000.0, 40000.0)],
)
def test_aliases_of_a_clipped_tone_stay_90_db_below_it(frequency, below):
    assert folded(clipped(frequency, knee_for_one_percent()), frequency, below=below) < -90.0


def test_plain_clipping_would_alias():
    """The measure can fail: the same tone clipped sample by sample is far above the bound."""
    x = np.sin(2 * np.pi * 19000.0 * np.arange(96000) / RATE)
    assert folded(np.clip(x, -0.93, 0.93), 19000.0) > -70.0


def test_harmonics_of_a_clipped_tone_are_those_of_the_fourier_series():
    """1 kHz clipped at 0.9: coefficients by numerical integration over one period, harmonics 1 to 15."""
    y = clipped(1000.0, 0.9)[-48000:]
    theta = (np.arange(400000) + 0.5) / 400000 * 2 * np.pi
    wave = np.clip(np.sin(theta), -0.9, 0.9)
    t = np.arange(len(y)) / RATE
    for k in range(1, 16, 2):
        expected = abs(2 * np.mean(wave * np.exp(-1j * k * theta)))
        found = abs(2 * np.mean(y * np.exp(-2j * np.pi * 1000.0 * k * t)))
        assert found == pytest.approx(expected, rel=0.01, abs=1e-6)


@pytest.mark.parametrize("block", [1000, 1024, 8191, 100])
def test_blocks_give_what_one_call_gives(block):
    whole = clipped(1234.0, 0.8, n=30000, block=30000)
    np.testing.assert_allclose(clipped(1234.0, 0.8, n=30000, block=block), whole, atol=1e-12)


def test_what_is_not_clipped_is_only_delayed():
    x = 0.5 * np.sin(np.arange(5000) * 0.1)
    y = Clipper()(x, np.full(5000, -1.0), np.full(5000, 1.0))
    np.testing.assert_array_equal(y[LATENCY:], x[:-LATENCY])


def test_limits_may_move():
    """A constant above a falling limit follows the limit."""
    n = 4000
    high = np.linspace(1.0, 0.5, n)
    y = Clipper()(np.full(n, 2.0), np.full(n, -1.0), high)
    np.testing.assert_allclose(y[200:], high[200 - LATENCY : -LATENCY], atol=1e-3)


def test_curve_fast_and_slow_agree_and_join():
    """x^3 at 1 kHz needs no oversampling: both ways give the same, also across a change from one to the other."""
    grid = np.linspace(-2, 2, 4001)
    table = Table.of(grid, grid**3, points=8193)
    x = np.sin(2 * np.pi * 1000.0 * np.arange(12000) / RATE)
    curve = Curve()
    parts = [curve(x[i : i + 1000], table, fast=(i // 1000) % 3 == 1) for i in range(0, 12000, 1000)]
    y = np.concatenate(parts)
    np.testing.assert_allclose(y[LATENCY + 50 :], x[50:-LATENCY] ** 3, atol=2e-4)


def test_a_fast_curve_does_not_fold():
    """x^3 of 20 kHz has its third harmonic at 60 kHz, which folds to 36 kHz unless it is taken out."""
    grid = np.linspace(-2, 2, 4001)
    table = Table.of(grid, grid**3)
    x = np.sin(2 * np.pi * 20000.0 * np.arange(96000) / RATE)
    assert folded(Curve()(x, table, fast=True), 20000.0) < -75.0
    assert folded(Curve()(x, table, fast=False), 20000.0) > -12.0
