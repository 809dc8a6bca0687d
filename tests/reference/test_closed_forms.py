"""Ideal waveforms through the harmonic fit, against every row of the table of closed forms, to the digits printed.

The waves are made from their definition (clip, rectify, switch), not from their Fourier series: 64 cycles of some 16 000
samples, taken at the middles of equal steps, so that what folds down from above the highest harmonic is below the printed
digits. THD_F counts all harmonics: those that are fitted, and the rest, which stays in the residual.
"""

import functools
import math

import numpy as np
import pytest
from scipy.optimize import brentq

from benchtest.analysis import harmonic_fit, thd
from benchtest.analysis.distortion import of_total
from benchtest.analysis.intermodulation import difference_distortion, modulation_distortion
from benchtest.analysis.tones import fit_tones

from .tables import table

ROWS = table("closed_form_distortion.csv")
PERIOD = 16411  # a prime, so that no symmetry of the sampling meets one of the wave
CYCLES = 64


def wave(shape, parameter, cycles=CYCLES):
    theta = 2 * np.pi * (np.arange(PERIOD * cycles) + 0.5) / PERIOD
    s = np.sin(theta)
    match shape:
        case "square":
            return np.sign(s)
        case "triangle":
            return 2 / np.pi * np.arcsin(s)
        case "sawtooth":
            return 1 - (theta / np.pi) % 2
        case "half-wave rectified sine":
            return np.maximum(s, 0)
        case "full-wave rectified sine":
            return np.abs(s)
        case "hard clip, symmetric":
            return np.clip(s, -parameter, parameter)
        case "hard clip, one side":
            return np.minimum(s, parameter)
        case "dead zone (crossover)":
            return s - np.clip(s, -parameter, parameter)
        case "unequal half gains":
            return np.where(s > 0, s, parameter * s)
        case "quadratic y=x+a2 x^2":
            return s + parameter * s**2
        case "cubic y=x+a3 x^3":
            return s + parameter * s**3
    raise AssertionError(f"no such wave: {shape}")


@functools.lru_cache(maxsize=64)
def fitted(shape, parameter, fundamental=1, cycles=CYCLES):
    """The fit of the first nine orders; the rate is chosen so that a cycle lasts a second."""
    return harmonic_fit(
        wave(shape, parameter, cycles), PERIOD, frequency_hz=float(fundamental), highest_hz=9.5 * fundamental
    )


def all_distortion(fit):
    """Everything but dc and the fundamental, over the fundamental."""
    rms = fit.levels / np.sqrt(2)
    return math.sqrt(np.sum(rms[1:] ** 2) + np.mean(fit.residual**2)) / rms[0]


def signed_ratio(fit, order):
    """b_n / b_1 of a sine series, from phases that are told as cosines."""
    turn = fit.relative_phases[order - 1] - np.pi / 2 * (order - 1)
    assert abs(math.sin(turn)) < 1e-3
    return fit.levels[order - 1] / fit.levels[0] * math.copysign(1.0, math.cos(turn))


def measured(row):
    shape, quantity = row["shape"], row["quantity"]
    if "two equal tones" in shape or "4:1 tones" in shape:
        return two_tones(shape, quantity)
    parameter = float(row["parameter_value"]) if row["parameter_value"] else math.nan
    if row["parameter"] == "THD_F target":
        if quantity == "c at that THD":
            return brentq(lambda c: all_distortion(fitted(shape, c, cycles=6)) - parameter, 0.5, 0.9999, xtol=1e-7)
        clip = brentq(lambda c: all_distortion(fitted(shape, c, cycles=6)) - parameter, 0.5, 0.9999, xtol=1e-9)
        return float(np.mean(wave(shape, clip) ** 2)) / (clip**2 / 2)
    if "2f component" in quantity:
        return all_distortion(fitted(shape, parameter, fundamental=2))
    if quantity == "DC" or quantity.startswith("DC /"):
        return fitted(shape, parameter, fundamental=2 if "full-wave" in shape else 1).dc
    if quantity.startswith("ripple factor"):
        fit = fitted(shape, parameter, fundamental=2 if "full-wave" in shape else 1)
        rms = fit.levels / np.sqrt(2)
        return math.sqrt(np.sum(rms**2) + np.mean(fit.residual**2)) / fit.dc
    fit = fitted(shape, parameter)
    if quantity.startswith("THD_F"):
        return all_distortion(fit)
    if quantity.startswith("b1"):
        return fit.levels[0]
    if quantity.endswith("(signed)"):
        return signed_ratio(fit, int(quantity[1]))
    if quantity[0] == "H":
        return fit.levels[int(quantity[1]) - 1] / fit.levels[0]
    raise AssertionError(f"no way to measure {quantity}")


