"""Harmonics of noise-free records, exact for any frequency and any record of three cycles or more."""

import numpy as np
import pytest

from benchtest.analysis import analyse, harmonic_fit
from benchtest.analysis.phasors import (
    Weights,
    hann,
    many_sums,
    many_waveform,
    order_sums,
    order_waveform,
    sums,
    waveform,
)

LEVELS_DB = (-20.0, -40.0, -60.0, -80.0, -100.0, -120.0, -140.0)


def record(rate, frequency, cycles, rng, levels_db=LEVELS_DB):
    n = int(np.ceil(cycles / frequency * rate))
    t = np.arange(n) / rate
    top = int(0.49 * rate / frequency)
    levels = 10 ** (rng.permutation(np.resize(levels_db, max(1, top - 1))) / 20)
    phases = rng.uniform(-np.pi, np.pi, len(levels))
    x = np.cos(2 * np.pi * frequency * t + rng.uniform(0, 6))
    first = 2 * np.pi * frequency * t
    for order, (level, phase) in enumerate(zip(levels, phases, strict=True), start=2):
        if order <= top:
            x += level * np.cos(order * first + phase)
    return x, levels[: top - 1]


@pytest.mark.parametrize("rate", [44100, 96000, 192000])
@pytest.mark.parametrize("cycles", [3.0, 3.37, 5.5, 20.2, 250.0])
@pytest.mark.parametrize("share", [0.0045, 0.02, 0.0713, 0.2])
def test_harmonics_are_exact(rate, cycles, share):
    rng = np.random.default_rng(round(1e6 * share) + rate)
    frequency = share * rate * rng.uniform(0.99, 1.0)
    x, levels = record(rate, frequency, cycles, rng)
    if len(x) < 16:
        pytest.skip("fewer than 16 samples are refused")
    fit = harmonic_fit(x, rate)
    assert fit.frequency_hz == pytest.approx(frequency, rel=1e-9)
    error = np.abs(20 * np.log10(fit.levels[1 : len(levels) + 1] / levels))
    assert np.max(error[levels > 3e-7], initial=0.0) < 0.02
    assert np.max(error, initial=0.0) < 0.1


@pytest.mark.parametrize(
    ("rate", "frequency", "cycles"), [(48000, 20.03, 3.0), (192000, 101.0, 3.3), (96000, 31.7, 6.1)]
)
def test_hundreds_of_harmonics(rate, frequency, cycles):
    x, levels = record(rate, frequency, cycles, np.random.default_rng(4))
    fit = harmonic_fit(x, rate)
    error = np.abs(20 * np.log10(fit.levels[1 : len(levels) + 1] / levels))
    assert len(levels) > 700
    assert np.max(error) < 0.02


@pytest.mark.parametrize("ppm", [0, 200, -200])
def test_clocks_apart_do_not_matter(ppm):
    t = np.arange(24000) / 96000
    angle = 2 * np.pi * 1000 * (1 + ppm * 1e-6) * t + 0.7
    x = np.cos(angle) + 1e-3 * np.cos(2 * angle + 0.5) + 1e-5 * np.cos(3 * angle - 2)
    channel = analyse(x, 96000, fundamental_hz=1000.0).channels[0]
    second, third = channel.harmonics[:2]
    assert second.level_db == pytest.approx(-60.0, abs=1e-6)
    assert third.level_db == pytest.approx(-100.0, abs=1e-4)
    assert second.phase_deg == pytest.approx(np.degrees(0.5), abs=1e-4)
    assert third.phase_deg == pytest.approx(np.degrees(-2), abs=1e-4)
    assert channel.harmonics[2].level_db is None or channel.harmonics[2].level_db < -220


@pytest.mark.parametrize("start", [0, 17, 1000])
def test_phase_does_not_depend_on_where_the_record_begins(start):
    t = (np.arange(4800) + start) / 48000
    s = np.cos(2 * np.pi * 997.7 * t)
    fit = harmonic_fit(s + 0.1 * s**2 + 0.02 * s**3, 48000)
    assert fit.relative_phases[1:3] == pytest.approx([0.0, 0.0], abs=1e-8)


def test_residual_is_what_is_left():
    t = np.arange(4800) / 48000
    extra = 1e-3 * np.cos(2 * np.pi * 3456.7 * t)
    s = np.cos(2 * np.pi * 997.7 * t)
    fit = harmonic_fit(s + 0.1 * s**2 + extra, 48000)
    assert np.max(np.abs(fit.residual - extra)) < 2e-5


def test_scaling_and_polarity():
    t = np.arange(4800) / 48000
    s = np.cos(2 * np.pi * 997.7 * t)
    x = s + 0.1 * s**2
    one, other = harmonic_fit(x, 48000), harmonic_fit(-30 * x, 48000)
    np.testing.assert_allclose(other.levels, 30 * one.levels, rtol=1e-9, atol=1e-12)
    assert other.dc == pytest.approx(-30 * one.dc)


@pytest.mark.parametrize("n", [16, 101, 1000, 19200, 30011])
def test_block_sums_match_their_definition(n):
    rng = np.random.default_rng(n)
    x = rng.standard_normal(n)
    u = np.arange(n) - (n - 1) / 2
    turns = np.array([0.0, 1 / n, 2.5 / n, 0.0123, 0.25, 0.4999])
    table = np.exp(-2j * np.pi * np.outer(turns, u))
    found = sums(x, turns)
    scale = np.sqrt(n)
    assert np.max(np.abs(found.value - table @ x)) < 1e-10 * scale
    assert np.max(np.abs(found.slope - table @ (u * x))) < 1e-10 * scale * n
    assert np.max(np.abs(many_sums(x, turns) - table @ x)) < 1e-11 * n
    amplitudes = rng.standard_normal(6) + 1j * rng.standard_normal(6)
    expected = np.real(amplitudes @ np.conj(table))
    assert np.max(np.abs(waveform(amplitudes, turns, n) - expected)) < 1e-9
    assert np.max(np.abs(many_waveform(amplitudes, turns, n) - expected)) < 1e-9
    orders = np.exp(-2j * np.pi * np.outer(np.arange(6) * 0.0123, u))
    value, slope = order_sums(x, 0.0123, 5)
    assert np.max(np.abs(value - orders @ x)) < 1e-10 * scale
    assert abs(slope - orders[1] @ (u * x)) < 1e-10 * scale * n
    assert np.max(np.abs(order_waveform(amplitudes, 0.0123, n) - np.real(amplitudes @ np.conj(orders)))) < 1e-9


@pytest.mark.parametrize("n", [16, 101, 1000])
@pytest.mark.parametrize("weighted", [False, True])
def test_closed_forms_of_weighted_sums(n, weighted):
    u = np.arange(n) - (n - 1) / 2
    w = hann(n) if weighted else np.ones(n)
    theta = np.array(
        [0.0, 1e-9, 0.019 / n, 0.021 / n, 0.1 / n, 2 * np.pi / n, 1.0, 3.0, 2 * np.pi - 0.3 / n, 2 * np.pi]
    )
    kernel = Weights(n, hann=weighted)
    slope, curvature = kernel.slope_and_curvature(theta, np.array([0.0, 0.7]))
    np.testing.assert_allclose(kernel.cosine(theta), np.cos(np.outer(theta, u)) @ w, atol=1e-11 * n)
    np.testing.assert_allclose(slope, np.sin(np.outer(theta, u)) @ (w * u), atol=1e-11 * n**2)
    expected = np.cos(np.outer([0.0, 0.7], u)) @ (w * u * u)
    np.testing.assert_allclose(curvature, expected, atol=1e-6 * n**3)
