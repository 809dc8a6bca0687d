"""The simulated multimeter: SCPI text in, reply out. No socket, no sleep; time passes through the ``wait`` it is given.

It is strict, as instruments are: what it does not understand it answers with silence and an entry in its error queue,
never with a default value. Language, status and analogue side are in ``scpi_parser``, ``scpi_status`` and
``meter_front_end``; which command does what is in ``multimeter_commands``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchtest.instruments.protocols import Function
from simulated_instruments.meter_front_end import RANGES, SIMULATED_ACCURACY, FrontEnd, ProbeSource
from simulated_instruments.scpi_parser import ScpiError, parse_unit, split_outside_quotes
from simulated_instruments.scpi_status import (
    CURRENT_OVERLOAD,
    MEASURING,
    OPERATION_COMPLETE,
    RESISTANCE_OVERLOAD,
    VOLTAGE_OVERLOAD,
    WAITING_FOR_TRIGGER,
    Status,
)

__all__ = ["SIMULATED_ACCURACY", "MultimeterModel", "ProbeSource"]

IDENTITY = "benchtest,simulated multimeter,0,1.0"
OVERLOAD = 9.9e37
NOT_A_NUMBER = 9.91e37
MEMORY = 512
LONGEST_MESSAGE = 4096
_RANGE_CHANGE_S = 0.02
_AC_SECONDS = {3: 2.5, 20: 0.6, 200: 0.1}

# Integration time in line cycles -> resolution as a share of the range (as of a 6.5-digit meter, from memory).
RESOLUTION: dict[float, float] = {0.02: 1e-4, 0.2: 1e-5, 1.0: 3e-6, 10.0: 1e-6, 100.0: 3e-7}

SCPI_FUNCTIONS: dict[str, Function | None] = {
    "VOLT": Function.DC_VOLTS,
    "VOLT:AC": Function.AC_VOLTS,
    "CURR": Function.DC_CURRENT,
    "CURR:AC": None,
    "RES": Function.RESISTANCE,
    "FRES": Function.RESISTANCE_4W,
    "FREQ": None,
    "PER": None,
    "CONT": None,
    "DIOD": Function.DIODE,
}
"""The functions by the name that FUNCtion? answers; those without a counterpart in the protocol are None."""

_OVERLOAD_BITS = {"VOLT": VOLTAGE_OVERLOAD, "CURR": CURRENT_OVERLOAD, "RES": RESISTANCE_OVERLOAD}


@dataclass
class FunctionSettings:
    """What a function remembers of its own: range (None is autorange), the range it last used, integration time."""

    range: float | None
    last_range: float
    line_cycles: float = 10.0


@dataclass
class TriggerSettings:
    """The trigger model: source, triggers per initiation, samples per trigger, delay (None is automatic)."""

    source: str = "IMM"
    triggers: int = 1
    samples: int = 1
    delay_s: float | None = None


class MultimeterModel:
    """A SCPI multimeter on a test point.

    Parameters
    ----------
    source : ProbeSource, or a function that returns one
        What the leads touch.
    rng : numpy.random.Generator
        The meter's own errors and noise follow from it.
    identity : str
        The reply to ``*IDN?``.
    line_frequency : float
        Mains frequency, Hz.
    wait : function of seconds
        Lets the bench's time pass while the meter integrates.

    Examples
    --------
    >>> class Battery:
    ...     lead_ohm = 0.1
    ...     dc, ac_rms, ac_frequency_hz, source_ohm = 1.5, 0.0, 0.0, 1.0
    ...     def probe(self): return self
    ...     def resistance(self): return 1.1
    >>> meter = MultimeterModel(Battery(), rng=np.random.default_rng(1))
    >>> round(float(meter.handle("MEASure:VOLTage:DC?")), 3)
    1.5
    >>> meter.handle("MEASURE:VOLTS?"), meter.handle("SYST:ERR?"), meter.handle("SYST:ERR?")
    (None, '-113,"Undefined header"', '0,"No error"')
    """

    def __init__(
        self,
        source: ProbeSource | Callable[[], ProbeSource],
        *,
        rng: np.random.Generator,
        identity: str = IDENTITY,
        line_frequency: float = 50.0,
        wait: Callable[[float], None] = lambda seconds: None,
    ) -> None:
        self.identity = identity
        self.status = Status()
        self.front_end = FrontEnd(rng, line_frequency=line_frequency)
        self._source = source
        self._wait = wait
        self._output: str | None = None
        self.reset()

    # The message exchange of IEEE 488.2

    def handle(self, message: str) -> str | None:
        """Take a message and give the reply, as over a socket, where replies are sent without being asked for."""
        self.receive(message)
        reply, self._output = self._output, None
        return reply

    def receive(self, message: str) -> None:
        """Take a message; its reply waits for `send`. An answer that nobody read is dropped (-410)."""
        if self._output is not None:
            self._output = None
            self.status.report(-410)
        replies: list[str] = []
        try:
            self._execute(message, replies)
        except ScpiError as error:
            self.status.report(error.number)
        self._output = ";".join(replies) if replies else None

    def send(self) -> str | None:
        """Give the reply that waits; without one, nothing and -420."""
        if self._output is None:
            self.status.report(-420)
        reply, self._output = self._output, None
        return reply

    def device_clear(self) -> None:
        """Drop the reply and stop waiting for a trigger; settings and errors stay."""
        self._output = None
        self.abort()

    def overrun(self) -> None:
        """A message longer than the input buffer came in and was thrown away (-363)."""
        self.status.report(-363)

    @property
    def message_available(self) -> bool:
        return self._output is not None

    def _execute(self, message: str, replies: list[str]) -> None:
        from simulated_instruments.multimeter_commands import TREE

        if not message.strip():
            return
        branch = TREE.root
        indefinite = False
        for text in split_outside_quotes(message.strip(), ";"):
            unit = parse_unit(text)
            handler, branch = TREE.find(unit, branch)
            if indefinite and unit.query:
                raise ScpiError(-440)
            try:
                reply = handler(self, unit.parameters)
            except ScpiError as error:
                if error.number > -200:
                    raise  # a command error: the rest of the message is not understood either
                self.status.report(error.number)
                continue
            if reply is not None:
                replies.append(reply)
            indefinite = indefinite or unit.header.upper() == "*IDN"

    # Settings

    def reset(self) -> None:
        """Power-on settings; the error queue, the output and the masks stay (*RST)."""
        self.function = "VOLT"
        self.settings = {name: self._fresh_settings(name) for name in SCPI_FUNCTIONS}
        self.ac_filter = 20
        self.gate_s = 0.1
        self.high_impedance = False
        self.auto_zero = True
        self.display_on = True
        self.display_text = ""
        self.trigger = TriggerSettings()
        self.abort()

    def _fresh_settings(self, name: str) -> FunctionSettings:
        scales = ranges_of(name)
        return FunctionSettings(range=None, last_range=scales[len(scales) // 3])

    def configure(self, function: str, range: float | None, resolution: float | None) -> None:
        """Presets of a function and the trigger model, with a range (None: auto) and a resolution in its unit."""
        line_cycles = 10.0
        if resolution is not None:
            scale = range or self.settings[function].last_range
            enough = [cycles for cycles, share in RESOLUTION.items() if share * scale <= resolution * (1 + 1e-9)]
            if not enough:
                raise ScpiError(-222)
            line_cycles = min(enough)
        self.abort()
        self.function = function
        settings = self.settings[function]
        settings.range, settings.line_cycles = range, line_cycles
        if range is not None:
            settings.last_range = range
        self.ac_filter = 20
        self.trigger = TriggerSettings()

    # Measuring

    def abort(self) -> None:
        """Trigger model to idle; readings already taken stay."""
        self.waiting = False
        self._pending_complete = False
        self._triggers_left = 0
        if not hasattr(self, "readings"):
            self.readings: list[float] = []
        self.status.operation.set_condition(0)

    def initiate(self) -> None:
        """INITiate: forget old readings; measure at once, or wait for a trigger."""
        if self.waiting:
            raise ScpiError(-213)
        if self.trigger.triggers * self.trigger.samples > MEMORY:
            raise ScpiError(-221)
        self.readings = []
        if self.trigger.source == "IMM":
            self._take(self.trigger.triggers * self.trigger.samples)
        else:
            self.waiting = True
            self._triggers_left = self.trigger.triggers
            self.status.operation.set_condition(WAITING_FOR_TRIGGER)

    def bus_trigger(self) -> None:
        """*TRG: only while waiting for the bus."""
        if not self.waiting or self.trigger.source != "BUS":
            raise ScpiError(-211)
        self._triggered()

    def external_trigger(self) -> None:
        """An edge at the trigger input; nothing happens unless the meter waits for it."""
        if self.waiting and self.trigger.source == "EXT":
            self._triggered()

    def _triggered(self) -> None:
        self._take(self.trigger.samples)
        self._triggers_left -= 1
        if self._triggers_left <= 0:
            self.waiting = False
            self.status.operation.set_condition(0)
            if self._pending_complete:
                self.operation_complete()
        else:
            self.status.operation.set_condition(WAITING_FOR_TRIGGER)

    def operation_complete(self) -> None:
        """*OPC: sets bit 0 of the event status when nothing is pending."""
        self._pending_complete = self.waiting
        if not self.waiting:
            self.status.event_status |= OPERATION_COMPLETE

    def fetch(self) -> str:
        """FETCh?: the readings taken; -230 without any, -214 while a trigger is still to come."""
        if self.waiting:
            raise ScpiError(-214)
        if not self.readings:
            raise ScpiError(-230)
        return ",".join(number_text(value) for value in self.readings)

    def read(self) -> str:
        """READ?: new readings, whatever happened before; -214 if they would wait for the bus."""
        self.abort()
        if self.trigger.source != "IMM":
            raise ScpiError(-214)
        self.initiate()
        return self.fetch()

    def _take(self, count: int) -> None:
        self.status.operation.set_condition(MEASURING)
        for _ in range(count):
            self.readings.append(self._sample())
        self.status.operation.set_condition(0)

    def _sample(self) -> float:
        name = self.function
        settings = self.settings[name]
        self._wait(self._seconds(name, settings))
        source = self._source() if callable(self._source) else self._source
        if name in ("FREQ", "PER"):
            return self._frequency(name, source)
        before = settings.last_range
        if name == "CURR:AC":
            sample = self.front_end.ac_current(source, range=settings.range)
        else:
            sample = self.front_end.sample(
                SCPI_FUNCTIONS[name] or Function.RESISTANCE,
                source,
                range=1e3 if name == "CONT" else settings.range,
                last_range=before,
                line_cycles=settings.line_cycles,
                resolution=RESOLUTION[settings.line_cycles],
                high_impedance=self.high_impedance,
            )
        if sample.range != before:
            self._wait(_RANGE_CHANGE_S)
        settings.last_range = sample.range
        over = not math.isfinite(sample.value)
        bit = _OVERLOAD_BITS.get(name.split(":")[0], RESISTANCE_OVERLOAD)
        self.status.questionable.set_condition(bit if over else 0)
        return math.copysign(OVERLOAD, sample.value) if over else sample.value

    def _seconds(self, name: str, settings: FunctionSettings) -> float:
        delay = self.trigger.delay_s if self.trigger.delay_s is not None else 0.0015
        if name in ("VOLT:AC", "CURR:AC"):
            return delay + _AC_SECONDS[self.ac_filter]
        if name in ("FREQ", "PER"):
            return delay + self.gate_s
        zeroed = 2.0 if self.auto_zero and settings.line_cycles >= 1.0 else 1.0
        return delay + zeroed * settings.line_cycles / self.front_end.line_frequency

    def _frequency(self, name: str, source: ProbeSource) -> float:
        probe = source.probe()
        frequency = probe.ac_frequency_hz if probe.ac_rms >= 0.01 and 3.0 <= probe.ac_frequency_hz <= 300e3 else 0.0
        frequency = float(f"{frequency:.6g}")
        if name == "FREQ":
            return frequency
        return 1.0 / frequency if frequency else NOT_A_NUMBER


def ranges_of(name: str) -> tuple[float, ...]:
    """The full scales of a function by its SCPI name, smallest first.

    >>> ranges_of("CONT"), ranges_of("CURR:AC")
    ((1000.0,), (0.01, 0.1, 1.0, 3.0))
    """
    if name == "CONT":
        return (1e3,)
    if name in ("FREQ", "PER"):
        return RANGES[Function.AC_VOLTS]
    if name == "CURR:AC":
        return RANGES[Function.DC_CURRENT]
    function = SCPI_FUNCTIONS[name]
    assert function is not None
    return RANGES[function]


def number_text(value: float) -> str:
    """A number as the meter sends it, NR3.

    >>> number_text(-1.23456789e-3)
    '-1.23456789E-03'
    """
    return f"{value:+.8E}"
