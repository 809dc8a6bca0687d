"""The catalogue: complete, named without channels, drawn from the seed alone, and harmless to run."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from benchtest.instruments.test_points import TEST_POINTS
from simulated_instruments.amplifier import Amplifier, Drive, demo_amplifier, with_tolerances
from simulated_instruments.faults import NO_CHANGE, SCENARIOS, Scenario

# The sound card's ends, resistors in the rails, leads held together, the second load and a person's own points are the bench's.
AMPLIFIER_POINTS = [
    p
    for p in TEST_POINTS
    if not p.startswith(("sound_card", "rail_resistor", "leads")) and not p.endswith(("_listed_point", "_second_load"))
]


def broken(scenario: Scenario, channel: str = "left", seed: int = 0):
    design = with_tolerances(demo_amplifier(), np.random.default_rng(seed))
    return scenario.apply(design, channel, np.random.default_rng([seed, 1]))


def test_every_row_of_the_signature_table_has_a_scenario():
    assert {row for scenario in SCENARIOS.values() for row in scenario.rows} == set(range(1, 35))


def test_names_say_neither_channel_nor_anything_twice():
    for name, scenario in SCENARIOS.items():
        assert name == scenario.name == name.lower().replace(" ", "-")
        assert "left" not in name
        assert "right" not in name
        assert scenario.one_line
        assert scenario.detectable
        assert scenario.group
    groups = [scenario.group for scenario in SCENARIOS.values()]
    assert groups == sorted(groups, key=groups.index), "listed group by group"


def test_some_are_intermittent_some_in_pairs_some_on_the_bench():
    assert sum(s.intermittent for s in SCENARIOS.values()) >= 4
    assert {"speaker-fuse-and-shorted-cable", "relay-contact-and-joint"} <= set(SCENARIOS)
    bench = {name for name, s in SCENARIOS.items() if s.where == "bench"}
    assert bench == {
        "ground-loop", "leads-swapped", "divider-wrong", "load-open", "meter-lead-off", "calibration-stale",
    }  # fmt: skip


@pytest.mark.parametrize("name", SCENARIOS)
def test_the_seed_decides_everything(name):
    scenario = SCENARIOS[name]
    assert broken(scenario, seed=3) == broken(scenario, seed=3)
    rngs = [np.random.default_rng(3) for _ in range(2)]
    assert scenario.change_bench("left", rngs[0]) == scenario.change_bench("left", rngs[1])


@pytest.mark.parametrize("name", SCENARIOS)
def test_the_other_channel_is_left_alone(name):
    scenario = SCENARIOS[name]
    if scenario.channels == "both" or scenario.where == "bench" or name == "healthy":
        return
    healthy = with_tolerances(demo_amplifier(), np.random.default_rng(0))
    for channel, other in (("left", "right"), ("right", "left")):
        design = broken(scenario, channel)
        if name != "bridged-half-dead":
            assert getattr(design, other) == getattr(healthy, other)
            assert getattr(design.relay, other) == getattr(healthy.relay, other)
            assert getattr(design.selector, other) == getattr(healthy.selector, other)
        assert design != healthy


@pytest.mark.parametrize("name", [n for n, s in SCENARIOS.items() if s.where == "bench"])
def test_bench_faults_change_the_bench_and_not_the_amplifier(name):
    scenario = SCENARIOS[name]
    healthy = with_tolerances(demo_amplifier(), np.random.default_rng(0))
    assert broken(scenario) == healthy
    assert scenario.change_bench("left", np.random.default_rng(0)) != NO_CHANGE


@pytest.mark.parametrize("name", SCENARIOS)
def test_runs_through_a_whole_session_without_a_number_that_is_none(name):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        amplifier = Amplifier(broken(SCENARIOS[name], seed=5), rng=np.random.default_rng(5))
        amplifier.connect_load(1000.0, 1000.0)
        amplifier.connect_inputs("shorted")
        for point in AMPLIFIER_POINTS:
            assert amplifier.resistance(point) >= 0.0
        amplifier.insert_lamp(60.0)
        amplifier.switch_mains(True)
        amplifier.advance(8.0)
        amplifier.switch_mains(False)
        amplifier.advance(30.0)
        amplifier.insert_lamp(None)
        amplifier.switch_mains(True)
        amplifier.advance(20.0)
        probes = [amplifier.probe(point) for point in AMPLIFIER_POINTS]
        amplifier.connect_load(8.0, 8.0)
        amplifier.connect_inputs("source")
        amplifier.set_volume(0.0)
        amplifier.advance(5.0, Drive((0.1, 0.1)))
        probes += [amplifier.probe(point, Drive((0.1, 0.1))) for point in AMPLIFIER_POINTS]
        t = np.arange(9600) / 96000.0
        for volts in (0.075, 0.7):
            y = amplifier.render(np.tile(volts * np.sin(2 * np.pi * 1000 * t)[:, None], (1, 2)), 96000.0)
            assert np.isfinite(y).all()
            assert np.abs(y).max() < 120.0
        amplifier.switch_mains(False)
        assert np.isfinite(amplifier.render(np.zeros((9600, 2)), 96000.0)).all()
        amplifier.advance(120.0)
        for probe in probes:
            assert math.isfinite(probe.dc)
            assert math.isfinite(probe.ac_rms)
            assert probe.ac_rms >= 0.0
