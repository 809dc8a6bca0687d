"""Propagation by the library against the GUM's example H.2, and the small formulas that budgets are made of.

Data: JCGM 100:2008, H.2, Table H.2 (read at two secondary sources, both test suites of the annex's examples); results
R = 127.732, X = 219.847, Z = 254.260 ohm with u = 0.071, 0.295, 0.236 ohm (Table H.4, the same sources).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import correlated_values_norm, correlation_matrix
from uncertainties.umath import cos, sin

from benchtest.analysis.sweep import SweepResponse
from benchtest.calibration import Calibration
from benchtest.limits import Limit, decide
from benchtest.loopback import from_table
from benchtest.measurements.budget import expanded, in_db, part
from benchtest.measurements.distortion import near_the_floor
from benchtest.measurements.estimates import (
    ALIKE,
    BenchHarmonics,
    Estimate,
    bench_harmonics,
    level_u,
    line_noise,
    noise_u,
)
from benchtest.measurements.noise import WHITE_A, without_the_bench
from benchtest.measurements.phono_equalisation import standard_db
from benchtest.measurements.rail_ripple import conduction_share, without_load
from benchtest.measurements.sweep import Swept

OBSERVED = np.array([
    [5.007, 19.663, 1.0456], [4.994, 19.639, 1.0438], [5.005, 19.640, 1.0468], [4.990, 19.685, 1.0428],
    [4.999, 19.678, 1.0433],
])  # fmt: skip
"""V (V), I (mA), phi (rad) of five simultaneous observations."""


def h2():
    """V, I, phi with the uncertainty of their means and their correlations."""
    means = OBSERVED.mean(axis=0)
    spreads = OBSERVED.std(axis=0, ddof=1) / math.sqrt(len(OBSERVED))
    volts, milliamperes, phase = correlated_values_norm(
        list(zip(means, spreads, strict=True)), np.corrcoef(OBSERVED, rowvar=False)
    )
    z = volts / (milliamperes / 1000.0)
    return z * cos(phase), z * sin(phase), z


def test_gum_h2_values_and_uncertainties():
    published = ((127.732, 0.071), (219.847, 0.295), (254.260, 0.236))
    for result, (value, u) in zip(h2(), published, strict=True):
        assert result.nominal_value == pytest.approx(value, abs=0.001)
        assert expanded(result)["expanded_uncertainty"] / 2 == pytest.approx(u, abs=0.001)


def test_gum_h2_correlations():
    """r(R, X) = -0.588, r(R, Z) = -0.485, r(X, Z) = 0.993 (from memory; recomputed from the data: 0.9925)."""
    matrix = correlation_matrix(h2())
    assert matrix[0][1] == pytest.approx(-0.588, abs=0.001)
    assert matrix[0][2] == pytest.approx(-0.485, abs=0.001)
    assert matrix[1][2] == pytest.approx(0.993, abs=0.001)


def test_the_parts_of_a_budget_add_up_in_squares_to_the_whole():
    power = part(28.28, 0.0816, "meter") ** 2 / part(8.0, 0.0462, "load")
    figures = expanded(power)
    assert math.hypot(*figures["budget"].values()) == pytest.approx(figures["expanded_uncertainty"] / 2)
    # relative: twice that of the voltage, once that of the load (worked example of a reference table: U = 1.6 W)
    assert figures["expanded_uncertainty"] == pytest.approx(
        2 * 99.97 * math.hypot(2 * 0.0816 / 28.28, 0.0462 / 8.0), rel=1e-4
    )


def test_decibels_of_a_ratio_carry_8_686_db_per_unit():
    figures = in_db(part(10.0, 0.1, "meter"))
    assert figures["value"] == pytest.approx(20.0)
    assert figures["expanded_uncertainty"] == pytest.approx(2 * 8.685889638 * 0.01)


# ------------------------------------------------------------------------------------- scatter of estimates, by trial


def test_scatter_of_a_level_in_white_noise():
    """Least squares on 4000 records of white noise with a sine, by the normal equations written out."""
    rng, rate, n = np.random.default_rng(1), 48000.0, 4800
    t = np.arange(n) / rate
    wave = np.sin(2 * np.pi * 1000 * t)
    noise = 0.01 * rng.standard_normal((4000, n))
    amplitude = (noise + wave) @ wave * 2 / n / math.sqrt(2)
    in_20_khz = 0.01 * math.sqrt(20e3 / 24e3)
    assert np.std(amplitude) == pytest.approx(level_u(in_20_khz, n / rate), rel=0.05)


def test_scatter_of_a_noise_level_and_noise_in_a_line_under_hann_weights():
    """Power in 20 kHz by the Hann-weighted periodogram, and in the one line at 1 kHz, of 1000 records."""
    rng, rate, n = np.random.default_rng(2), 48000.0, 9600
    w = np.hanning(n)
    spectrum = np.fft.rfft(rng.standard_normal((1000, n)) * w)
    f = np.fft.rfftfreq(n, 1 / rate)
    band = np.sqrt(np.sum(np.abs(spectrum[:, f <= 20e3]) ** 2, axis=1) * 2 / (n * np.sum(w**2)))
    assert np.std(band) == pytest.approx(noise_u(float(np.mean(band)), n / rate), rel=0.08)
    one = np.abs(spectrum[:, 200]) * 2 / np.sum(w) / math.sqrt(2)
    assert math.sqrt(float(np.mean(one**2))) == pytest.approx(line_noise(float(np.mean(band)), n / rate), rel=0.08)


def test_a_weighted_share_of_white_noise_is_that_of_the_curve():
    """IEC 61672-1's pole frequencies: 20.6, 107.7, 737.9, 12194 Hz, 2.00 dB at 1 kHz."""
    f = np.linspace(20.0, 20e3, 200001)
    a = 12194**2 * f**4 / ((f**2 + 20.6**2) * np.sqrt((f**2 + 107.7**2) * (f**2 + 737.9**2)) * (f**2 + 12194**2))
    assert 20 * math.log10(WHITE_A) == pytest.approx(10 * math.log10(np.mean((a * 10**0.1) ** 2)), abs=0.02)


