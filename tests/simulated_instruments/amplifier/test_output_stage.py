"""The class-AB output stage against ngspice, and against what the exponential law says in closed form."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from simulated_instruments.amplifier.bias import Bias, idle_current
from simulated_instruments.amplifier.output_stage import THERMAL_VOLTAGE, Device, Half, OutputStage
from tests.simulated_instruments.amplifier.ngspice import transient

LOAD = 8.0


def stage(emitter_ohm: float, devices: int = 1, gain: float = 1e9) -> OutputStage:
    half = Half(devices=(Device(emitter_ohm),) * devices, current_gain=gain)
    return OutputStage(half, half, driver_ohm=0.0)


def solved(one: OutputStage, idle_a: float, peak_v: float, n: int = 4096) -> np.ndarray:
    """One period of the output for a sine drive of ``peak_v``: v_out + error(v_out / R) = drive, by interpolation."""
    v = np.linspace(-1.1 * peak_v, 1.1 * peak_v, 400001)
    table = one.crossover(idle_a)
    drive = v + table(v / LOAD)
    theta = 2 * np.pi * np.arange(n) / n
    return np.interp(peak_v * np.sin(theta), drive, v)


def levels_db(wave: np.ndarray, orders: range) -> np.ndarray:
    """Harmonics of one whole period, dB re its fundamental."""
    spectrum = np.abs(np.fft.rfft(wave)) / len(wave)
    with np.errstate(divide="ignore"):
        return 20 * np.log10(np.array([spectrum[k] for k in orders]) / spectrum[1])


def follower(peak_v: float, bias_v: float, emitter_ohm: float, saturation_a: float, saturation_lower_a: float) -> str:
    """A complementary emitter follower. Base currents are nothing (BF huge): the law of the junctions alone."""
    return f"""
