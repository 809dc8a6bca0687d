"""It hums, buzzes, hisses or oscillates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simulated_instruments.amplifier.design import AmplifierDesign

from .scenario import Scenario, heads, log_uniform, one, with_channel, with_input, with_supply

GROUP = "hums or is noisy"


def _reservoir_dry(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    share, more = float(rng.uniform(0.06, 0.22)), float(rng.uniform(8.0, 25.0))
    supply = design.supply
    if heads(rng):
        old = supply.reservoir_positive
        return with_supply(design, reservoir_positive=replace(old, farad=old.farad * share, esr=old.esr * more))
    old = supply.reservoir_negative
    return with_supply(design, reservoir_negative=replace(old, farad=old.farad * share, esr=old.esr * more))


def _diode_open(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    bridge = design.supply.rectifier
    which = str(rng.choice(("a_positive", "b_positive", "a_negative", "b_negative")))
    open_diode = replace(getattr(bridge, which), open=True)
    if which == "a_positive":
        bridge = replace(bridge, a_positive=open_diode)
    elif which == "b_positive":
        bridge = replace(bridge, b_positive=open_diode)
    elif which == "a_negative":
        bridge = replace(bridge, a_negative=open_diode)
    else:
        bridge = replace(bridge, b_negative=open_diode)
    return with_supply(design, rectifier=bridge)


def _decoupling_open(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    factor = float(rng.uniform(25.0, 60.0))
    for name in ("left", "right"):
        d = one(design, name)
        worse = replace(
            d.rejection,
            positive=d.rejection.positive * factor,
            negative=d.rejection.negative * factor * 0.6,
            corner_hz=d.rejection.corner_hz / 4.0,
        )
        design = with_channel(design, name, rejection=worse)
    return replace(design, crosstalk=replace(design.crosstalk, shared=design.crosstalk.shared * factor * 0.4))


def _screen_open(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    return with_input(design, channel, pickup_v=log_uniform(rng, 0.15e-3, 1.5e-3))


def _noisy_input_transistor(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    stage = one(design, channel).input_stage
    changed = replace(stage, noise_v=stage.noise_v * float(rng.uniform(40.0, 120.0)), flicker_corner_hz=300.0)
    return with_channel(design, channel, input_stage=changed)


def _popcorn(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    stage = one(design, channel).input_stage
    return with_channel(design, channel, input_stage=replace(stage, popcorn_v=float(rng.uniform(0.08e-3, 0.4e-3))))


def _zobel_open(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    network = one(design, channel).network
    changed = replace(
        network,
        zobel_open=True,
        margin_lost_deg=network.phase_margin_deg + float(rng.uniform(5.0, 30.0)),
        oscillation_hz=log_uniform(rng, 150e3, 1.2e6),
        oscillation_v=float(rng.uniform(0.8, 2.5)),
        offset_shift_v=float(rng.choice((-1.0, 1.0))) * float(rng.uniform(0.03, 0.06)),
    )
    return with_channel(design, channel, network=changed)


def _bursts(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    network = one(design, channel).network
    lost = network.phase_margin_deg - float(rng.uniform(2.0, 12.0))
    changed = replace(network, zobel_open=True, margin_lost_deg=lost, oscillation_v=float(rng.uniform(1.5, 3.0)))
    return with_channel(design, channel, network=changed)


SCENARIOS = (
    Scenario(
        "reservoir-dry", GROUP, "a reservoir capacitor has dried out", _reservoir_dry,
        "100 Hz ripple on one rail several times the other's, clipping early", rows=(12,), channels="both",
    ),
    Scenario(
        "rectifier-diode-open", GROUP, "a rectifier diode is open", _diode_open,
        "ripple at mains frequency on one rail, doubled", rows=(13,), channels="both",
    ),
    Scenario(
        "decoupling-open", GROUP, "a decoupling capacitor or ground return is open", _decoupling_open,
        "100 Hz buzz above 0.5 mV in both channels, crosstalk up", rows=(14,), channels="both",
    ),
    Scenario(
        "input-screen-open", GROUP, "an input's screen or ground is open", _screen_open,
        "50 Hz above 2 mV in one channel, follows the volume", rows=(16,),
    ),
    Scenario(
        "noisy-input-transistor", GROUP, "a noisy transistor or resistor", _noisy_input_transistor,
        "hiss above 1 mV in one channel, the same at any volume", rows=(17,),
    ),
    Scenario(
        "popcorn-noise", GROUP, "a transistor with popcorn noise", _popcorn,
        "low-frequency steps above 1 mV in one channel", rows=(17,), intermittent=True,
    ),
    Scenario(
        "oscillation", GROUP, "an output stage oscillates (output network open)", _zobel_open,
        "AC at the output without a tone, floor raised, warm with no signal, offset jumps", rows=(18,),
    ),
    Scenario(
        "oscillation-on-peaks", GROUP, "an output stage bursts into oscillation on peaks", _bursts,
        "THD+N rises above half power while the harmonics do not", rows=(18,), intermittent=True,
    ),
)  # fmt: skip