# ------------------------------------------------------------------------------------- near the bench's own residual


def test_near_the_residual_no_verdict_is_taken_from_its_luck():
    """A reading of 0.08 % where the bench itself may show 0.05 %: it passes below 0.13 %, fails above a limit of 0.03 %."""
    kept = near_the_floor(Estimate(8e-4, {"noise": 1e-6}, 5e-4))
    assert "within 10 dB of the bench's own residual" in kept["note"]
    verdicts = [
        decide(kept["value"], kept["expanded_uncertainty"], Limit(None, top)) for top in (0.14, 0.12, 0.04, 0.02)
    ]
    assert [str(v) for v in verdicts] == ["pass", "inconclusive", "inconclusive", "fail"]


def test_far_above_the_residual_nothing_is_said():
    kept = near_the_floor(Estimate(8e-3, {"noise": 1e-6}, 5e-4))
    assert kept["note"] == ""
    assert kept["expanded_uncertainty"] == pytest.approx(2e-4)


def test_noise_near_the_benchs_own_is_as_uncertain_as_that():
    near = without_the_bench(125e-6, 1e-6, 75e-6, 0.001)
    assert near["value"] == pytest.approx(100e-6)  # 125, 75, 100: squares
    assert near["expanded_uncertainty"] == pytest.approx(75e-6)
    assert "taken off" in near["note"]
    assert 2 * math.hypot(*near["budget"].values()) == pytest.approx(near["expanded_uncertainty"])


def test_near_the_residual_the_parts_still_add_up():
    kept = near_the_floor(Estimate(8e-4, {"noise": 1e-6, "bench noise": 2e-6}, 5e-4))
    assert 2 * math.hypot(*kept["budget"].values()) == pytest.approx(kept["expanded_uncertainty"])