.model up NPN(IS={saturation_a} BF=1e9 NF=1 VAF=1e9 TNOM=27.4)
.model down PNP(IS={saturation_lower_a} BF=1e9 NF=1 VAF=1e9 TNOM=27.4)
.options temp=27.4
Vcc vp 0 60
Vee vn 0 -60
Vin in 0 SIN(0 {peak_v} 1000)
Vb1 b1 in {bias_v}
Vb2 in b2 {bias_v}
Q1 vp b1 e1 up
Q2 vn b2 e2 down
R1 e1 out {emitter_ohm}
R2 e2 out {emitter_ohm}
RL out 0 {LOAD}
"""


CASES = [
    # peak drive V, idle A, emitter ohm, saturation currents upper, lower
    pytest.param(4.0, 0.1, 0.33, 1e-13, 1e-13, id="AB 1 W, 100 mA"),
    pytest.param(4.0, 0.02, 0.22, 1e-13, 1e-13, id="AB 1 W, 20 mA"),
    pytest.param(30.0, 0.05, 0.33, 1e-13, 1e-13, id="AB 56 W, 50 mA"),
    pytest.param(4.0, 1e-5, 0.22, 1e-13, 1e-13, id="class B 1 W"),
    pytest.param(20.0, 1e-5, 0.22, 1e-13, 1e-13, id="class B 25 W"),
]


@pytest.mark.needs("ngspice")
@pytest.mark.parametrize(("peak", "idle", "emitter", "upper", "lower"), CASES)
def test_harmonics_of_a_follower_agree_with_ngspice(tmp_path, peak, idle, emitter, upper, lower):
    """Harmonics 2 to 9 within 1 dB where above -90 dB. ngspice's kT/q at 27.4 C is the model's 25.9 mV."""
    bias = THERMAL_VOLTAGE * math.log(idle / upper) + idle * emitter
    wave = transient(
        follower(peak, bias, emitter, upper, lower), "v(out)", step=1e-3 / 4096, stop=3e-3, start=2e-3, folder=tmp_path
    )
    expected = levels_db(wave, range(2, 10))
    found = levels_db(solved(stage(emitter), idle, peak), range(2, 10))
    judged = expected > -90.0
    assert judged.sum() >= 2
    np.testing.assert_allclose(found[judged], expected[judged], atol=1.0)


@pytest.mark.needs("ngspice")
def test_unequal_halves_agree_with_ngspice(tmp_path):
    """Emitter resistors that differ make even harmonics: 0.33 ohm above, 1.0 ohm below."""
    idle, isat = 0.05, 1e-13
    bias = THERMAL_VOLTAGE * math.log(idle / isat) + idle * 0.33
    netlist = follower(8.0, bias, 0.33, isat, isat).replace("R2 e2 out 0.33", "R2 e2 out 1.0")
    wave = transient(netlist, "v(out)", step=1e-3 / 4096, stop=3e-3, start=2e-3, folder=tmp_path)
    upper, lower = Half(devices=(Device(0.33),), current_gain=1e9), Half(devices=(Device(1.0),), current_gain=1e9)
    table = OutputStage(upper, lower, driver_ohm=0.0).crossover(idle)
    v = np.linspace(-9.0, 9.0, 400001)
    out = np.interp(8.0 * np.sin(2 * np.pi * np.arange(4096) / 4096), v + table(v / LOAD), v)
    expected, found = levels_db(wave, range(2, 10)), levels_db(out, range(2, 10))
    judged = expected > -90.0
    np.testing.assert_allclose(found[judged], expected[judged], atol=1.0)
    assert expected[0] > -60.0, "the second harmonic is there to be compared"


def test_device_current_obeys_its_law():
    """v = Vt ln(i / idle) + (i - idle) R, put back into the exponential law."""
    half = Half(devices=(Device(0.33),))
    v = np.array([-0.3, -0.05, 0.0, 0.05, 0.5, 2.0])
    i = half.currents(v, 0.05, 0.33)[0]
    np.testing.assert_allclose(THERMAL_VOLTAGE * np.log(i / 0.05) + (i - 0.05) * 0.33, v, atol=1e-9)


def test_idle_current_solves_the_same_law():
    for extra in (-0.2, -0.03, 0.0, 0.02, 0.3):
        i = idle_current(0.05, extra, 0.33)
        assert THERMAL_VOLTAGE * math.log(i / 0.05) + (i - 0.05) * 0.33 == pytest.approx(extra, abs=1e-9)


def test_parallel_devices_halve_the_loss_at_high_current():
    one, two = stage(0.33, 1).crossover(0.05), stage(0.33, 2).crossover(0.05)
    big = np.array([5.0])
    # far from crossover the loss is Vt ln(i/idle) + (i - idle) R with i per device
    expected = lambda i: THERMAL_VOLTAGE * math.log(i / 0.05) + (i - 0.05) * 0.33  # noqa: E731
    assert float(one(big)[0]) == pytest.approx(expected(5.0), rel=0.01)
    assert float(two(big)[0]) == pytest.approx(expected(2.5), rel=0.01)


def test_half_wave_gain_mismatch_makes_the_published_distortion():
    """Halves whose gains before feedback are 1 and k: THD = 0.435 (1 - k) / (1 + k), the half-wave Fourier series
    (handbook relation; checked here by integration before the model is asked)."""
    theta = (np.arange(100000) + 0.5) / 100000 * 2 * np.pi
    s = np.sin(theta)
    k = 0.9
    wave = np.where(s > 0, s, k * s)
    fundamental = 2 * np.mean(wave * s)
    distortion = math.sqrt(2 * np.mean((wave - wave.mean()) ** 2) - fundamental**2) / fundamental
    assert distortion == pytest.approx(0.435 * (1 - k) / (1 + k), rel=2e-3)
    # the model: driver resistance over current gain, only the lower half's differs
    one = OutputStage(
        Half(devices=(Device(0.001),), current_gain=1e9), Half(devices=(Device(0.001),), current_gain=1000.0), 1000.0
    )
    table = one.crossover(0.02)  # what crossover there is lies far below the mismatch at 30 V
    v = np.linspace(-40, 40, 200001)
    drive = v + table(v / LOAD)
    out = np.interp(30.0 * s, drive, v)
    fundamental = 2 * np.mean(out * s)
    found = math.sqrt(2 * np.mean((out - out.mean()) ** 2) - fundamental**2) / fundamental
    lost = LOAD / (LOAD + 1.0)  # 1000 ohm over 1000 is one ohm before the lower half
    assert found == pytest.approx(0.435 * (1 - lost) / (1 + lost), rel=0.05)


def test_an_open_half_delivers_only_what_its_driver_can():
    half = Half(devices=(Device(open=True), Device(open=True)))
    assert half.reach_a == half.driver_only_a
    assert Half().reach_a == Half().limit_a
    assert Half(devices=(Device(open=True), Device())).reach_a == 0.5 * Half().limit_a


@pytest.mark.parametrize("tracking", [0.0, 0.5, 1.0])
def test_bias_tracks_the_heatsink(tracking):
    """40 K more on sink and junction alike: 2.1 mV/K times what the sensor leaves uncorrected."""
    bias = replace(Bias(), tracking=tracking)
    hot = bias.idle(bias.junction_k + 40.0, bias.sink_k + 40.0, 0.33)
    assert hot == pytest.approx(idle_current(bias.idle_a, 2.1e-3 * 40.0 * (1.0 - tracking), 0.33), rel=1e-9)