def two_tones(shape, quantity):
    """Products of two tones against harmonics of one, for a small polynomial (the rows are limits of small distortion)."""
    rate = 48000
    t = np.arange(rate) / rate
    small = 1e-6
    bend = (lambda x: x + small * x**2) if "quadratic" in shape else (lambda x: x + small * x**3)
    one = harmonic_fit(bend(np.cos(2 * np.pi * 1000 * t)), rate, highest_hz=3500.0).levels
    order = 2 if "quadratic" in shape else 3
    single = one[order - 1] / one[0]
    if "product" in quantity:
        pair = bend(np.cos(2 * np.pi * 5000 * t) + np.cos(2 * np.pi * 6000 * t))
        product = 1000.0 if order == 2 else 4000.0
        level = abs(fit_tones(pair, rate, [5000.0, 6000.0], others_hz=[product]).amplitudes[2])
        return level / one[order - 1]
    if "4:1" in shape:
        x = bend(0.8 * np.cos(2 * np.pi * 60 * t) + 0.2 * np.cos(2 * np.pi * 7000 * t))
        found = modulation_distortion(x, rate)
        return (found.order_2 if order == 2 else found.order_3) / single
    x = bend(0.5 * np.cos(2 * np.pi * 19000 * t) + 0.5 * np.cos(2 * np.pi * 20000 * t))
    found = difference_distortion(x, rate)
    return (found.order_2 if order == 2 else found.order_3) / single


@pytest.mark.parametrize("row", ROWS, ids=[f"{r['shape']}-{r['parameter_value']}-{r['quantity']}" for r in ROWS])
def test_row_of_closed_forms(row):
    expected = float(row["value"])
    # Half a unit of the sixth digit is what printing leaves open; the same again for the sampling of steep edges.
    unit = 10.0 ** (math.floor(math.log10(abs(expected))) - 5)
    assert measured(row) == pytest.approx(expected, abs=1.0 * unit, rel=0)


@pytest.mark.parametrize("row", [r for r in ROWS if r["quantity"].startswith("THD_F")][:6], ids=lambda r: r["shape"])
def test_relation_to_the_total(row):
    """THD_R = THD_F / sqrt(1 + THD_F^2), IEC 60268-3 relating to the total (from memory)."""
    value = float(row["value"])
    assert of_total(value) == pytest.approx(value / math.sqrt(1 + value**2), rel=1e-12)


# Sawtooth through a low-pass whose cut-off is the fundamental; n is the harmonic number. Blagouchine and Moreau 2011 eq. 33,
# 34; digits as OEIS A300714 and A300727 print them, which cite those equations. The paper was not read.
N = np.arange(1.0, 1001.0)


@pytest.mark.parametrize(
    ("harmonics", "expected"),
    [
        pytest.param(1 / (N * np.sqrt(1 + N**2)), 0.3694861821, id="first-order"),
        pytest.param(1 / (N * np.sqrt(1 + N**4)), 0.1811416138, id="second-order"),
    ],
)
def test_thd_of_filtered_sawtooth(harmonics, expected):
    np.testing.assert_allclose(thd(harmonics), expected, rtol=3e-9)  # the series is cut at n = 1000


@pytest.mark.parametrize(
    ("harmonics", "message"),
    [
        ([1.0], "two or more"),
        ([[1.0, 0.1]], "two or more"),
        ([0.0, 0.1], "Expected an amplitude above 0"),
        ([1.0, np.nan], "not a finite number"),
    ],
)
def test_thd_refuses(harmonics, message):
    with pytest.raises(ValueError, match=message):
        thd(harmonics)
