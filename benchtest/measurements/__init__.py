"""One file per amplifier characteristic: stimulus + capture + analysis -> readings, each after its published method."""

from benchtest.measurements.cold_ohms import fuse_resistance, lead_resistance, load_resistance
from benchtest.measurements.dc_offset import before_relay, dc_offsets, is_zero, loaded_difference, warm_up
from benchtest.measurements.distortion import distortion
from benchtest.measurements.gain import gain, polarity
from benchtest.measurements.level_agreement import level_agreement
from benchtest.measurements.noise import noise_and_hum
from benchtest.measurements.output_power import output_power
from benchtest.measurements.rails import discharge, rail_voltages, residual_charge
from benchtest.measurements.thump import turn_off_transient, turn_on_transient
from benchtest.measurements.unmeasured import not_measured

__all__ = [
    "before_relay",
    "dc_offsets",
    "discharge",
    "distortion",
    "fuse_resistance",
    "gain",
    "is_zero",
    "lead_resistance",
    "level_agreement",
    "load_resistance",
    "loaded_difference",
    "noise_and_hum",
    "not_measured",
    "output_power",
    "polarity",
    "rail_voltages",
    "residual_charge",
    "turn_off_transient",
    "turn_on_transient",
    "warm_up",
]
