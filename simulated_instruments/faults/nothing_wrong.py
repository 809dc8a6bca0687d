"""Nothing is broken: healthy amplifiers of each kind, and settings that make a healthy one look ill."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simulated_instruments.amplifier.design import AmplifierDesign
from simulated_instruments.amplifier.output_kind import OutputKind

from .scenario import Scenario, nothing

GROUP = "nothing broken"


def servo(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    """The same amplifier with a DC servo."""
    return replace(design, kind=OutputKind("servo", servo_offset_v=float(rng.uniform(-3e-3, 3e-3))))


def single_supply(design: AmplifierDesign, rail_rms: float) -> AmplifierDesign:
    """The same amplifier on one rail: one winding of ``rail_rms`` volts, a bridge, one reservoir for the doubled volts."""
    supply = design.supply
    # the winding's ohms go with the square of its turns
    ratio = (rail_rms / supply.transformer.secondary_rms_off_load) ** 2
    transformer = replace(
        supply.transformer, secondary_rms_off_load=rail_rms, secondary_ohm=supply.transformer.secondary_ohm * ratio
    )
    reservoir = replace(supply.reservoir_positive, rated_v=100.0)
    return replace(
        design,
        supply=replace(supply, single_rail=True, transformer=transformer, reservoir_positive=reservoir, auxiliary=None),
    )


def capacitor_coupled(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    """One supply rail, a capacitor to each loudspeaker, no relay."""
    design = single_supply(design, 2.0 * design.supply.transformer.secondary_rms_off_load)
    kind = OutputKind("capacitor", capacitor_f=3300e-6 * float(rng.uniform(0.85, 1.15)))
    return replace(design, kind=kind, relay=replace(design.relay, present=False))


def bridged(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    """One supply rail, two output stages for each loudspeaker in antiphase; no terminal is ground."""
    design = single_supply(design, 1.15 * design.supply.transformer.secondary_rms_off_load)
    return replace(design, kind=OutputKind("bridged"))


def _controls_in_circuit(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    tone = design.controls.tone
    bass, treble = float(rng.uniform(3.0, 9.0)), float(rng.uniform(2.5, 6.0))
    tone = replace(tone, stuck_bass_db=bass, stuck_treble_db=treble)
    return replace(design, controls=replace(design.controls, tone=tone))


def _monitor_open(design: AmplifierDesign, channel: str, rng: np.random.Generator) -> AmplifierDesign:
    return replace(design, selector=replace(design.selector, monitor_open=True))


SCENARIOS = (
    Scenario("healthy", GROUP, "a healthy amplifier", nothing, "every check passes"),
    Scenario(
        "healthy-dc-servo", GROUP, "a healthy amplifier with a DC servo: a steady near-zero is normal", servo,
        "offset within 5 mV, steady", channels="both",
    ),
    Scenario(
        "healthy-capacitor-coupled", GROUP, "a healthy amplifier on one rail: 0 mV at the terminals is normal",
        capacitor_coupled, "half the supply before the output capacitor, bass falls with the load", channels="both",
    ),
    Scenario(
        "healthy-bridged", GROUP, "a healthy bridged amplifier: both terminals stand at half the supply", bridged,
        "half the supply from each terminal to chassis, 0 to 50 mV across", channels="both",
    ),
    Scenario(
        "loudness-in-circuit", GROUP, "loudness or a filter is switched in", _controls_in_circuit,
        "3 dB or more at the ends of the band, both channels", rows=(25,), channels="both",
    ),
    Scenario(
        "monitor-loop-open", GROUP, "tape monitor in, or the pre/main links out", _monitor_open,
        "no signal from either channel, everything else normal", channels="both",
    ),
)  # fmt: skip
