"""The demo amplifier, and how healthy amplifiers of its kind differ. Invented; no such amplifier was ever made."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .design import AmplifierDesign, ChannelDesign
from .supply_design import with_tolerances as supply_with_tolerances


def demo_amplifier() -> AmplifierDesign:
    """2 x 60 W into 8 ohm, direct-coupled, forty years old and in good health. The channels differ a little.

    Examples
    --------
    >>> design = demo_amplifier()
    >>> round(design.left.line.gain * design.left.feedback.gain, 1)
    38.2
    """
    design = AmplifierDesign()
    # the lower (PNP) devices have a little less current gain, as they do; that makes the second harmonic
    stage = design.left.output_stage
    stage = replace(stage, lower=replace(stage.lower, current_gain=3050.0))
    design = replace(
        design, left=replace(design.left, output_stage=stage), right=replace(design.right, output_stage=stage)
    )
    right = design.right
    right = replace(
        right,
        input_stage=replace(right.input_stage, offset_v=-3.5e-3, drift_v_per_k=0.3e-3),
        feedback=replace(right.feedback, series_ohm=right.feedback.series_ohm * 1.004),
    )
    return replace(design, right=right)


def with_tolerances(design: AmplifierDesign, rng: np.random.Generator) -> AmplifierDesign:
    """The same amplifier with parts as they come.

    Resistors 1 % metal film (IEC 60062 code F, +-1 %) in the feedback divider, drawn over +-0.8 %; electrolytics
    +-20 % (code M); output transistors, offsets, bias settings and contact resistances: common practice, no source.
    """

    def spread(fraction: float) -> float:
        """A factor within 1 +- fraction, denser in the middle."""
        return 1.0 + fraction * 0.5 * float(rng.uniform(-1.0, 1.0) + rng.uniform(-1.0, 1.0))

    def channel(d: ChannelDesign) -> ChannelDesign:
        offset = float(rng.uniform(2e-3, 9e-3)) * float(rng.choice((-1.0, 1.0)))
        drift = float(rng.uniform(0.1e-3, 0.6e-3)) * float(rng.choice((-1.0, 1.0)))
        stage = d.output_stage
        upper = replace(stage.upper, current_gain=stage.upper.current_gain * spread(0.06))
        lower = replace(stage.lower, current_gain=stage.lower.current_gain * spread(0.06))
        return replace(
            d,
            coupling=replace(d.coupling, capacitance_f=d.coupling.capacitance_f * spread(0.2)),
            line=replace(d.line, gain=d.line.gain * spread(0.006), noise_v=d.line.noise_v * spread(0.2)),
            input_stage=replace(
                d.input_stage, offset_v=offset, drift_v_per_k=drift, noise_v=d.input_stage.noise_v * spread(0.3)
            ),
            feedback=replace(
                d.feedback,
                series_ohm=d.feedback.series_ohm * spread(0.008),
                shunt_ohm=d.feedback.shunt_ohm * spread(0.008),
                capacitance_f=d.feedback.capacitance_f * spread(0.2),
            ),
            gain_stage=replace(d.gain_stage, gain_bandwidth_hz=d.gain_stage.gain_bandwidth_hz * spread(0.2)),
            bias=replace(d.bias, idle_a=d.bias.idle_a * spread(0.1)),
            output_stage=replace(stage, upper=upper, lower=lower),
            speaker_fuse=replace(d.speaker_fuse, cold_ohm=d.speaker_fuse.cold_ohm * spread(0.2)),
            rejection=replace(
                d.rejection, positive=d.rejection.positive * spread(0.3), negative=d.rejection.negative * spread(0.3)
            ),
            magnetic_hum_v=d.magnetic_hum_v * spread(0.4),
            turn_on_v=d.turn_on_v * spread(0.5),
        )

    relay = design.relay
    volume = tuple(
        replace(
            track,
            tracking_full_db=float(rng.uniform(-0.05, 0.05)),
            tracking_db_per_20db=float(rng.uniform(-0.25, 0.25)),
        )
        for track in design.controls.volume
    )
    return replace(
        design,
        left=channel(design.left),
        right=channel(design.right),
        controls=replace(design.controls, volume=(volume[0], volume[1])),
        relay=replace(
            relay,
            left=replace(relay.left, ohm=relay.left.ohm * spread(0.4)),
            right=replace(relay.right, ohm=relay.right.ohm * spread(0.4)),
            delay_s=relay.delay_s * spread(0.2),
            release_s=relay.release_s * spread(0.3),
        ),
        supply=supply_with_tolerances(design.supply, rng),
    )
