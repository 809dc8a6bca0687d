"""One file per amplifier characteristic: stimulus + capture + analysis -> readings, each after its published method."""

from benchtest.measurements.at_points import (
    by_eye,
    diode_at,
    half_bright,
    is_test_point,
    kind_of_output,
    lamp,
    lamp_words,
    mains_voltage,
    ohms_at,
    typed_value,
    volts_at,
)
from benchtest.measurements.bias_warm_up import bias_warm_up
from benchtest.measurements.channel_balance import balance_vs_frequency, channel_balance
from benchtest.measurements.cold_ohms import fuse_resistance, lead_resistance, load_resistance
from benchtest.measurements.coming_and_going import dc_dropouts, ohm_dropouts, tone_dropouts
from benchtest.measurements.contact import contact_resistance, rise_to
from benchtest.measurements.crosstalk import crosstalk, separation
from benchtest.measurements.dc_offset import before_relay, dc_offsets, dc_on_lamp, is_zero, loaded_difference, warm_up
from benchtest.measurements.distortion import distortion
from benchtest.measurements.frequency_response import frequency_response
from benchtest.measurements.gain import gain, gain_captures, polarity
from benchtest.measurements.headroom import clipping_headroom, dynamic_headroom
from benchtest.measurements.idle_current import idle_current
from benchtest.measurements.input_impedance import input_impedance
from benchtest.measurements.input_sensitivity import input_sensitivity
from benchtest.measurements.intermodulation import intermodulation
from benchtest.measurements.level_agreement import level_agreement
from benchtest.measurements.noise import noise_and_hum
from benchtest.measurements.output_impedance import gains, output_impedance
from benchtest.measurements.output_power import output_power
from benchtest.measurements.phono_equalisation import phono_equalisation
from benchtest.measurements.power_bandwidth import power_bandwidth
from benchtest.measurements.rail_ripple import rail_ripple, ripple_under_load
from benchtest.measurements.rails import discharge, emptied, rail_voltages, residual_charge
from benchtest.measurements.slew_rate import slew_rate
from benchtest.measurements.soak import soaked
from benchtest.measurements.sweep import sweep
from benchtest.measurements.thd_vs_frequency import thd_at, thd_high, thd_vs_frequency
from benchtest.measurements.thd_vs_level import thd_vs_level
from benchtest.measurements.thump import turn_off_transient, turn_on_transient
from benchtest.measurements.tone_controls import tone_controls
from benchtest.measurements.unmeasured import not_measured
from benchtest.measurements.which_terminals import which_terminals

__all__ = [
    "balance_vs_frequency",
    "before_relay",
    "bias_warm_up",
    "by_eye",
    "channel_balance",
    "clipping_headroom",
    "contact_resistance",
    "crosstalk",
    "dc_dropouts",
    "dc_offsets",
    "dc_on_lamp",
    "diode_at",
    "discharge",
    "distortion",
    "dynamic_headroom",
    "emptied",
    "frequency_response",
    "fuse_resistance",
    "gain",
    "gain_captures",
    "gains",
    "half_bright",
    "idle_current",
    "input_impedance",
    "input_sensitivity",
    "intermodulation",
    "is_test_point",
    "is_zero",
    "kind_of_output",
    "lamp",
    "lamp_words",
    "lead_resistance",
    "level_agreement",
    "load_resistance",
    "loaded_difference",
    "mains_voltage",
    "noise_and_hum",
    "not_measured",
    "ohm_dropouts",
    "ohms_at",
    "output_impedance",
    "output_power",
    "phono_equalisation",
    "polarity",
    "power_bandwidth",
    "rail_ripple",
    "rail_voltages",
    "residual_charge",
    "ripple_under_load",
    "rise_to",
    "separation",
    "slew_rate",
    "soaked",
    "sweep",
    "thd_at",
    "thd_high",
    "thd_vs_frequency",
    "thd_vs_level",
    "tone_controls",
    "tone_dropouts",
    "turn_off_transient",
    "turn_on_transient",
    "typed_value",
    "volts_at",
    "warm_up",
    "which_terminals",
]
