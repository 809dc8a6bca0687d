"""DC where there should be none: shorted devices, lost rails, input stage and feedback."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simulated_instruments.amplifier.design import AmplifierDesign

from .nothing_wrong import bridged
from .scenario import (
    Scenario,
    heads,
    log_uniform,
    one,
    sign,
    with_channel,
    with_contact,
    with_devices,
    with_half,
    with_supply,
)

GROUP = "DC at the output"


def _shorted(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    # the bang welded the contact, so that the rail reaches the terminals; the other half's driver died too
    design = with_contact(design, channel, welded=True)
    return with_half(
        design, channel, heads(rng), lambda half: with_devices(half, lambda d: replace(d, shorted=True), 1)
    )


def _pair_shorted(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    # both halves: the supply is shorted through the emitter resistors; the protection did hold
    through = float(rng.uniform(18.0, 30.0))
    # no two fuses are alike: one opens first, and then nothing runs from rail to rail any more
    first = design.supply.fuse_positive if heads(rng) else design.supply.fuse_negative
    if first is not None:
        quicker = replace(first, time_constant_s=0.6 * first.time_constant_s)
        positive = first is design.supply.fuse_positive
        design = with_supply(design, **{"fuse_positive" if positive else "fuse_negative": quicker})
    return with_half(
        design, channel, heads(rng), lambda half: with_devices(half, lambda d: replace(d, shorted=True), 1),
        short_through_a=through,
    )  # fmt: skip


def _rail_missing(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    supply = design.supply
    if heads(rng):
        assert supply.fuse_positive is not None
        return with_supply(design, fuse_positive=replace(supply.fuse_positive, open=True))
    assert supply.fuse_negative is not None
    return with_supply(design, fuse_negative=replace(supply.fuse_negative, open=True))


def _pair_unbalanced(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    stage = one(design, channel).input_stage
    offset = sign(rng) * float(rng.uniform(0.11, 0.27))
    drift = sign(rng) * float(rng.uniform(1e-3, 3e-3))
    changed = replace(stage, offset_v=offset, drift_v_per_k=drift, imbalance=float(rng.uniform(2.0, 6.0)))
    return with_channel(design, channel, input_stage=changed)


def _leaky_coupling(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    coupling = one(design, channel).coupling
    leak = sign(rng) * float(rng.uniform(0.08, 0.25))
    return with_channel(design, channel, coupling=replace(coupling, leakage_v=leak, crackle_v=abs(leak) * 2e-3))


def _feedback_capacitor_shorted(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    d = one(design, channel)
    leak = 0.0 if heads(rng) else log_uniform(rng, 5.0, 120.0)
    # an offset of at least 5 mV at the input, so that its multiple shows
    offset = d.input_stage.offset_v
    offset = float(np.copysign(max(abs(offset), 5e-3), offset))
    stage = replace(d.input_stage, offset_v=offset, flicker_corner_hz=200.0)
    return with_channel(design, channel, feedback=replace(d.feedback, leak_ohm=leak), input_stage=stage)


def _feedback_open(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    return with_channel(design, channel, feedback=replace(one(design, channel).feedback, open=True))


def _bridged_half_dead(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    design = bridged(design, channel, rng)
    return replace(design, kind=replace(design.kind, minus_stuck=int(sign(rng)), stuck_channel=channel))


SCENARIOS = (
    Scenario(
        "output-stage-shorted", GROUP, "an output device is shorted and the relay welded: a rail at the terminals",
        _shorted, "a rail at the output, no signal", rows=(1,),
    ),
    Scenario(
        "output-pair-shorted", GROUP, "output devices shorted from rail to rail", _pair_shorted,
        "series lamp bright, rail fuses blow, relay never closes", rows=(1,),
    ),
    Scenario(
        "rail-missing", GROUP, "one supply rail is missing", _rail_missing,
        "a rail reads 0, half-wave output, offset of some hundred millivolts", rows=(3,), channels="both",
    ),
    Scenario(
        "input-pair-unbalanced", GROUP, "the input pair is unbalanced or ageing", _pair_unbalanced,
        "offset above 100 mV, drifting with heat", rows=(7,),
    ),
    Scenario(
        "input-capacitor-leaky", GROUP, "an input coupling capacitor leaks", _leaky_coupling,
        "offset follows the volume control, above 100 mV at full", rows=(8,),
    ),
    Scenario(
        "feedback-capacitor-shorted", GROUP, "a feedback capacitor is shorted or leaks", _feedback_capacitor_shorted,
        "the input's offset appears times the gain, above 90 mV", rows=(10,),
    ),
    Scenario(
        "feedback-resistor-open", GROUP, "a feedback resistor is open", _feedback_open,
        "the output stands near a rail, the relay never closes", rows=(11,),
    ),
    Scenario(
        "bridged-half-dead", GROUP, "one half of a bridged output is dead", _bridged_half_dead,
        "large DC across, each terminal to chassis tells which", rows=(34,),
    ),
)  # fmt: skip
