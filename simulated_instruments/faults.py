"""Scenarios: what may be wrong with the amplifier or the bench, as changes of components.

The name never says which channel; ``apply`` is told. Severities are drawn at random above what can be detected.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simulated_instruments.amplifier.design import AmplifierDesign, ChannelDesign

Apply = Callable[[AmplifierDesign, str, np.random.Generator], AmplifierDesign]


@dataclass(frozen=True)
class Scenario:
    """One thing that can be wrong. ``detectable`` says where and from which severity on it shows."""

    name: str
    group: str
    one_line: str
    apply: Apply
    detectable: str
    where: str = "amplifier"


def with_channel(design: AmplifierDesign, channel: str, **parts: Any) -> AmplifierDesign:
    """The design with components of one channel replaced."""
    one: ChannelDesign = getattr(design, channel)
    changed = replace(one, **parts)
    return replace(design, left=changed) if channel == "left" else replace(design, right=changed)


def _healthy(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    return design


def _speaker_fuse_open(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    fuse = getattr(design, channel).speaker_fuse
    return with_channel(design, channel, speaker_fuse=replace(fuse, open=True))


def _relay_open(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    contact = replace(getattr(design.relay, channel), open=True)
    return replace(design, relay=replace(design.relay, **{channel: contact}))


def _output_stage_shorted(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    stage = getattr(design, channel).output_stage
    side = "upper" if rng.random() < 0.5 else "lower"
    half = getattr(stage, side)
    devices = (replace(half.devices[0], shorted=True), *half.devices[1:])
    # the relay was welded by the bang, or bridged by a former repairer: the rail reaches the terminals
    welded = replace(getattr(design.relay, channel), welded=True)
    design = with_channel(design, channel, output_stage=replace(stage, **{side: replace(half, devices=devices)}))
    return replace(design, relay=replace(design.relay, **{channel: welded}))


_ALL = (
    Scenario("healthy", "nothing wrong", "a healthy amplifier", _healthy, "every check passes"),
    Scenario(
        "speaker-fuse-open", "no sound", "a loudspeaker fuse is blown", _speaker_fuse_open,
        "exactly 0 mV at the terminals, offset before the fuse",
    ),
    Scenario(
        "relay-open", "no sound", "one relay contact does not close", _relay_open,
        "exactly 0 mV at the terminals, offset before the relay",
    ),
    Scenario(
        "output-stage-shorted", "DC at the output", "an output device is shorted, a rail stands at the output",
        _output_stage_shorted, "a rail at the output",
    ),
)  # fmt: skip

SCENARIOS: dict[str, Scenario] = {scenario.name: scenario for scenario in _ALL}
"""Every scenario by name, in the order in which they are listed."""
