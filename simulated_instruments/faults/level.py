"""Level, balance, tone, or which channel is which, is wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simulated_instruments.amplifier.design import AmplifierDesign

from .scenario import Scenario, log_uniform, one, with_channel, with_input, with_track

GROUP = "level, balance or tone wrong"


def _feedback_capacitor_open(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    feedback = one(design, channel).feedback
    return with_channel(design, channel, feedback=replace(feedback, capacitance_f=log_uniform(rng, 30e-12, 200e-12)))


def _feedback_capacitor_dry(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    feedback = one(design, channel).feedback
    changed = replace(
        feedback, capacitance_f=log_uniform(rng, 1.0e-6, 5.0e-6), distortion_per_v2=float(rng.uniform(0.02, 0.08))
    )
    return with_channel(design, channel, feedback=changed)


def _coupling_dry(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    coupling = one(design, channel).coupling
    return with_channel(design, channel, coupling=replace(coupling, capacitance_f=log_uniform(rng, 20e-9, 120e-9)))


def _volume_worn(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    return with_track(
        design, channel, wear_db=float(rng.uniform(4.0, 9.0)), crackle_v=float(rng.uniform(0.02e-3, 0.08e-3))
    )


def _crossed(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    return replace(design, selector=replace(design.selector, crossed=True))


def _inverted(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    return with_input(design, channel, inverted=True)


def _shared_ground(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    return replace(design, crosstalk=replace(design.crosstalk, shared=log_uniform(rng, 0.015, 0.06)))


def _capacitive_crosstalk(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    return replace(design, crosstalk=replace(design.crosstalk, capacitance_f=log_uniform(rng, 150e-12, 500e-12)))


SCENARIOS = (
    Scenario(
        "feedback-capacitor-open", GROUP, "a feedback capacitor is open", _feedback_capacitor_open,
        "gain of one channel down by some 28 dB", rows=(9,),
    ),
    Scenario(
        "feedback-capacitor-dry", GROUP, "a feedback capacitor has dried out", _feedback_capacitor_dry,
        "bass of one channel falls from 60 Hz or higher, distorts", rows=(9,),
    ),
    Scenario(
        "coupling-capacitor-dry", GROUP, "a coupling capacitor has lost its capacitance", _coupling_dry,
        "bass of one channel falls 6 dB per octave, more than 3 dB at 40 Hz", rows=(24,),
    ),
    Scenario(
        "volume-worn", GROUP, "the volume control is worn", _volume_worn,
        "channel difference above 3 dB at -40 dB, crackle", rows=(23,),
    ),
    Scenario(
        "channels-crossed", GROUP, "left and right are exchanged inside", _crossed,
        "a signal at the left input comes out right", rows=(29,), channels="both",
    ),
    Scenario("channel-inverted", GROUP, "one channel has its polarity turned", _inverted, "polarity", rows=(30,)),
    Scenario(
        "crosstalk-shared-ground", GROUP, "the channels share a ground resistance", _shared_ground,
        "crosstalk above -40 dB, the same at all frequencies", rows=(31,), channels="both",
    ),
    Scenario(
        "crosstalk-capacitive", GROUP, "wiring couples the channels", _capacitive_crosstalk,
        "crosstalk rises 6 dB per octave, above -40 dB at 10 kHz", rows=(31,), channels="both",
    ),
)  # fmt: skip
