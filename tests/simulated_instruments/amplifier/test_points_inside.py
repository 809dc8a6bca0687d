"""Points inside that tell look-alikes apart: what a meter finds there follows from the components."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from simulated_instruments.amplifier import Amplifier, demo_amplifier
from simulated_instruments.faults.scenario import with_channel, with_contact, with_devices, with_half


def warmed(design, seconds: float = 20.0) -> Amplifier:
    amplifier = Amplifier(design, rng=np.random.default_rng(1), noise_scale=0.0)
    amplifier.connect_load(1e3, 1e3)
    amplifier.connect_inputs("shorted")
    amplifier.set_volume(-math.inf)
    amplifier.switch_mains(True)
    amplifier.advance(seconds)
    return amplifier


@pytest.mark.parametrize("leak_ohm", [math.inf, 120.0, 0.0])
def test_a_feedback_capacitor_holds_the_output_less_what_leaks(leak_ohm):
    # the divider series - (shunt + leak) at DC; without a leak no current flows and all of the output stands across it
    design = demo_amplifier()
    feedback = replace(design.left.feedback, leak_ohm=leak_ohm)
    amplifier = warmed(with_channel(design, "left", feedback=feedback))
    whole = amplifier.probe("left_amplifier_output").dc
    leaks = 1.0 if math.isinf(leak_ohm) else leak_ohm / (feedback.series_ohm + feedback.shunt_ohm + leak_ohm)
    assert amplifier.probe("left_feedback_capacitor").dc == pytest.approx(whole * leaks, abs=1e-12)


def test_an_open_headphone_switch_has_the_output_across_it_and_reads_open_when_dead():
    design = demo_amplifier()
    amplifier = warmed(replace(design, headphones=replace(design.headphones, left_open=True)))
    assert amplifier.probe("left_headphone_switch").dc == amplifier.probe("left_amplifier_output").dc
    assert amplifier.probe("left_relay_contact").dc == 0.0
    amplifier.switch_mains(False)
    assert math.isinf(amplifier.resistance("left_headphone_switch"))
    assert amplifier.resistance("right_headphone_switch") < 0.1


def test_a_shorted_device_reads_next_to_nothing_and_its_fellows_do_not():
    design = with_half(
        demo_amplifier(), "right", True, lambda half: with_devices(half, lambda d: replace(d, shorted=True), 1)
    )
    amplifier = Amplifier(design, rng=np.random.default_rng(1))
    ohms = {
        f"{c}_{s}": amplifier.resistance(f"{c}_output_devices_{s}")
        for c in ("left", "right")
        for s in ("positive", "negative")
    }
    assert ohms.pop("right_positive") < 1.0
    assert min(ohms.values()) > 1e3


def test_a_held_relay_shows_its_contact_and_the_film_on_it():
    design = with_contact(demo_amplifier(), "left", ohm=0.4, film_v=0.16, film_a=0.08)
    amplifier = Amplifier(design, rng=np.random.default_rng(1))
    assert math.isinf(amplifier.resistance("left_relay_contact"))
    amplifier.hold_relay(True)
    # to a small current the film v tanh(i / a) is a resistor of v / a
    assert amplifier.resistance("left_relay_contact") == pytest.approx(0.4 + 0.16 / 0.08)
    amplifier.hold_relay(False)
    assert math.isinf(amplifier.resistance("left_relay_contact"))


def test_a_relay_whose_coil_is_open_cannot_be_held():
    design = demo_amplifier()
    amplifier = Amplifier(replace(design, relay=replace(design.relay, coil_open=True)), rng=np.random.default_rng(1))
    amplifier.hold_relay(True)
    assert math.isinf(amplifier.resistance("left_relay_contact"))
