"""Meter readings at test points, fresh, with their uncertainty; ohms only on what is dead."""

from __future__ import annotations

import re

from benchtest.bench import Instruments
from benchtest.calibration import FREQUENCY_HZ, calibration_frequency
from benchtest.errors import NotAllowed, NotReachable
from benchtest.events import EventStream
from benchtest.instruments.protocols import Function, Multimeter
from benchtest.instruments.test_points import TEST_POINTS
from benchtest.safety import limits as lim
from benchtest.safety.findings import MeterValue, mean_of
from benchtest.safety.hooking import HookUps
from benchtest.safety.interlock import RAILS, Interlock

_NUMBER = re.compile(r"[-+]?\d+(?:[.,]\d+)?")


OF_THE_BENCH = ("leads_shorted", "left_load", "right_load", "left_second_load", "right_second_load")
"""Places where ohms need no empty reservoirs: nothing of the amplifier is there."""


def first_number(typed: str) -> float | None:
    """The number in what a person typed; None where there is none.

    >>> first_number("47,5 C"), first_number("none") is None
    (47.5, True)
    """
    found = _NUMBER.search(typed.replace("\u2212", "-"))
    return float(found[0].replace(",", ".")) if found else None


class Probing:
    """Reads the meters where their leads are."""

    def __init__(self, instruments: Instruments, interlock: Interlock, events: EventStream, hook_ups: HookUps) -> None:
        self.__it = instruments
        self.__interlock = interlock
        self.__events = events
        self.__hook_ups = hook_ups
        self.idle_rails: dict[str, float] = {}
        """The rails as last read with nothing driven, V."""

    def dc_volts(
        self, point: str, *, repeats: int = 1, range: float | None = None, line_cycles: float = 10.0
    ) -> MeterValue:
        """DC voltage at a test point. Raises NotReachable where no meter sits."""
        value = self.__measure(point, Function.DC_VOLTS, repeats, range, None, line_cycles)
        self.__note_rail(point, value)
        return value

    def ac_volts(self, point: str, frequency_hz: float, *, repeats: int = 1, range: float | None = None) -> MeterValue:
        """AC voltage (rms) at a test point; the frequency says which accuracy statement applies."""
        return self.__measure(point, Function.AC_VOLTS, repeats, range, frequency_hz, 10.0)

    def ac_frequency(self, point: str) -> float:
        """1 kHz, or the highest lower frequency inside the AC statement of the meter on a point."""
        meter = self.__hook_ups.meter_at(point)
        return FREQUENCY_HZ if meter is None else calibration_frequency(self.__it.file.meter(meter.name))

    def ohms(self, point: str, *, range: float | None = None, four_wire: bool | None = None) -> MeterValue:
        """Resistance at a test point, with the power off and the reservoirs measured empty.

        With four wires where that is said, here or of the meter in the bench file.
        Raises NotAllowed otherwise (a charged reservoir destroys the meter and spoils the reading).
        """
        self.__dead_only(point)
        meter = self.__hook_ups.meter_at(point)
        if four_wire is None and meter is not None:
            four_wire = self.__it.file.meter(meter.name).four_wire
        function = Function.RESISTANCE_4W if four_wire else Function.RESISTANCE
        return self.__measure(point, function, 1, range, None, 10.0)

    def diode(self, point: str) -> MeterValue:
        """The diode test at a test point, under the same conditions as ohms."""
        self.__dead_only(point)
        return self.__measure(point, Function.DIODE, 1, None, None, 10.0)

    def __dead_only(self, point: str) -> None:
        if point not in OF_THE_BENCH and (self.__interlock.hook_up.mains == "on" or not self.__interlock.rails_empty):
            raise NotAllowed(
                f"ohms at {point}: the mains is {self.__interlock.hook_up.mains} and the reservoirs have not all been "
                f"measured below {lim.EMPTY_V:g} V since. Measure each rail to ground first; discharge through a "
                "resistor (100 to 470 ohm, 5 W or more, insulated probe), then measure again."
            )

    def __measure(
        self,
        point: str,
        function: Function,
        repeats: int,
        range: float | None,
        frequency_hz: float | None,
        line_cycles: float,
    ) -> MeterValue:
        if point not in TEST_POINTS:
            raise NotReachable(f"{point!r} is no test point. Known: {', '.join(sorted(TEST_POINTS))}.")
        meter = self.__hook_ups.meter_at(point)
        if meter is None:
            raise NotReachable(
                f"no meter sits on {point} now. Move one there first (move_meter), or declare a [[dmm]] on it."
            )
        if self.__it.file.meter(meter.name).driver == "handheld":
            repeats = 1  # a person reads it off once
        taken = [
            meter.measure(function, range=range, line_cycles=line_cycles, frequency_hz=frequency_hz)
            for _ in [None] * repeats
        ]
        if meter.connected_to == "movable":
            self.__drain(meter)
        return mean_of(taken, point, meter.name)

    def __drain(self, meter: Multimeter) -> None:
        for text in meter.errors():
            self.__events.emit("note", text=f"{meter.name} reports: {text}", severity="warning")

    def drain_errors(self) -> None:
        """Show what every meter has in its error queue; the runner calls it once a step."""
        for meter in self.__it.meters.values():
            self.__drain(meter)

    def __note_rail(self, point: str, value: MeterValue) -> None:
        if point not in RAILS or value.value is None:
            return
        if self.__interlock.hook_up.mains == "on":
            self.idle_rails[point] = value.value
        elif abs(value.value) < lim.EMPTY_V:
            self.__interlock.empty.add(point)
        else:
            self.__interlock.empty.discard(point)
