"""Every measurement runs on the simulated bench, and those that the coverage trials leave out are held to a truth here."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from benchtest import measure
from benchtest.quantities import QUANTITIES
from benchtest.reading import Reading, Verdict
from benchtest.records import Curve
from tests.measurements.known_bench import KnownBench


def readings(items, quantity: str) -> list[Reading]:
    return [r for r in items if isinstance(r, Reading) and r.quantity == quantity]


def parts_add_up(reading: Reading) -> bool:
    """The root of the sum of squares of the parts, times the coverage factor, is what is stated."""
    whole = reading.coverage_factor * math.hypot(*reading.budget.values())
    return math.isclose(whole, reading.expanded_uncertainty, rel_tol=1e-9)


def to_half_power(bench: KnownBench, channel: str = "left") -> KnownBench:
    limits = bench.bench.drive_limits()
    level = math.sqrt(8.0)
    while level < limits.rated_v() / math.sqrt(2.0) * 0.999:
        level = min(bench.bench.highest_output([channel]), limits.rated_v() / math.sqrt(2.0))
        bench.bench.tone(level, [channel], hold_s=0.3, window_s=0.1)
    return bench


def test_every_quantity_that_is_measured_is_in_the_vocabulary_with_its_unit(known):
    bench = known().loads_measured().ready(warm_s=600.0).risen()
    b = bench.bench
    swept = {c: measure.sweep(b, c) for c in b.channels}
    gains = measure.gain(b)
    items = [
        *gains, *measure.input_sensitivity(b, gains), *measure.rail_ripple(b), *measure.balance_vs_frequency(b, swept),
        *measure.frequency_response(b, swept["left"], "left"), *measure.separation(b, swept),
        *measure.phono_equalisation(b, swept["left"], "left"), *measure.slew_rate(b, "left"),
        *measure.tone_controls(b, swept["left"], swept["left"], "left", setting="flat"),
        *measure.thd_vs_frequency(b, "left", (1000.0, 6300.0)), *measure.thd_vs_level(b, "left"),
        measure.intermodulation(b, "left", "60+7000"), measure.intermodulation(b, "left", "19000+20000"),
        *measure.ripple_under_load(b, "left"), *measure.noise_and_hum(b, "here"), *measure.level_agreement(b),
        *measure.distortion(b, "left", "1 W"), *measure.thd_high(b, swept["left"], "left"), *measure.warm_up(b, (0, 30))[0],
        *measure.rail_voltages(b, "idle"), *measure.dc_offsets(b, "warm"), measure.crosstalk(b, "left", 1000.0),
        *measure.loaded_difference(b, {"left": 0.01}, {"left": 0.02}), *measure.turn_off_transient(b, seconds=1.0),
    ]  # fmt: skip
    seen = [item for item in items if isinstance(item, Reading)]
    assert {r.quantity for r in seen} <= set(QUANTITIES)
    assert all(r.unit == QUANTITIES[r.quantity].unit for r in seen)
    assert all(r.method for r in seen)
    assert {r.quantity for r in seen if r.expanded_uncertainty and not parts_add_up(r)} == set()
    curves = [item for item in items if isinstance(item, Curve)]
    assert all(len({len(column) for column in curve.columns.values()}) == 1 for curve in curves)


def test_what_cannot_be_taken_says_why(known):
    """No DC check has passed: nothing is driven, and each measurement says so instead of giving a number."""
    bench = known()
    b = bench.bench
    b.hook_up(load="load", inputs="sound_card", volume="full")
    b.mains_on()
    taken = [
        *measure.gain(b), measure.crosstalk(b, "left", 1000.0), *measure.thd_vs_level(b, "left"),
        *measure.slew_rate(b, "left"), measure.intermodulation(b, "left", "60+7000"), measure.dynamic_headroom(b, "left"),
        *measure.output_impedance(b, measure.gains(b), measure.gains(b)), *measure.power_bandwidth(b, "left"),
        *measure.separation(b, {c: measure.sweep(b, c) for c in b.channels}),
    ]  # fmt: skip
    assert {r.verdict for r in taken} == {Verdict.NOT_MEASURED}
    assert all(r.value is None and r.note for r in taken)


@pytest.mark.parametrize("seed", range(2))
def test_mute_delay_is_the_relays(known, seed):
    bench = known(seed=seed)
    bench.bench.hook_up(lamp="out", load="load", inputs="shorted", volume="full")
    found = measure.turn_on_transient(bench.bench, seconds=8.0)
    for reading in readings(found, "mute_delay"):
        # the relay counts from the moment that its rail stands, some tenths of a second after the mains
        assert bench.design.relay.delay_s - 0.05 <= reading.value <= bench.design.relay.delay_s + 1.0


def test_a_band_edge_is_found_where_a_capacitor_put_it(known):
    """Coupling capacitors of 22 nF into 20 kilohm: 361.7 Hz by 1 / (2 pi R C), far above everything else in the path."""

    def small_capacitors(design):
        left = replace(design.left, coupling=replace(design.left.coupling, capacitance_f=22e-9))
        return replace(design, left=left)

    bench = known(design=small_capacitors).ready().risen()
    found = measure.frequency_response(bench.bench, measure.sweep(bench.bench, "left"), "left")
    edge = readings(found, "frequency_limit")[0]
    # re 1 kHz, where the same high-pass has already taken 0.53 dB: solve 1 + (fc/f)^2 = 2 (1 + (fc/1000)^2)
    corner = 1 / (2 * math.pi * 20e3 * 22e-9)
    true = corner / math.sqrt(2 * (1 + (corner / 1000.0) ** 2) - 1)
    assert edge.value == pytest.approx(true, rel=0.01)


def test_input_impedance_by_a_series_resistor(known):
    """The sound card's output resistance raised by 10 kilohm is that resistor; 33.47 kilohm lie behind it."""
    bench = known().ready()
    straight = measure.gains(bench.bench)
    truth = bench.simulated.truth
    raised = replace(truth.converters, output_ohm=truth.converters.output_ohm + 10e3)
    bench.simulated.truth = replace(truth, converters=raised)
    bench.simulated._connect_inputs()
    bench.bench.hook_up(inputs="sound_card")
    through = measure.gains(bench.bench)
    for reading in measure.input_impedance(bench.bench, straight, through, series_ohm=10e3):
        path = bench.design.selector.left
        assert abs(reading.value - (path.resistance_ohm + path.series_ohm)) <= reading.expanded_uncertainty


