"""It comes and goes: cracked joints and loose contacts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simulated_instruments.amplifier.design import AmplifierDesign
from simulated_instruments.amplifier.joints import Joint

from .scenario import Scenario, one, with_channel, with_contact, with_input

GROUP = "comes and goes"


def _cracked_output_joint(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    joint = Joint(
        ohm=float(rng.uniform(0.02, 0.1)),
        openings_per_s=float(rng.uniform(0.7, 2.5)),
        open_seconds=float(rng.uniform(0.05, 0.3)),
    )
    return with_channel(design, channel, output_joint=joint)


def _cracked_when_hot(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    joint = replace(
        one(design, channel).output_joint,
        openings_per_s=float(rng.uniform(1.0, 4.0)),
        open_seconds=float(rng.uniform(0.1, 0.5)),
        above_celsius=float(rng.uniform(27.0, 30.0)),
    )
    return with_channel(design, channel, output_joint=joint)


def _cracked_input_joint(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    joint = Joint(openings_per_s=float(rng.uniform(0.7, 3.0)), open_seconds=float(rng.uniform(0.03, 0.2)))
    return with_input(design, channel, joint=joint)


def _tired_relay(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    """Pair: an oxidised contact and a joint at it that opens now and then."""
    design = with_contact(design, channel, ohm=float(rng.uniform(0.2, 0.6)), film_v=float(rng.uniform(0.05, 0.2)))
    joint = Joint(ohm=0.01, openings_per_s=float(rng.uniform(0.7, 1.8)), open_seconds=float(rng.uniform(0.05, 0.2)))
    return with_channel(design, channel, output_joint=joint)


SCENARIOS = (
    Scenario(
        "output-joint-cracked", GROUP, "a cracked joint in an output", _cracked_output_joint,
        "the output is gone for moments, several times in ten seconds", rows=(22,), intermittent=True,
    ),
    Scenario(
        "output-joint-cracked-when-hot", GROUP, "a joint in an output that opens when it is warm", _cracked_when_hot,
        "sound cold, gone for moments after some minutes", rows=(22,), intermittent=True,
    ),
    Scenario(
        "input-joint-cracked", GROUP, "a cracked joint in an input", _cracked_input_joint,
        "the signal is gone for moments while offset and noise stay", rows=(22,), intermittent=True,
    ),
    Scenario(
        "relay-contact-and-joint", GROUP, "an oxidised relay contact and a cracked joint beside it", _tired_relay,
        "as an oxidised contact, and gone for moments", rows=(19, 22), intermittent=True,
    ),
)  # fmt: skip
