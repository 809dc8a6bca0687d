"""Readings against the truth: offset, gain, balance, power at 1 % THD, THD at 1 W; ten seeds each.

The truth is a closed form in the drawn component values, or the noise-free amplifier played in the test and taken apart
by Fourier sums; see ``known_bench``. No number here comes from an analysis of the project.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize

from benchtest import measure
from simulated_instruments.meter_front_end import SIMULATED_ACCURACY
from tests.measurements.known_bench import DEMO, KnownBench
from tests.simulated_instruments.amplifier.playing import RATE, StiffSupply, line

SEEDS = range(10)
CLEAN = {"output_h2_db": -140.0, "output_h3_db": -140.0, "input_h2_db": -140.0, "input_h3_db": -140.0}
"""A sound card whose own distortion is far more than 30 dB below what is measured here."""


ROOM = DEMO.model_copy(update={"rated_power_w": 66.0})
"""The ramp ends at 1.3 times rated power: rated a little higher, every drawn amplifier reaches 1 % THD before."""


def accuracy_limit(volts: float) -> float:
    """What the statement of the simulated meter's DC ranges allows: percent of reading plus percent of range."""
    rows = [row for row in SIMULATED_ACCURACY if row.function == "dc_volts" and row.range >= abs(volts)]
    row = min(rows, key=lambda one: one.range)
    return row.percent_of_reading / 100 * abs(volts) + row.percent_of_range / 100 * row.range


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("load", ["1 kilohm", "load"])
def test_offset_within_the_meters_accuracy(known, seed, load):
    bench = known(seed=seed).hooked_up(load, warm_s=3600.0)  # as warm as it gets: it does not drift while it is read
    readings = measure.dc_offsets(bench.bench, "here")
    for c, reading in enumerate(readings):
        assert abs(reading.value - bench.offset(c)) <= accuracy_limit(reading.value), reading


@pytest.mark.parametrize("seed", SEEDS)
def test_gain_and_balance_within_0_02_db(known, seed):
    bench = known(seed=seed).ready(warm_s=120.0)
    left, right, balance = measure.gain(bench.bench)
    true = [20 * math.log10(abs(bench.gain(c))) for c in (0, 1)]
    assert left.value == pytest.approx(true[0], abs=0.02)
    assert right.value == pytest.approx(true[1], abs=0.02)
    assert balance.value == pytest.approx(true[1] - true[0], abs=0.02)


# --------------------------------------------------------------------------------------------- power at 1 % THD


def clipped_sine(c: float) -> tuple[float, float]:
    """First harmonic of a unit sine clipped at +-c, and its THD (all harmonics).

    b1 = (2/pi)(a + c sqrt(1 - c^2)), a = asin c; mean square (2/pi)(a/2 - sin(2a)/4 + c^2 (pi/2 - a)). Textbook Fourier
    integrals (Blagouchine and Moreau, IEEE Trans. Commun. 59(9), 2011, treat the like); c = 0.98: 0.996615, 0.00657243.
    """
    a = math.asin(c)
    first = 2 / math.pi * (a + c * math.sqrt(1 - c * c))
    square = 2 / math.pi * (a / 2 - math.sin(2 * a) / 4 + c * c * (math.pi / 2 - a))
    return first, math.sqrt(2 * square / first**2 - 1)


def clipped_sine_in_band(c: float, orders: range) -> float:
    """Its THD with the odd harmonics up to the end of the band only: bn of the same table."""

    def harmonic(n: int) -> float:
        a = math.asin(c)
        return 2 / (math.pi * n) * (math.sin((n - 1) * a) / (n - 1) + math.sin((n + 1) * a) / (n + 1))

    first, _ = clipped_sine(c)
    return math.sqrt(sum(harmonic(n) ** 2 for n in orders)) / first


def test_the_closed_forms_here_give_the_table():
    assert clipped_sine(0.98)[0] == pytest.approx(0.996615, abs=1e-6)
    assert clipped_sine(0.98)[1] == pytest.approx(0.00657243, abs=1e-8)
    assert clipped_sine_in_band(0.98, range(3, 20001, 2)) == pytest.approx(0.00657243, abs=1e-7)


