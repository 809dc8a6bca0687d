"""The analogue side against closed forms: loading, bandwidth, integration, foreign volts in ohms, errors and noise."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchtest.instruments.accuracy import standard_uncertainty
from benchtest.instruments.protocols import Function
from simulated_instruments.meter_front_end import RANGES, SIMULATED_ACCURACY, FrontEnd, ac_response


class Leads:
    lead_ohm = 0.2

    def __init__(self, dc=0.0, ac_rms=0.0, ac_frequency_hz=0.0, source_ohm=0.0, ohm=math.inf):
        self.dc, self.ac_rms, self.ac_frequency_hz, self.source_ohm = dc, ac_rms, ac_frequency_hz, source_ohm
        self.ohm = ohm

    def probe(self):
        return self

    def resistance(self):
        return self.ohm + self.lead_ohm


def sample(function, leads, *, full_scale=None, line_cycles=10.0, seed=0, last=None, front=None, **more):
    front = front or FrontEnd(np.random.default_rng(seed))
    return front.sample(
        function, leads, range=full_scale, last_range=last or RANGES[function][0], line_cycles=line_cycles,
        resolution=1e-7, **more,
    )  # fmt: skip


CASES = [
    (Function.DC_VOLTS, "dc", 0.08, 0.1), (Function.DC_VOLTS, "dc", -0.8, 1.0), (Function.DC_VOLTS, "dc", 8.0, 10.0),
    (Function.DC_VOLTS, "dc", 60.0, 100.0), (Function.DC_VOLTS, "dc", 325.0, 1000.0),
    (Function.AC_VOLTS, "ac_rms", 0.05, 0.1), (Function.AC_VOLTS, "ac_rms", 2.83, 10.0),
    (Function.AC_VOLTS, "ac_rms", 230.0, 750.0), (Function.RESISTANCE_4W, "ohm", 8.0, 100.0),
    (Function.RESISTANCE_4W, "ohm", 4700.0, 10e3), (Function.RESISTANCE_4W, "ohm", 1e6, 1e6),
]  # fmt: skip


@pytest.mark.parametrize(("function", "what", "truth", "full_scale"), CASES)
@pytest.mark.parametrize("frequency", [45.0, 1000.0, 20e3])
def test_every_meter_keeps_its_statement(function, what, truth, full_scale, frequency):
    row = next(r for r in SIMULATED_ACCURACY if (r.function, r.range) == (function, full_scale) and r.covers(frequency))
    shares = []
    for seed in range(60):
        leads = Leads(**{what: truth, **({"ac_frequency_hz": frequency} if what == "ac_rms" else {})})
        taken = sample(function, leads, full_scale=full_scale, seed=seed)
        shares.append((taken.value - truth) / row.limits(truth, full_scale))
    assert max(map(abs, shares)) <= 1.0
    assert np.std(shares) > 0.2  # and meters differ from each other


def test_errors_spread_as_the_stated_uncertainty_says():
    # Gain and zero are uniform within 0.8 of the statement each, so the standard deviation of the sum of the two is
    # hypot(0.8 p, 0.8 q) / sqrt(3); the driver's rectangular u takes p + q, so it is never smaller.
    p, q = 0.0035e-2 * 8.0, 0.0005e-2 * 10.0
    values = [sample(Function.DC_VOLTS, Leads(dc=8.0), full_scale=10.0, seed=seed).value for seed in range(400)]
    expected = 0.8 * math.hypot(p, q) / math.sqrt(3)
    assert np.std(values) == pytest.approx(expected, rel=0.12)  # 400 draws: 1 sigma of a standard deviation is 3.5 %
    assert np.std(values) < standard_uncertainty(SIMULATED_ACCURACY, Function.DC_VOLTS, 8.0, 10.0)


def test_one_meter_keeps_its_error():
    front = FrontEnd(np.random.default_rng(3))
    values = [sample(Function.DC_VOLTS, Leads(dc=8.0), full_scale=10.0, front=front).value for _ in range(50)]
    assert np.std(values) < 3 * 0.5e-6 * 10.0  # only noise is left


def test_noise_falls_with_the_root_of_the_integration_time():
    def spread(line_cycles):
        front = FrontEnd(np.random.default_rng(3))
        taken = [
            sample(Function.DC_VOLTS, Leads(), full_scale=10.0, line_cycles=line_cycles, front=front)
            for _ in range(400)
        ]
        return np.std([each.value for each in taken])

    assert spread(1.0) / spread(100.0) == pytest.approx(10.0, rel=0.2)


def test_ten_megohm_load_a_high_source():
    taken = sample(Function.DC_VOLTS, Leads(dc=1.0, source_ohm=10e6), full_scale=1.0)
    assert taken.value == pytest.approx(0.5, rel=1e-3)
    unloaded = sample(Function.DC_VOLTS, Leads(dc=1.0, source_ohm=10e6), full_scale=1.0, high_impedance=True)
    assert unloaded.value == pytest.approx(1.0, rel=1e-3)


def test_leads_on_nothing_show_nothing():
    leads = Leads(dc=5.0, ac_rms=1.0, ac_frequency_hz=50.0, source_ohm=math.inf)
    assert abs(sample(Function.DC_VOLTS, leads, full_scale=1.0).value) < 1e-4


def test_whole_cycles_reject_the_mains():
    ripple = Leads(dc=30.0, ac_rms=1.0, ac_frequency_hz=100.0)
    taken = sample(Function.DC_VOLTS, ripple, full_scale=100.0, line_cycles=1.0)
    assert taken.value == pytest.approx(30.0, abs=0.005)


def test_a_broken_cycle_lets_a_sinc_of_it_through():
    front = FrontEnd(np.random.default_rng(0))
    leads = Leads(ac_rms=1.0, ac_frequency_hz=50.0)
    taken = [sample(Function.DC_VOLTS, leads, full_scale=10.0, line_cycles=0.2, front=front).value for _ in range(3000)]
    # integral of a sine of random phase over a fifth of its period: rms of it is |sin(x)/x|, x = pi/5
    assert np.sqrt(np.mean(np.square(taken))) == pytest.approx(math.sin(math.pi / 5) / (math.pi / 5), rel=0.03)


@pytest.mark.parametrize(
    ("frequency", "low"), [(20.0, 0.99), (45.0, 0.9995), (1e3, 0.9999), (20e3, 0.9999), (1e5, 0.99)]
)
def test_ac_is_flat_inside_its_band(frequency, low):
    assert low <= ac_response(frequency) <= 1.0


@pytest.mark.parametrize("frequency", [0.0, 1.0, 1e6])
def test_ac_falls_outside_its_band(frequency):
    assert ac_response(frequency) < 0.2


def test_ac_is_blind_to_dc():
    taken = sample(Function.AC_VOLTS, Leads(dc=35.0, ac_rms=0.5, ac_frequency_hz=1e3), full_scale=1.0)
    assert taken.value == pytest.approx(0.5, rel=1e-3)


def test_two_wire_ohms_contain_the_leads():
    leads = Leads(ohm=8.0)
    assert sample(Function.RESISTANCE, leads, full_scale=100.0).value == pytest.approx(8.2, abs=0.01)
    assert sample(Function.RESISTANCE_4W, leads, full_scale=100.0).value == pytest.approx(8.0, abs=0.01)


def test_volts_on_the_leads_spoil_ohms():
    # 1 mA test current on the 100 ohm range: 10 mV look like 10 ohm; reversed they take them away
    assert sample(Function.RESISTANCE, Leads(ohm=8.0, dc=0.01), full_scale=100.0).value == pytest.approx(18.2, abs=0.01)
    assert sample(Function.RESISTANCE, Leads(ohm=8.0, dc=-0.01), full_scale=100.0).value == pytest.approx(
        -1.8, abs=0.01
    )
    assert math.isinf(sample(Function.RESISTANCE, Leads(ohm=8.0, dc=35.0)).value)


def test_autorange_goes_up_at_once_and_down_below_a_tenth():
    front = FrontEnd(np.random.default_rng(1))
    last, seen = 0.1, []
    for volts in (0.05, 0.13, 0.11, 0.09, 35.0, 11.0, 9.0):
        last = sample(Function.DC_VOLTS, Leads(dc=volts), last=last, front=front).range
        seen.append(last)
    assert seen == [0.1, 1.0, 1.0, 0.1, 100.0, 100.0, 10.0]


def test_more_than_the_top_range_is_an_overload():
    assert math.isinf(sample(Function.DC_VOLTS, Leads(dc=1100.0)).value)
    assert sample(Function.DC_VOLTS, Leads(dc=-1100.0)).value == -math.inf
    assert math.isinf(sample(Function.DC_VOLTS, Leads(dc=0.13), full_scale=0.1).value)


def test_current_flows_through_the_shunt():
    taken = sample(Function.DC_CURRENT, Leads(dc=1.0, source_ohm=99.9), full_scale=1.0)
    assert taken.value == pytest.approx(1.0 / 100.0, rel=0.02)  # Ohm's law with a shunt of 0.1 ohm; zero 0.1 mA


def test_the_same_seed_makes_the_same_meter():
    one, two = (sample(Function.DC_VOLTS, Leads(dc=5.0), seed=9).value for _ in range(2))
    assert one == two
