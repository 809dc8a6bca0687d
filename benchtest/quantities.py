"""The vocabulary: each quantity's name, its unit in readings and what it means; and the units that files may use.

A file that names a quantity is held to this list: a misspelt limit is a fault, not a limit that never applies.
Pure; imports nothing of the project.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """A characteristic: the unit of its readings, its name in words, and what is meant."""

    name: str
    unit: str
    words: str
    meaning: str


def _table(*rows: tuple[str, str, str, str]) -> dict[str, Quantity]:
    return {name: Quantity(name, unit, words, meaning) for name, unit, words, meaning in rows}


QUANTITIES: dict[str, Quantity] = _table(
    ("dc_offset", "V", "DC at the output", "DC voltage at the speaker terminals, inputs shorted"),
    ("offset_drift", "V", "DC drift", "change of dc_offset from its first to its last value"),
    ("offset_drift_rate", "V/min", "DC, still walking", "change of dc_offset a minute, at the end of the warm-up"),
    ("dc_offset_loaded_difference", "V", "DC loaded against unloaded", "dc_offset with load less dc_offset without"),
    ("terminal_voltage", "V", "terminal to chassis", "DC voltage of one terminal of a bridged output to chassis"),
    ("rail_voltage", "V", "rail", "DC voltage of a supply rail to ground, with its sign"),
    ("lamp_brightness", "1", "series lamp", "the series lamp 3 s after switch-on: 0 dark, 1 dull, 2 half, 3 bright"),
    ("rail_difference", "%", "difference of the rails", "positive less negative magnitude over their mean"),
    ("level_agreement", "dB", "sound card against meter", "level by the sound card less level by the multimeter"),
    ("rail_ripple", "V", "rail ripple", "AC voltage on a rail, rms"),
    ("rail_sag", "%", "rail sag", "fall of a rail under load, of its idle value"),
    ("mains_voltage", "V", "mains voltage", "mains voltage at the amplifier, rms"),
    ("idle_current", "A", "idle current", "current of one output pair without signal"),
    ("reservoir_capacitance", "F", "reservoir capacitor", "capacitance implied by ripple and current"),
    ("gain", "dB", "gain", "output over input voltage, 20 lg"),
    ("input_sensitivity", "V", "input sensitivity", "input voltage, rms, for the rated output"),
    ("channel_balance", "dB", "channel difference", "gain of right over left, 20 lg"),
    ("balance_deviation", "dB", "channel difference, change", "change of channel_balance against that at 1 kHz"),
    ("polarity", "1", "polarity", "+1: the output follows the input; -1: inverted"),
    ("output_voltage", "V", "output voltage", "voltage across the load, rms"),
    ("output_power", "W", "output power", "U^2/R into the load at the stated distortion"),
    ("power_at_thd", "W", "output power at another THD", "as output_power, at a THD that is not the rated one"),
    ("power_bandwidth", "Hz", "power bandwidth", "edge of the band with half the rated power at the rated distortion"),
    ("dynamic_headroom", "dB", "dynamic headroom", "power of short bursts at clipping over rated power, 10 lg"),
    ("clipping_headroom", "dB", "clipping headroom", "steady power at clipping over rated power, 10 lg"),
    ("thd", "%", "THD", "rms of the harmonics over the fundamental"),
    ("thd_n", "%", "THD+N", "rms of everything in the band but the fundamental, over the fundamental"),
    ("sinad", "dB", "SINAD", "total over noise and distortion, 20 lg"),
    ("intermodulation", "%", "intermodulation", "rms of the intermodulation products over their reference"),
    ("frequency_response", "dB", "frequency response", "level re that at the reference frequency"),
    ("frequency_limit", "Hz", "band edge", "frequency at which the response is 3 dB below that at 1 kHz"),
    ("equalisation_error", "dB", "phono equalisation", "departure from the standard replay curve, re 1 kHz"),
    ("tone_control_range", "dB", "tone control", "response less that with the controls flat, re 1 kHz"),
    ("noise", "V", "noise", "noise at the output in the stated band, rms"),
    ("noise_a_weighted", "V", "noise, A-weighted", "noise at the output, A-weighted, rms"),
    ("hum", "V", "hum", "one mains-related line at the output, rms"),
    ("signal_to_noise", "dB", "signal-to-noise ratio", "reference output over noise, 20 lg"),
    ("crosstalk", "dB", "separation", "a channel's own level over its leak in the other, 20 lg; more is better"),
    ("output_impedance", "ohm", "output impedance", "change of voltage over change of current at the terminals"),
    ("damping_factor", "1", "damping factor", "load over output impedance"),
    ("input_impedance", "ohm", "input impedance", "resistance that the source sees"),
    ("slew_rate", "V/s", "slew rate", "fastest change of the output voltage"),
    ("rise_time", "s", "rise time", "from 10 to 90 % of a step at the output"),
    ("turn_on_transient", "V", "thump at switch-on", "largest excursion at the terminals"),
    ("turn_off_transient", "V", "thump at switch-off", "largest excursion at the terminals"),
    ("mute_delay", "s", "relay delay", "from mains on to the output connected"),
    ("fuse_resistance", "ohm", "fuse", "resistance across a fuse, leads nulled"),
    ("lead_resistance", "ohm", "meter leads", "resistance of the meter's two leads together"),
    ("fault_found", "1", "a fault stands out", "1 where the readings of the run name one, 0 where nothing is wrong"),
    ("dropouts", "%", "gone for moments", "share of the time in which what should stand steadily is gone"),
    ("contact_resistance", "ohm", "relay contact", "resistance across a closed contact"),
    ("load_resistance", "ohm", "dummy load", "resistance of the dummy load, leads nulled"),
    (
        "tone_at_terminals",
        "V",
        "tone at the terminals, by the meter",
        "AC volts at each pair, a tone into the left input",
    ),
    ("residual_charge", "V", "stored charge", "voltage of a reservoir with the mains off"),
    ("heatsink_temperature", "degC", "heatsink", "temperature of the heatsink"),
    (
        "step",
        "1",
        "step",
        "a step of the procedure that this bench cannot carry out: never measured, the reason in note",
    ),
    ("mains_power", "W", "mains power", "power drawn from the mains"),
    ("auxiliary_rail", "V", "auxiliary rail", "DC voltage of a regulated rail of the front end to ground"),
    ("balance_control", "dB", "balance control", "what a channel gains where the control is turned fully to it"),
    ("bench_check", "1", "bench", "a check of the bench itself: 1 good, 0 not"),
    ("cable_resistance", "ohm", "loudspeaker cable", "between the two wires of a cable, both ends free"),
    ("channels_apart", "%", "left against right", "difference of the same point in both channels, of the larger"),
    ("diode_test", "V", "diode test", "what the meter's diode test shows"),
    ("idle_current_drift", "%", "idle current, change while warming up", "its last value over its first, less one"),
    ("inspection", "1", "looked at", "what a person saw: 1 as it should be, 0 not"),
    ("minus_to_chassis", "ohm", "minus terminal to chassis", "with the power off"),
    ("quiescent_current", "A", "quiescent current of a rail", "from the drop across a resistor in the supply lead"),
    ("residual_output", "V", "left over when muted", "output voltage while muted or switched away"),
    ("soak_level_change", "dB", "level in the soak", "widest change of level while soaked"),
    ("soak_thd", "%", "THD in the soak", "highest THD while soaked"),
    ("speaker_resistance", "ohm", "loudspeaker, DC resistance", "across its terminals, cable off"),
    ("terminal_resistance", "ohm", "across the speaker terminals", "with the power off and nothing connected"),
)
"""Every quantity that a file may name. Procedures may take others; nothing judges those."""

LAMP_BRIGHTNESS = {"dark": 0.0, "dull": 1.0, "half": 2.0, "bright": 3.0}
"""How bright a series lamp is, as a person says it, and the value of the reading."""

TOLD_IN_WORDS = {
    "polarity": {1.0: "as the input", -1.0: "INVERTED"},
    "fault_found": {1.0: "yes", 0.0: "none"},
    "bench_check": {1.0: "good", 0.0: "not good"},
    "inspection": {1.0: "as it should be", 0.0: "not"},
    "lamp_brightness": {value: word for word, value in LAMP_BRIGHTNESS.items()},
}
"""Values that a person reads as a word."""

_PREFIXES = {"n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6}
_BASES = {
    "V": "V",
    "A": "A",
    "W": "W",
    "ohm": "ohm",
    "Ω": "ohm",
    "F": "F",
    "H": "H",
    "Hz": "Hz",
    "s": "s",
    "V/s": "V/s",
    "V/min": "V/min",
}
_RATIOS = {"%": 1.0, "percent": 1.0, "1": 100.0, "ppm": 1e-4}
_OTHERS = {"V/us": ("V/s", 1e6), "V/µs": ("V/s", 1e6), "V/μs": ("V/s", 1e6), "°C": ("degC", 1.0), "C": ("degC", 1.0)}


def convert(value: float, unit: str, to: str) -> float:
    """``value`` in another unit of the same kind.

    A distortion in dB (-80 dB, or 80 dB as some sheets print it) becomes a percentage and back.

    Raises
    ------
    ValueError
        If the two units are not of one kind.

    Examples
    --------
    >>> convert(50.0, "mV", "V"), convert(-60.0, "dB", "%"), convert(470.0, "kohm", "ohm")
    (0.05, 0.1, 470000.0)
    """
    if unit == to:
        return value
    if unit == "dB" and to in _RATIOS:
        return float(100.0 * 10.0 ** (-abs(value) / 20.0)) / _RATIOS[to]
    if unit in _RATIOS and to in _RATIOS:
        return value * _RATIOS[unit] / _RATIOS[to]
    here, there = _split(unit), _split(to)
    if here is None or there is None or here[0] != there[0]:
        raise ValueError(f"'{unit}' is no unit of the same kind as '{to}'")
    return value * (here[1] / there[1])


def near_names(name: str, known: Iterable[str], *, most: int = 5) -> list[str]:
    """The names that are nearest to a misspelt one, the nearest first.

    >>> near_names("dc_ofset", QUANTITIES)[0]
    'dc_offset'
    """
    import difflib

    among = list(dict.fromkeys(known))
    within = [each for each in among if name and (name in each or each in name)]
    return list(dict.fromkeys([*difflib.get_close_matches(name, among, most, 0.6), *within]))[:most]


def convertible(unit: str, to: str) -> bool:
    """Can a value in ``unit`` be stated in ``to``?"""
    try:
        convert(1.0, unit, to)
    except ValueError:
        return False
    return True


def _split(unit: str) -> tuple[str, float] | None:
    """Base unit and factor: "mV" is ("V", 0.001)."""
    if unit in _OTHERS:
        return _OTHERS[unit]
    if unit in _BASES:
        return _BASES[unit], 1.0
    if unit == "degC":
        return unit, 1.0
    factor = _PREFIXES.get(unit[:1])
    base = _BASES.get(unit[1:])
    return None if factor is None or base is None else (base, factor)