@pytest.mark.parametrize("seed", SEEDS)
def test_power_at_1_percent_thd_on_stiff_rails_is_that_of_a_clipped_sine(known, seed):
    """Rails that nothing moves: the output is cut at the rail less its saturation, and THD to 20 kHz tells how deep."""
    bench = known(seed=seed, supply=StiffSupply(36.0, -36.0)).loads_measured().ready()
    found = measure.output_power(bench.bench, ("left",), target_thd=0.01)
    c = optimize.brentq(lambda level: clipped_sine_in_band(level, range(3, 21, 2)) - 0.01, 0.9, 0.999)
    half = bench.design.left.output_stage.upper
    total = bench.load_ohm(0) + bench.series_ohm(0)
    top = (36.0 - half.saturation_v) * total / (total + half.saturation_ohm)
    volts = top / c * clipped_sine(c)[0] * bench.share(0) / math.sqrt(2)
    assert found[0].value == pytest.approx(volts**2 / bench.load_ohm(0), rel=0.01)


def power_at(bench: KnownBench, target: float, driven: tuple[int, ...], channel: int, hold_s: float) -> float:
    """V^2/R where the noise-free amplifier's THD crosses the target, found by bisection on the amplifier itself."""
    gains = [abs(bench.gain(c)) for c in (0, 1)]

    def played(volts: float) -> np.ndarray:
        inputs = tuple(volts / gains[c] if c in driven else 0.0 for c in (0, 1))
        return bench.terminals(1000.0, inputs, hold_s=hold_s)[:, channel]

    at = optimize.brentq(lambda v: math.log(bench.thd(played(v), 1000.0) / target), 20.0, 30.0, xtol=2e-3)
    return abs(line(played(at)[-round(0.1 * RATE) :], 1000.0)) ** 2 / bench.load_ohm(channel)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("channels", [("left",), ("left", "right")])
def test_power_at_1_percent_thd_within_1_percent(known, seed, channels):
    bench = known(seed=seed, spec=ROOM).loads_measured().ready(warm_s=120.0)
    if len(channels) == 2:
        measure.output_power(bench.bench, ("right",), target_thd=0.01)
    found = measure.output_power(bench.bench, channels, target_thd=0.01)
    driven = tuple(("left", "right").index(c) for c in channels)
    true = power_at(bench, 0.01, driven, 0, hold_s=0.25)  # a step's length, so that the rails sag as far
    reading = next(r for r in found if getattr(r, "quantity", "") == "output_power" and r.channel == "left")
    assert reading.value == pytest.approx(true, rel=0.01)


# --------------------------------------------------------------------------------------------- THD at 1 W


def bent(design):
    """The voltage stage bends more than anything else: error = even v^2 inside the loop. The output stage's halves are
    alike, so that they make no second harmonic of their own."""

    def channel(d):
        stage = replace(d.output_stage, lower=d.output_stage.upper)
        return replace(d, gain_stage=replace(d.gain_stage, even_per_v=0.1), output_stage=stage)

    return replace(design, left=channel(design.left), right=channel(design.right))


@pytest.mark.parametrize("seed", SEEDS)
def test_thd_of_a_bent_stage_is_its_second_harmonic(known, seed):
    """even v^2 of a sine of peak V has the second harmonic even V^2 / 2, divided by one plus the loop gain at 2 kHz."""
    bench = known(seed=seed, design=bent, converters=CLEAN).ready().risen()
    for c, channel in enumerate(bench.bench.channels):
        reading = measure.distortion(bench.bench, channel, "1 W")[0]
        peak = math.sqrt(2) * reading.level / bench.share(c)
        # the input pair's imbalance adds its own 2e-4 of second order
        even = 0.1 + 2e-4 * bench.design.channels[c].input_stage.imbalance
        true = even * peak / 2 / abs(1 + bench.loop_gain(c, 2000.0))
        assert 20 * math.log10(reading.value / 100 / true) == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize("seed", SEEDS)
def test_thd_at_1_w_within_0_3_db(known, seed):
    """The healthy amplifier: crossover and curvature together, against its own terminals without noise."""
    bench = known(seed=seed, converters=CLEAN).ready(warm_s=1800.0).risen()
    for c, channel in enumerate(bench.bench.channels):
        reading = measure.distortion(bench.bench, channel, "1 W")[0]
        inputs = [0.0, 0.0]
        inputs[c] = reading.level / abs(bench.gain(c))
        true = bench.thd(bench.terminals(1000.0, tuple(inputs), hold_s=0.3)[:, c], 1000.0)
        assert 20 * math.log10(reading.value / 100 / true) == pytest.approx(0.0, abs=0.3)
