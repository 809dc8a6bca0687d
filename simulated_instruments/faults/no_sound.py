"""No sound from a channel (or both) while the amplifier itself works: fuse, relay, joint, protection."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simulated_instruments.amplifier.design import AmplifierDesign

from .scenario import Scenario, heads, one, sign, with_channel, with_contact

GROUP = "no sound"


def _fuse_open(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    return with_channel(design, channel, speaker_fuse=replace(one(design, channel).speaker_fuse, open=True))


def _fuse_and_cable(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    design = _fuse_open(design, channel, rng)
    return with_channel(design, channel, terminal_short_ohm=float(rng.uniform(0.05, 0.4)))


def _relay_open(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    return with_contact(design, channel, open=True)


def _joint_open(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    return with_channel(design, channel, output_joint=replace(one(design, channel).output_joint, open=True))


def _headphone_contact(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    socket = design.headphones
    socket = replace(socket, left_open=True) if channel == "left" else replace(socket, right_open=True)
    return replace(design, headphones=socket)


def _protection(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    relay = design.relay
    if heads(rng):
        return replace(design, relay=replace(relay, coil_open=True))
    return replace(
        design, relay=replace(relay, sensing_offset_v=sign(rng) * float(rng.uniform(1.5, 6.0)) * relay.trip_v)
    )


def _drops_with_bass(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    """The filter capacitor of the DC sense is dry: it sees the bass."""
    return replace(design, relay=replace(design.relay, filter_s=float(rng.uniform(0.004, 0.015))))


SCENARIOS = (
    Scenario(
        "speaker-fuse-open", GROUP, "a loudspeaker fuse is blown", _fuse_open,
        "exactly 0 mV at the terminals, offset before the fuse", rows=(20,),
    ),
    Scenario(
        "speaker-fuse-and-shorted-cable", GROUP, "a loudspeaker fuse is blown, and what blew it is still there",
        _fuse_and_cable, "as a blown fuse, with less than half an ohm across the terminals", rows=(20,),
    ),
    Scenario(
        "relay-open", GROUP, "one relay contact does not close", _relay_open,
        "exactly 0 mV at the terminals, offset before the relay", rows=(20,),
    ),
    Scenario(
        "output-joint-open", GROUP, "a broken joint between the output and the relay", _joint_open,
        "exactly 0 mV at the terminals, fuse and relay good", rows=(20,),
    ),
    Scenario(
        "headphone-contact-open", GROUP, "the switch in the headphone socket no longer closes", _headphone_contact,
        "exactly 0 mV at the terminals, fuse and relay good", rows=(20,),
    ),
    Scenario(
        "protection-holds-off", GROUP, "the protection never lets the relay close", _protection,
        "both channels exactly 0 mV, both outputs normal before the relay", rows=(32,), channels="both",
    ),
    Scenario(
        "protection-drops-with-bass", GROUP, "the protection takes bass for DC", _drops_with_bass,
        "the relay opens at 20 to 40 Hz well below rated power", rows=(32,), channels="both",
    ),
)  # fmt: skip