def test_the_benchs_harmonics_count_where_the_amplifiers_are():
    """By trial: d_k + b_k e^(j phi), phases drawn; all of the bench's in one order, then spread over orders that are not the
    amplifier's."""
    rng = np.random.default_rng(3)
    d, b = {2: 1e-4, 3: 3e-4, 5: 2e-4}, (1e-5, 2e-5, 4e-6)
    phases = np.exp(2j * np.pi * rng.random((20000, 3)))
    amplifier = np.array([d[2], d[3], 0.0])
    power = np.sum(np.abs(amplifier + np.array(b) * phases) ** 2, axis=1) + d[5] ** 2
    error = np.sqrt(power) - math.hypot(*d.values())
    assert BenchHarmonics(b, 0.0).u(d) == pytest.approx(float(np.sqrt(np.mean(error**2))), rel=0.05)


# ------------------------------------------------------------------------------------- tables


def test_phono_curve_is_that_of_the_table():
    """Replay curve re 1 kHz, dB (three time constants, and with 7950 us): the figures usually printed."""
    f = np.array([20.0, 100.0, 1000.0, 10e3, 20e3])
    np.testing.assert_allclose(standard_db(f), [19.274, 13.088, 0.0, -13.734, -19.620], atol=1e-3)
    np.testing.assert_allclose(standard_db(f, roll_off=True), [16.261, 12.920, 0.0, -13.733, -19.619], atol=1e-3)


@pytest.mark.parametrize(("source_ohm", "published_v"), [(0.3, 1.53), (0.05, 1.73)])
def test_conduction_time_gives_the_ripple_of_a_rectifier_solved_in_steps(source_ohm, published_v):
    """Full-wave rectifier, 50 V peak, 50 Hz, 10 mF, 2 A: 1.53 V and 1.73 V peak to peak were simulated elsewhere (2.00 V by
    plain I / (2 f C)); here solved once more by small steps, and the relation held to it."""
    dt, farad, load_a = 1e-6, 10e-3, 2.0
    v, wave = 48.0, []
    crest = np.abs(50.0 * np.sin(2 * np.pi * 50.0 * dt * np.arange(int(0.2 / dt))))
    for e in crest:
        v += (max(0.0, (e - v) / source_ohm) - load_a) * dt / farad
        wave.append(v)
    settled = np.array(wave[-int(0.02 / dt) :])
    ripple = float(np.ptp(settled))
    assert ripple == pytest.approx(published_v, abs=0.03)
    by_relation = load_a * conduction_share(float(np.mean(settled)) / 50.0) / (2 * 50.0) / farad
    assert by_relation == pytest.approx(ripple, rel=0.06)  # what the budget allows for the shape


def calibrated(orders: tuple[float, ...], noise_v: float) -> Calibration:
    return Calibration(
        kind="measured", made_utc="", meter="", sound_card="", frequency_hz=1000.0,
        output_volts_per_full_scale=(2.0, 2.0), input_volts_per_full_scale=(40.0, 40.0), meter_relative=1e-3,
        own_relative=1e-6, residual_thd=(1e-5, 1e-5), residual_thd_n=(1e-4, 1e-4), noise_v=(noise_v, noise_v),
        residual_orders=(orders, orders),
    )  # fmt: skip


def test_a_harmonic_that_the_loopback_did_not_see_may_be_as_large_as_its_noise_hides():
    """0.6 of 2 V full scale peak was played, 0.849 V rms; a line of its record of 0.5 s holds the noise of 20 kHz times
    sqrt(1.5 / (20 kHz 0.5 s)), and is seen from 3 / sqrt 2 of it on. Driven as hard as in the
    loopback on both sides."""
    own = bench_harmonics(
        calibrated((4e-6, 0.0, 0.0), 1e-4), 0, 0.6 * 40.0 / math.sqrt(2.0), 0.6 * 2.0 / math.sqrt(2.0)
    )
    hidden = 3.0 / math.sqrt(2.0) * 1e-4 * math.sqrt(1.5 / 1e4) / (1.2 / math.sqrt(2.0))
    both = math.hypot(1.0, 1.15)
    assert own.orders == pytest.approx((4e-6 * both, hidden * both, 0.0))


