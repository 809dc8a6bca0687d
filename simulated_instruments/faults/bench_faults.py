"""The bench's own faults: the amplifier is healthy."""

from __future__ import annotations

import numpy as np

from .scenario import BenchChange, Scenario, log_uniform, nothing

GROUP = "the bench itself"


def _ground_loop(channel: str, rng: np.random.Generator) -> BenchChange:
    hum = log_uniform(rng, 0.2e-3, 1.5e-3)
    return BenchChange(hum_v=(hum, hum * float(rng.uniform(0.7, 1.4))))


def _leads_swapped(channel: str, rng: np.random.Generator) -> BenchChange:
    return BenchChange(leads_swapped=True)


def _wrong_divider(channel: str, rng: np.random.Generator) -> BenchChange:
    factor = float(rng.choice((10.0 / 4.7, 4.7 / 10.0, 1.5, 0.68)))
    return BenchChange(input_divider=(factor, 1.0) if channel == "left" else (1.0, factor))


def _load_open(channel: str, rng: np.random.Generator) -> BenchChange:
    return BenchChange(load_open="left" if channel == "left" else "right")


def _lead_off(channel: str, rng: np.random.Generator) -> BenchChange:
    return BenchChange(lead_off=True)


def _stale_calibration(channel: str, rng: np.random.Generator) -> BenchChange:
    drift = 1.0 + float(rng.choice((-1.0, 1.0))) * float(rng.uniform(0.05, 0.15))
    return BenchChange(calibration=(drift, drift * float(rng.uniform(0.97, 1.03))))


SCENARIOS = (
    Scenario(
        "ground-loop", GROUP, "a ground loop through the sound card's cable", nothing,
        "50, 150 and 250 Hz in both channels once the cable is in, gone with inputs shorted", where="bench", rows=(15,),
        channels="both", change_bench=_ground_loop,
    ),
    Scenario(
        "leads-swapped", GROUP, "the leads from the outputs to the sound card are exchanged", nothing,
        "left and right exchanged, while the meter says otherwise", where="bench", channels="both",
        change_bench=_leads_swapped,
    ),
    Scenario(
        "divider-wrong", GROUP, "a divider resistor is not what the bench file says", nothing,
        "sound card and meter disagree by 3 dB or more in one channel", where="bench", change_bench=_wrong_divider,
    ),
    Scenario(
        "load-open", GROUP, "a dummy load has come off", nothing,
        "no sag under power, damping and power figures impossible, load in ohms reads open", where="bench",
        change_bench=_load_open,
    ),
    Scenario(
        "meter-lead-off", GROUP, "a meter lead has come off its plug", nothing,
        "every reading near zero or drifting, ohms open, leads touched together too", where="bench", channels="both",
        change_bench=_lead_off,
    ),
    Scenario(
        "calibration-stale", GROUP, "the calibration no longer fits the sound card", nothing,
        "sound card and meter disagree by half a decibel or more, both channels", where="bench", channels="both",
        change_bench=_stale_calibration,
    ),
)  # fmt: skip