def test_idle_current_from_the_emitter_resistor(known):
    bench = known()
    b = bench.bench
    b.hook_up(lamp="out", load="1 kilohm", inputs="shorted", volume="minimum")
    b.move_meter("left_emitter_resistor_1")
    b.mains_on()
    b.sleep(900.0)
    reading = measure.idle_current(b, "left", 1)
    assert abs(reading.value - bench.amplifier.channels[0].idle_a) <= reading.expanded_uncertainty


def test_dynamic_headroom_says_at_least_where_the_sound_card_ends_first(known):
    bench = to_half_power(known().loads_measured().ready().risen())
    reading = measure.dynamic_headroom(bench.bench, "left")
    assert reading.value is not None
    top = bench.bench.drive_limits().highest_burst_v(0, 8.0)
    assert reading.value <= 10 * math.log10(top**2 / bench.bench.load_ohm["left"] / 60.0) + 0.05
    assert ("at least" in reading.note) == (reading.level is not None and reading.level > 0.98 * top)


def test_power_bandwidth_reaches_the_ends_of_the_band(known):
    bench = to_half_power(known().loads_measured().ready().risen())
    found = readings(measure.power_bandwidth(bench.bench, "left"), "power_bandwidth")
    assert [r.conditions["edge"] for r in found] == ["low", "high"]
    assert found[0].value <= 31.5
    assert found[1].value >= 10e3