def test_an_input_that_may_be_8_db_worse_or_better_counts_by_its_mean_power():
    """Output and input each anywhere within 8 dB: the rms of their ratio over many cards."""
    rng = np.random.default_rng(0)
    apart_db = rng.uniform(-4, 4, 200_000) - rng.uniform(-4, 4, 200_000)
    assert pytest.approx(float(np.sqrt(np.mean(10 ** (apart_db / 10)))), rel=0.01) == ALIKE


def test_a_rail_that_sagged_at_idle_already_is_carried_on_to_no_current():
    """A stiff 42 V behind 3 ohm: 41.4 V at 0.2 A, 39 V at 1 A; the line through both meets 42 V at nothing."""
    assert without_load(41.4, 39.0, 0.2, 1.0) == pytest.approx(42.0)
    assert without_load(39.0, 41.4, 0.2, 1.0) == 39.0  # a rail that rose under load: nothing to carry on


def test_hum_in_a_sweep_is_part_of_its_noise():
    """A mains line of H rms beside a sweep: at its own frequency H / sqrt 2 times the window's sum over the root of the sweep's
    energy density, 1 / sqrt 2 of it along; far from it next to nothing."""
    points = np.array([100.0, 1000.0, 10e3])
    own = SweepResponse(points, np.ones(3, dtype=complex), {}, 1.0, 0.0, (10.0, 20e3))
    quiet = Swept("left", own, own, np.zeros(3), 0.05, 0.001, 0.15, 1.2, (0.0, 0.0))
    humming = replace(quiet, hum=(((100.0, 2e-5),), ()))
    window = 0.75 * (0.75 * math.log(2.0) * 0.15 + 0.6)
    energy = 2.0 * 0.05**2 * 0.15 / 400.0
    assert quiet.noise(100.0) == 0.0
    assert humming.noise(100.0) == pytest.approx(2e-5 / math.sqrt(2.0) * window / math.sqrt(energy) / math.sqrt(2.0))
    # at 1 kHz the sweep is weaker by sqrt 10, and the line beside is down by pi * 900 Hz * window
    assert humming.noise(1000.0) == pytest.approx(humming.noise(100.0) * math.sqrt(10.0) / (math.pi * 900.0 * window))
    assert humming.noise(100.0, other=True) == 0.0


def test_the_noise_of_the_loopbacks_sweep_stays_in_the_response_that_is_taken_off():
    """As the sweep's own noise at 0.849 V rms (0.6 of 2 V full scale peak) beside the noise that the calibration heard."""
    points = np.array([1000.0, 10e3])
    own = SweepResponse(points, np.ones(2, dtype=complex), 0.0, 1.0, (10.0, 20e3))
    noise_v, played = 1e-4, 1.2 / math.sqrt(2.0)
    swept = Swept("left", own, own, np.zeros(2), played, 0.001, 0.15, 1.2, (noise_v**2 / 20e3, 0.0))
    response = from_table(
        {
            "frequencies_hz": [20.0, 20e3], "response_db": [[0.0, 0.0]] * 2, "crosstalk_hz": [1000.0],
            "crosstalk_real": [[0.0]] * 2, "crosstalk_imaginary": [[0.0]] * 2, "crosstalk_u": [[1e-6]] * 2,
        }
    )  # fmt: skip
    calibration = replace(calibrated((), noise_v), response=response)
    assert swept.bench_noise(calibration, 0, 10e3) == pytest.approx(swept.noise(10e3))
    assert swept.bench_noise(replace(calibration, response=None), 0, 10e3) == 0.0
