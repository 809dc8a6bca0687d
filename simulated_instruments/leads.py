"""The leads of the simulated meters: where they sit, and what a meter finds there.

Points on the amplifier are answered by the amplifier; what belongs to the bench (dummy loads, sound card, DC watch,
leads held together) is answered here.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from simulated_instruments.amplifier import Probe

if TYPE_CHECKING:
    from simulated_instruments.bench import SimulatedBench

METERS = {
    "bench meter": "leads_shorted",
    "left meter": "left_output",
    "right meter": "right_output",
    "plus rail meter": "rail_positive",
    "minus rail meter": "rail_negative",
    "watch meter": "dc_watch",
}
"""The six meters and where their leads sit at first; the first one is the movable one."""

MOVABLE = "bench meter"

# The DC watch: 100 k from the left output and 47 k from the right one into one meter, through two poles at 0.5 Hz.
_WATCH_LEFT_OHM = 100e3
_WATCH_RIGHT_OHM = 47e3
_WATCH_POLE_HZ = 0.5

# Ohms on something that is not dead read nonsense at best.
_DEAD_V = 2.0

_SOUND_CARD_INPUT_OHM = 10e3
_RAIL_OHM = 22.0
_CHANNEL_OF = {
    "sound_card_output": 0,
    "sound_card_output_right": 1,
    "sound_card_input": 0,
    "sound_card_input_right": 1,
    "left_load": 0,
    "right_load": 1,
    "left_second_load": 0,
    "right_second_load": 1,
}


class MeterLeads:
    """What one meter's two leads touch: the source that a multimeter model reads."""

    def __init__(self, bench: SimulatedBench, name: str, place: str, lead_ohm: float) -> None:
        self.name = name
        self.place = place
        self.lead_ohm = lead_ohm
        self._bench = bench

    def probe(self) -> Probe:
        """Volts between the leads at this moment."""
        with self._bench.lock:
            if self._is_off():  # a free lead: what the mains field puts on it, and a drift that says nothing
                return Probe(
                    dc=3e-4 * math.sin(self._bench.now() / 7.0), ac_rms=2e-3, ac_frequency_hz=50.0, source_ohm=1e7
                )
            return self._probe(self.place)

    def resistance(self) -> float:
        """Ohms between the leads, with their own resistance; infinite for an open circuit."""
        with self._bench.lock:
            if self._is_off():
                return math.inf
            standing = self._probe(self.place)
            if abs(standing.dc) > _DEAD_V or standing.ac_rms > _DEAD_V:
                self._bench.unsafe_acts.append(f"measured ohms at {self.place} with {standing.dc:.1f} V on it")
            return self._resistance(self.place) + self.lead_ohm

    def _is_off(self) -> bool:
        return self.name == MOVABLE and self._bench.change.lead_off

    def _probe(self, place: str) -> Probe:
        bench = self._bench
        drive = bench.drive_now()
        if place == "leads_shorted":
            return Probe(dc=0.0, ac_rms=0.0, ac_frequency_hz=0.0, source_ohm=self.lead_ohm)
        if place == "dc_watch":
            return self._watch()
        if place.endswith("_load"):
            second = place.endswith("_second_load")
            if bench.load != ("second load" if second else "load"):
                load = (bench.second_loads if second else bench.loads)[_CHANNEL_OF[place]]
                return Probe(dc=0.0, ac_rms=0.0, ac_frequency_hz=0.0, source_ohm=load.ohm)
            return bench.amplifier.probe(place.replace("_second", "").replace("_load", "_output"), drive)
        if place.startswith("sound_card_output"):
            rms, frequency = bench.emitted_now()
            ohm = bench.truth.converters.output_ohm
            return Probe(dc=0.0, ac_rms=rms[_CHANNEL_OF[place]], ac_frequency_hz=frequency, source_ohm=ohm)
        if place.startswith("sound_card_input"):
            return self._sound_card_input(_CHANNEL_OF[place])
        if place.endswith("_listed_point"):  # a place that the simulated amplifier does not have: nothing is touched
            return Probe(dc=0.0, ac_rms=0.0, ac_frequency_hz=0.0, source_ohm=math.inf)
        if place.startswith("rail_resistor_"):
            both = [bench.amplifier.operating(channel, drive) for channel in (0, 1)]
            drawn = sum(one.positive_a if place.endswith("positive") else one.negative_a for one in both)
            there = bench.rail_resistors and bench.mains_on
            return Probe(dc=_RAIL_OHM * drawn * there, ac_rms=0.0, ac_frequency_hz=0.0, source_ohm=_RAIL_OHM)
        return bench.amplifier.probe(place, drive)

    def _watch(self) -> Probe:
        bench = self._bench
        drive = bench.drive_now()
        left, right = (bench.amplifier.probe(f"{channel}_output", drive) for channel in ("left", "right"))
        parallel = 1.0 / (1.0 / _WATCH_LEFT_OHM + 1.0 / _WATCH_RIGHT_OHM)
        weights = (parallel / _WATCH_LEFT_OHM, parallel / _WATCH_RIGHT_OHM)
        frequency = max(left.ac_frequency_hz, right.ac_frequency_hz)
        passed = 1.0 / (1.0 + (frequency / _WATCH_POLE_HZ) ** 2)
        return Probe(
            dc=weights[0] * left.dc + weights[1] * right.dc,
            ac_rms=math.hypot(weights[0] * left.ac_rms, weights[1] * right.ac_rms) * passed,
            ac_frequency_hz=frequency,
            source_ohm=parallel,
        )

    def _sound_card_input(self, channel: int) -> Probe:
        bench = self._bench
        divider = bench.truth.input_divider[channel]
        if bench.sound_card_at == "loopback":
            rms, frequency = bench.emitted_now()
            source = Probe(
                dc=0.0, ac_rms=rms[channel] / bench.truth.output_divider, ac_frequency_hz=frequency, source_ohm=0.0
            )
        else:
            source = bench.amplifier.probe(("left_output", "right_output")[channel], bench.drive_now())
        return Probe(
            dc=source.dc / divider,
            ac_rms=source.ac_rms / divider,
            ac_frequency_hz=source.ac_frequency_hz,
            source_ohm=_SOUND_CARD_INPUT_OHM / divider,
        )

    def _resistance(self, place: str) -> float:
        bench = self._bench
        if place == "leads_shorted":
            return 0.0
        if place.endswith("_second_load") and bench.load != "second load":
            return bench.second_loads[_CHANNEL_OF[place]].ohm
        if place.endswith("_load") and not place.endswith("_second_load") and bench.load == "second load":
            return bench.loads[_CHANNEL_OF[place]].ohm
        if place.endswith("_load"):
            return bench.load_resistance(_CHANNEL_OF[place])
        if place == "dc_watch":
            return _WATCH_LEFT_OHM + _WATCH_RIGHT_OHM
        if place.startswith("sound_card_output"):
            return bench.truth.converters.output_ohm
        if place.startswith("sound_card_input"):
            return _SOUND_CARD_INPUT_OHM
        if place.endswith("_listed_point"):
            return math.inf
        if place.startswith("rail_resistor_"):
            return _RAIL_OHM if bench.rail_resistors else 0.0
        return bench.amplifier.resistance(place)
