"""The simulated operator: requests in the operator's vocabulary become acts on the simulated bench.

It does what it is told, as a hurried person would, and takes as long over it; what nobody should be told to do is
noted in the bench's ``unsafe_acts``. It answers from what can be seen or read off, and refuses questions that it does
not understand.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from benchtest.errors import InstrumentError
from benchtest.instruments.test_points import TEST_POINTS
from simulated_instruments.leads import MOVABLE, MeterLeads

if TYPE_CHECKING:
    from simulated_instruments.bench import SimulatedBench

# How long a hand takes, in seconds on the bench's clock; from memory of doing it, no source.
_SECONDS = {
    "mains": 1.0, "lamp": 8.0, "volume": 2.0, "inputs": 6.0, "load": 15.0, "lid": 60.0, "sound_card": 10.0,
    "tone_controls": 2.0, "lead": 4.0, "balance": 2.0, "source": 2.0, "monitor": 2.0, "headphones": 4.0,
    "series_resistor": 10.0, "rail_resistors": 60.0, "relay": 30.0,
}  # fmt: skip
_LOOK_S = 2.0
_DIODE_TEST_A = 1e-3
_KNOB_DB = 0.3  # how well a knob is set to a mark

_WORDS = {
    "mains": ("on", "off"),
    "lamp": ("in", "out"),
    "volume": ("minimum", "full", '"-20 dB" (relative to full, 0 dB or less)'),
    "inputs": ("shorted", "sound_card", "open"),
    "load": ("none", "1 kilohm", "load", "second load"),
    "lid": ("on", "off"),
    "sound_card": ("amplifier", "loopback"),
    "tone_controls": ("flat", "defeat", "bass up", "bass down", "treble up", "treble down"),
    "balance": ("centre", "left", "right"),
    "source": ("line", "phono"),
    "monitor": ("in", "out"),
    "headphones": ("in", "out"),
    "series_resistor": ("in", "out"),
    "rail_resistors": ("in", "out"),
    "relay": ("held", "free"),
}
_SIDES = {"centre": 0.0, "left": -1.0, "right": 1.0}
_TONE_DB = 10.0  # fully turned
_TURNED = {
    "bass up": (_TONE_DB, 0.0), "bass down": (-_TONE_DB, 0.0), "treble up": (0.0, _TONE_DB), "treble down": (0.0, -_TONE_DB),
}  # fmt: skip

# Other words for how bright a series lamp is.
_LAMP_WORDS = {
    "dark": ("dark", "off", "out"),
    "dull": ("dull", "dim", "glowing"),
    "half": ("half", "half bright", "medium"),
    "bright": ("bright", "full", "fully bright"),
}
_YES = ("yes", "done", "ready", "ok", "go on", "continue", "confirm", "understood")
_NOTHING = ("no", "nothing", "none")
_HARMLESS = ("smoke", "smell", "noise", "heat", "changed")
_SET_RIGHT = ("as it should be", "not there", "out", "yes")


class SimulatedOperator:
    """An ``Operator`` on the simulated bench. What it was told is kept in ``told``."""

    def __init__(self, bench: SimulatedBench, *, rng: np.random.Generator) -> None:
        self._bench = bench
        self._rng = rng
        self.told: list[str] = []

    def set(self, settings: Mapping[str, str], *, say: str) -> None:
        """Do all of it in the order given. All of it is checked before anything is touched."""
        self.told.append(say)
        acts = [(self._time_for(name, value), self._act(name, value)) for name, value in settings.items()]
        for seconds, act in acts:
            self._bench.advance(seconds)
            act()

    def ask(self, question: str, choices: Sequence[str], *, about: str = "") -> str:
        """Look (2 s) and answer with one of the choices."""
        self._bench.advance(_LOOK_S)
        if about == "reading" and (kept := [choice for choice in choices if choice.startswith("it is ")]):
            return kept[-1]  # it has read the meter, unit and all, and stands by it
        if about == "lamp":
            state = self._bench.lamp_state()
            wanted: Sequence[str] = _LAMP_WORDS.get(state, (state,))
        elif about in _HARMLESS:
            wanted = _NOTHING
        elif about == "setting":  # it looked at the front, and saw nothing odd: a hurried person
            wanted = _SET_RIGHT
        elif about == "":
            wanted = _YES
        else:
            raise InstrumentError(
                f"The simulated operator was asked about '{about}': {question!r}. It can answer about: lamp, "
                f"reading, setting, {', '.join(_HARMLESS)}; and it confirms what is about nothing in particular."
            )
        for word in wanted:
            for choice in choices:
                if choice.lower() == word:
                    return choice
        raise InstrumentError(
            f"The simulated operator would answer '{wanted[0]}' to {question!r}, which is none of the choices: "
            f"{', '.join(choices)}. Offer it, or one of: {', '.join(wanted)}."
        )

    def enter(self, question: str, *, unit: str) -> str:
        """Read off a meter that the question names, by the meter's or the test point's name; "OL" for an overload."""
        self._bench.advance(_LOOK_S)
        if unit.strip() == "degC":
            return f"{self._bench.heatsink_degc():.0f}"
        if unit.strip() == "W":
            return f"{self._bench.mains_power_w():.1f}"
        if "wattmeter" in question.lower():
            return f"{self._bench.mains_voltage():.1f} V"
        leads = self._leads_named(question)
        wanted = unit.strip().lower().replace("ohms", "ohm").replace("Ω", "ohm")
        if wanted in ("ohm", "kohm"):
            return _shown(leads.resistance(), "ohm")
        if "diode" in question.lower():
            volts = leads.resistance() * _DIODE_TEST_A
            return _shown(volts, "V") if volts < 2.0 else "OL"
        if wanted in ("v", "mv", "v dc", "mv dc", "vdc"):
            return _shown(leads.probe().dc, "V")
        if wanted in ("v ac", "mv ac", "vac", "v rms"):
            return _shown(leads.probe().ac_rms, "V")
        raise InstrumentError(
            f"The simulated operator was asked for a value in '{unit}': {question!r}. It reads off V, V DC, V AC, ohm, "
            "degC (the heatsink) and W (the plug-in wattmeter, V too where the question names it)."
        )

    def tell(self, text: str) -> None:
        """Hear it."""
        self.told.append(text)

    def close(self) -> None:
        """Nothing is held open."""

    # What is asked for -> what is done

    def _act(self, name: str, value: str) -> Callable[[], None]:
        bench = self._bench
        if name in bench.leads:
            return self._move(bench.leads[name], value)
        if name == "volume":
            return self._volume(value)
        if name not in _WORDS:
            known = ", ".join([*_WORDS, *bench.leads])
            raise InstrumentError(
                f"The simulated operator does not know '{name}' (to be set to '{value}'). It knows: {known}."
            )
        if value not in _WORDS[name]:
            raise InstrumentError(f"{name} = '{value}': expected one of: {', '.join(_WORDS[name])}.")
        acts: dict[str, Callable[[], None]] = {
            "mains": lambda: bench.switch_mains(value == "on"),
            "lamp": lambda: bench.insert_lamp(value == "in"),
            "inputs": lambda: bench.connect_inputs(value),
            "load": lambda: bench.connect_load(value),
            "lid": lambda: bench.set_lid(value == "on"),
            "sound_card": lambda: bench.route_sound_card(value),
            "tone_controls": lambda: bench.set_tone(*_TURNED.get(value, (0.0, 0.0)), defeat=value == "defeat"),
            "balance": lambda: bench.set_balance(_SIDES[value]),
            "source": lambda: bench.select_source(value),
            "monitor": lambda: bench.switch_monitor(value == "in"),
            "headphones": lambda: bench.plug_headphones(value == "in"),
            "series_resistor": lambda: bench.insert_series_resistor(value == "in"),
            "rail_resistors": lambda: bench.insert_rail_resistors(value == "in"),
            "relay": lambda: bench.hold_relay(value == "held"),
        }
        return acts[name]

    def _volume(self, value: str) -> Callable[[], None]:
        if value == "minimum":
            db = -math.inf
        elif value == "full":
            db = 0.0
        else:
            found = re.fullmatch(r"([+-]?\d+(?:\.\d+)?)\s*dB", value)
            if found is None or not -100.0 <= float(found[1]) <= 0.0:
                raise InstrumentError(f"volume = '{value}': expected one of: {', '.join(_WORDS['volume'])}.")
            db = min(0.0, float(found[1]) + float(self._rng.uniform(-_KNOB_DB, _KNOB_DB))) if float(found[1]) else 0.0
        return lambda: self._bench.set_volume(db)

    def _move(self, leads: MeterLeads, value: str) -> Callable[[], None]:
        point = value.replace(" ", "_")
        if point not in TEST_POINTS:
            raise InstrumentError(
                f"{leads.name} to '{value}': there is no such test point. Expected one of: {', '.join(TEST_POINTS)}."
            )
        if leads.name != MOVABLE and point != leads.place:
            raise InstrumentError(
                f"{leads.name} to '{value}': its leads are fixed to {leads.place}. Use the movable meter, '{MOVABLE}'."
            )
        return lambda: self._bench.move_leads(leads.name, point)

    def _time_for(self, name: str, value: str) -> float:
        if name == "lid" and self._bench.lid_on == (value == "on"):
            return 0.0
        return _SECONDS["lead"] if name in self._bench.leads else _SECONDS.get(name, 0.0)

    def _leads_named(self, question: str) -> MeterLeads:
        asked = question.lower()
        for name, leads in self._bench.leads.items():
            if name in asked:
                return leads
        words = asked.replace("_", " ")
        points = [name for name in sorted(TEST_POINTS, key=len, reverse=True) if name.replace("_", " ") in words]
        if "mains voltage" in words:
            points.append("mains_input")
        if not points:
            raise InstrumentError(
                f"The simulated operator was asked to enter {question!r} and finds neither a meter nor a test point in "
                f"it. Expected one of the meters {', '.join(self._bench.leads)}, or a test point's name."
            )
        return MeterLeads(self._bench, "read off", points[0], 0.2)


def _shown(value: float, unit: str) -> str:
    """A value as a 6000-count hand-held meter shows it.

    Examples
    --------
    >>> _shown(0.0641234, "V"), _shown(41.987, "V"), _shown(8.0312, "ohm"), _shown(math.inf, "ohm")
    ('64.1 mV', '41.99 V', '8.0 ohm', 'OL')
    """
    ranges = {"V": (0.6, 6.0, 60.0, 600.0, 1000.0), "ohm": (600.0, 6e3, 60e3, 600e3, 6e6, 60e6)}[unit]
    for full in ranges:
        if abs(value) < full:
            step = full / 6000.0
            if unit == "V" and full < 1.0:
                return f"{value * 1000.0:.1f} mV"
            return f"{round(value / step) * step:.{max(0, -math.floor(math.log10(step) + 1e-9))}f} {unit}"
    return "OL"
