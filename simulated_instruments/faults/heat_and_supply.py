"""It runs hot, or the supply is wrong: bias too high, thermal runaway, transformer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simulated_instruments.amplifier.design import AmplifierDesign

from .scenario import Scenario, heads, log_uniform, one, with_channel, with_supply

GROUP = "hot, or the supply is wrong"


def _bias_high(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    bias = one(design, channel).bias
    return with_channel(design, channel, bias=replace(bias, trim_v=float(rng.uniform(0.06, 0.12))))


def _runaway(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    bias = one(design, channel).bias
    return with_channel(design, channel, bias=replace(bias, trim_v=float(rng.uniform(0.09, 0.14)), tracking=0.0))


def _shorted_turn(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    transformer = design.supply.transformer
    return with_supply(design, transformer=replace(transformer, shorted_turn_ohm=log_uniform(rng, 1.5, 5.0)))


def _wrong_setting(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    ratio = 0.5 if heads(rng) else 2.0
    return with_supply(design, transformer=replace(design.supply.transformer, tap_ratio=ratio))


SCENARIOS = (
    Scenario(
        "bias-high", GROUP, "idle current too high", _bias_high,
        "more than twice the usual millivolts on the emitter resistors, hot at idle", rows=(6,),
    ),
    Scenario(
        "bias-runaway", GROUP, "idle current runs away with heat (sensor off the heatsink)", _runaway,
        "idle current rises for minutes without settling", rows=(6,),
    ),
    Scenario(
        "transformer-shorted-turn", GROUP, "a shorted turn in the mains transformer", _shorted_turn,
        "rails low, series lamp bright with everything else disconnected", rows=(27,), channels="both",
    ),
    Scenario(
        "mains-setting-wrong", GROUP, "the mains voltage setting is wrong", _wrong_setting,
        "rails at half or double their value", rows=(28,), channels="both",
    ),
)  # fmt: skip
