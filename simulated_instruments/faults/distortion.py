"""It plays, but distorts or has lost power: output devices, bias, halves, compensation, contacts, fuse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simulated_instruments.amplifier.design import AmplifierDesign
from simulated_instruments.amplifier.output_stage import Half

from .scenario import (
    Scenario,
    heads,
    one,
    with_channel,
    with_contact,
    with_devices,
    with_half,
    with_input,
)

GROUP = "distorts, or has lost power"


def _half_open(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    return with_half(design, channel, heads(rng), lambda half: with_devices(half, lambda d: replace(d, open=True)))


def _one_of_parallel_open(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    fewer = float(rng.uniform(0.25, 0.4))

    def weaken(half: Half) -> Half:
        # the one that is left runs out of current gain early, and protection limits sooner
        left = with_devices(half, lambda d: replace(d, open=True), 1)
        return replace(left, limit_a=half.limit_a * 2.0 * fewer, current_gain=half.current_gain * 0.45)

    return with_half(design, channel, heads(rng), weaken)


def _bias_low(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    bias = one(design, channel).bias
    return with_channel(design, channel, bias=replace(bias, trim_v=-float(rng.uniform(0.4, 0.75))))


def _halves_unequal(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    factor = float(rng.uniform(0.06, 0.14))
    return with_half(design, channel, heads(rng), lambda half: replace(half, current_gain=half.current_gain * factor))


def _compensation(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    gain = one(design, channel).gain_stage
    changed = replace(
        gain,
        gain_bandwidth_hz=float(rng.uniform(0.12e6, 0.3e6)),
        slew_v_per_s=float(rng.uniform(0.7e6, 1.8e6)),
        degeneration=0.3,
    )
    return with_channel(design, channel, gain_stage=changed)


def _fuse_overloaded(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    fuse = one(design, channel).speaker_fuse
    changed = replace(fuse, rated_a=2.0, characteristic="T", cold_ohm=float(rng.uniform(0.11, 0.2)), hot_rise=2.0)
    return with_channel(design, channel, speaker_fuse=changed)


def _relay_oxidised(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    return with_contact(
        design,
        channel,
        ohm=float(rng.uniform(0.35, 1.0)),
        film_v=float(rng.uniform(0.08, 0.3)),
        film_a=0.08,
        clean_a=2.2,
    )


def _selector_oxidised(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    return with_input(
        design, channel, contact_ohm=float(rng.uniform(1e3, 6e3)), contact_v=float(rng.uniform(0.008, 0.02))
    )


SCENARIOS = (
    Scenario(
        "output-half-open", GROUP, "one half of an output stage is open", _half_open,
        "one polarity clips at very low power with the load on", rows=(2,),
    ),
    Scenario(
        "parallel-device-open", GROUP, "one of two output devices in parallel is open", _one_of_parallel_open,
        "early clipping, worse in 4 ohm; one emitter resistor reads 0, its fellow more", rows=(4,),
    ),
    Scenario(
        "bias-low", GROUP, "idle current far too low", _bias_low,
        "0 mV on the emitter resistors, THD at 1 W above 0.3 % and falling with level", rows=(5,),
    ),
    Scenario(
        "halves-unequal", GROUP, "one half of an output stage has lost its current gain", _halves_unequal,
        "second harmonic at all levels, THD at 1 W several times that of the other channel", rows=(33,),
    ),
    Scenario(
        "compensation-fault", GROUP, "a compensation capacitor or driver fault", _compensation,
        "treble droops and distorts, worse with level and frequency", rows=(26,),
    ),
    Scenario(
        "speaker-fuse-too-small", GROUP, "a loudspeaker fuse of too small a rating", _fuse_overloaded,
        "0.1 dB lost and more when hot, third harmonic in the bass, damping factor down", rows=(21,),
    ),
    Scenario(
        "relay-contact-oxidised", GROUP, "a relay contact is oxidised", _relay_oxidised,
        "damping factor below 20, third harmonic worst at low level, better after a loud burst", rows=(19,),
    ),
    Scenario(
        "selector-contact-oxidised", GROUP, "an input selector contact is oxidised", _selector_oxidised,
        "level low and third harmonic high at small signals", rows=(19,),
    ),
)  # fmt: skip
