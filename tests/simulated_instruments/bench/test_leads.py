"""What a meter finds at the points that belong to the bench, and what the dummy load does."""

from __future__ import annotations

import math

import pytest

from benchtest.instruments.test_points import TEST_POINTS
from simulated_instruments.dummy_load import DummyLoad

RATE = 96000


def at(bench, point):
    bench.move_leads("bench meter", point)
    return bench.leads["bench meter"]


def test_leads_held_together_show_their_own_resistance(bench):
    leads = at(bench, "leads_shorted")
    assert leads.probe().dc == 0.0
    assert leads.resistance() == bench.truth.lead_ohm["bench meter"]


def test_the_dummy_load_in_ohms(bench):
    bench.switch_mains(False)
    assert at(bench, "left_load").resistance() == bench.loads[0].ohm + bench.truth.lead_ohm["bench meter"]
    assert at(bench, "right_load").resistance() == pytest.approx(bench.truth.load_ohm[1] + 0.2, abs=0.15)


def test_the_load_shows_the_output_only_while_it_is_connected(bench):
    connected = at(bench, "left_load").probe().dc
    assert connected == bench.leads["left meter"].probe().dc
    bench.connect_load("none")
    assert at(bench, "left_load").probe().dc == 0.0


def test_the_dc_watch_weighs_left_and_right(bench):
    """100 k and 47 k: weights 0.3197 and 0.6803; the source is both in parallel, 32 k."""
    left, right = (bench.leads[f"{channel} meter"].probe().dc for channel in ("left", "right"))
    watch = bench.leads["watch meter"].probe()
    assert watch.dc == pytest.approx(left * 47 / 147 + right * 100 / 147, abs=1e-9)
    assert watch.source_ohm == pytest.approx(100e3 * 47e3 / 147e3)


def test_the_dc_watch_hears_no_tone(bench, tone):
    bench.audio().begin(tone(1000.0, 9600), repeat=10, record=(0, 10))
    bench.clock.sleep(0.5)
    assert bench.leads["left meter"].probe().ac_rms > 0.1
    assert bench.leads["watch meter"].probe().ac_rms < 1e-5 * bench.leads["left meter"].probe().ac_rms
    bench.audio().finish()


def test_the_sound_cards_output_is_its_full_scale_times_the_level(bench, tone):
    leads = at(bench, "sound_card_output")
    bench.audio().begin(tone(400.0, 9600, 0.5), repeat=10, record=(0, 10))
    bench.clock.sleep(0.5)
    probe = leads.probe()
    assert probe.ac_rms == pytest.approx(0.5 / math.sqrt(2) * bench.truth.converters.output_full_scale_v[0], rel=1e-4)
    assert at(bench, "sound_card_output_right").probe().ac_rms == pytest.approx(
        0.5 / math.sqrt(2) * bench.truth.converters.output_full_scale_v[1], rel=1e-4
    )
    bench.audio().finish()
    assert leads.probe().ac_rms == 0.0


def test_the_sound_cards_input_is_behind_the_divider(bench, tone):
    bench.audio().begin(tone(1000.0, 9600), repeat=10, record=(0, 10))
    bench.clock.sleep(0.5)
    output = bench.leads["right meter"].probe().ac_rms
    assert at(bench, "sound_card_input_right").probe().ac_rms == pytest.approx(output / bench.truth.input_divider[1])
    bench.audio().finish()


def test_every_test_point_can_be_probed(bench):
    for point in TEST_POINTS:
        probe = at(bench, point).probe()
        assert math.isfinite(probe.dc)
        assert probe.ac_rms >= 0.0


def test_ohms_on_something_live_is_noted(bench):
    bench.unsafe_acts.clear()
    at(bench, "rail_positive").resistance()
    assert any("ohms at rail_positive" in act for act in bench.unsafe_acts)


def test_the_load_warms_by_a_first_order_law():
    load = DummyLoad(8.0)
    load.warm(50.0, 120.0)
    assert load.rise == pytest.approx(30.0 * (1 - math.exp(-1)))
    halves = DummyLoad(8.0)
    for _ in range(10):
        halves.warm(50.0, 12.0)
    assert halves.rise == pytest.approx(load.rise)  # the same however it is divided
