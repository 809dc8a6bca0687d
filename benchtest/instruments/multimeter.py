"""The one driver for multimeters that speak SCPI, over a socket, VXI-11, HiSLIP, USB or a serial line.

Rules that every later change must keep:

* A reading is fresh: READ? starts it, and its reply belongs to that READ?. What arrives late or twice is thrown away.
* A meter that refused a configuration is never read: it would answer in another function.
* A call ends within its timeout. After silence or rubbish it raises at once, and the next call first brings the meter
  back to a known state (device clear, or a new connection; *CLS; the same identity as before).
* A connection that was closed is opened again, a bounded number of times in one call.

The text of commands and replies is in ``scpi``, the transport in ``visa_link``.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchtest.errors import GarbledReply, InstrumentError, NoReply
from benchtest.instruments import scpi
from benchtest.instruments.accuracy import DEFAULT, Accuracy, rows_for, standard_uncertainty
from benchtest.instruments.protocols import Function, MeterReading
from benchtest.instruments.visa_link import ConnectionLost, Link

TRIES = 3
"""How often one call may find its connection closed before it gives up."""
_ATTEMPTS = range(TRIES)
ERROR_READS = 30
"""Bound on draining an error queue (SCPI asks for two entries at least; common instruments hold 20)."""
_FILTER_SECONDS = {None: 1.5, 3: 8.0, 20: 1.5, 200: 0.5}
"""What an AC filter may take to settle, added to the timeout (order of size, from memory)."""


@dataclass(frozen=True)
class _Plan:
    """One kind of reading: the messages that set it up, and how long it may take (auto zero doubles the cycles)."""

    function: Function
    range: float | None
    frequency_hz: float | None
    messages: tuple[str, ...]
    range_query: str
    patience_s: float
    rows: dict[float, list[Accuracy]] = field(default_factory=dict)
    """Lines of the accuracy statement by range, as far as they were needed."""


class ScpiMultimeter:
    """A multimeter that speaks SCPI; implements `benchtest.instruments.protocols.Multimeter`.

    Parameters
    ----------
    resource : str
        VISA resource name.
    name : str
        What the bench calls it.
    connected_to : str
        A test point, or "movable".
    accuracy : sequence of Accuracy
        The meter's statement; without one, that of a plain hand-held meter.
    overrides : mapping
        Commands that differ from `scpi.COMMANDS`.
    timeout_s : float
        Silence that counts as no reply; the time of the measurement itself is added.
    open_timeout_s : float
        Bound on opening.
    resource_manager : pyvisa.ResourceManager, optional
        Default: the shared one, on pyvisa-py.

    Raises
    ------
    InstrumentError
        If it cannot be opened (NoReply if it is silent, GarbledReply if what answers is no instrument).
    FileError
        If an override is not one.
    """

    def __init__(
        self,
        resource: str,
        *,
        name: str,
        connected_to: str = "movable",
        accuracy: Sequence[Accuracy] = DEFAULT,
        overrides: Mapping[str, str] | None = None,
        timeout_s: float = 2.0,
        open_timeout_s: float = 3.0,
        resource_manager: Any = None,
    ) -> None:
        self.name = name
        self.connected_to = connected_to
        self.accuracy = tuple(accuracy)
        self.resource = resource
        self._words = scpi.commands(overrides or {}, meter=name)
        self._timeout_s = timeout_s
        self._lock = threading.RLock()
        self._identity: str | None = None
        self._configured: tuple[str, ...] | None = None
        self._range = math.nan
        self._plans: dict[tuple[Any, ...], _Plan] = {}
        self._seen_errors: list[str] = []
        self._refused: set[str] = set()
        self._joins: bool | None = {"yes": True, "no": False}.get(self._words["joined"])
        self._closed = False
        self._link = Link(
            resource,
            who=f"Multimeter '{name}'",
            open_timeout_s=open_timeout_s,
            termination=scpi.TERMINATIONS[self._words["termination"]],
            baud_rate=int(self._words["baud_rate"]),
            resource_manager=resource_manager,
        )
        try:
            self._link.open()
            self._greet()
        except BaseException:
            self._link.close()
            raise

    def identity(self) -> str:
        assert self._identity is not None
        return self._identity

    def measure(
        self,
        function: Function,
        *,
        range: float | None = None,
        line_cycles: float = 10.0,
        frequency_hz: float | None = None,
    ) -> MeterReading:
        """Take one fresh reading; see the protocol. An overload has value None and a standard uncertainty of NaN."""
        plan = self._planned(function, range, line_cycles, frequency_hz)
        with self._lock:
            for attempt in _ATTEMPTS:
                try:
                    self._make_ready()
                    return self._take(plan)
                except ConnectionLost:
                    self._link.close()
                    if attempt == _ATTEMPTS[-1]:
                        raise
                except (NoReply, GarbledReply):
                    self._link.clean = False
                    raise
            raise AssertionError("unreachable")

    def errors(self) -> list[str]:
        """Drain the instrument's error queue, and what was drained from it since the last call."""
        with self._lock:
            if self._link.clean and self._link.is_open:
                try:
                    self._drain()
                except (NoReply, GarbledReply):
                    self._link.clean = False
                    raise
            else:
                self._make_ready()
            found, self._seen_errors = self._seen_errors, []
            return found

    def close(self) -> None:
        with self._lock:
            self._closed = True
            self._link.close()

    def __enter__(self) -> ScpiMultimeter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _planned(
        self, function: Function, range: float | None, line_cycles: float, frequency_hz: float | None
    ) -> _Plan:
        """What a request needs, checked once and remembered. Raises InstrumentError for one that makes no sense."""
        request = (function, range, line_cycles, frequency_hz)
        plan = self._plans.get(request)
        if plan is not None:
            return plan
        if range is not None and not 0 < range < math.inf:
            raise InstrumentError(f"Multimeter '{self.name}': range {range!r}. Expected a full scale above 0, or None.")
        if not 0 < line_cycles <= 1000:
            raise InstrumentError(f"Multimeter '{self.name}': {line_cycles!r} line cycles. Expected 0.001 to 1000.")
        if frequency_hz is not None and not 0 < frequency_hz < math.inf:
            raise InstrumentError(f"Multimeter '{self.name}': frequency {frequency_hz!r} Hz. Expected one above 0 Hz.")
        function = Function(function)
        rows_for(self.accuracy, function, None, frequency_hz, meter=self.name)
        node = self._words[function.value]
        plan = _Plan(
            function=function,
            range=range if function in scpi.HAS_RANGE else None,
            frequency_hz=frequency_hz,
            messages=tuple(scpi.configuration(self._words, function, range, line_cycles, frequency_hz)),
            range_query=self._words["range"].format(function=node) if function in scpi.HAS_RANGE else "",
            patience_s=self._timeout_s
            + (
                _FILTER_SECONDS[scpi.bandwidth_for(frequency_hz)] if function is Function.AC_VOLTS else line_cycles / 25
            ),
        )
        if len(self._plans) > 200:
            self._plans.clear()
        self._plans[request] = plan
        return plan

    def _take(self, plan: _Plan) -> MeterReading:
        if plan.range is None and plan.range_query and self._joins is None:
            self._learn_joining()
        self._configure(plan)
        read, ask_range = self._words["read"], plan.range_query
        if plan.range is None and ask_range and self._joins:
            message = f"{read};:{ask_range}"
            parts = self._link.query(message, plan.patience_s).split(";")
            if len(parts) != 2:
                raise GarbledReply(
                    f"{self._link.who} answered {scpi.shown(';'.join(parts))} to {message!r}. Expected two numbers "
                    f"joined by ';'. If it cannot join queries, set override joined = \"no\"."
                )
            number = self._number(parts[0], read)
            full_scale = self._full_scale(parts[1], ask_range)
        else:
            number = self._number(self._link.query(read, plan.patience_s), read)
            full_scale = self._range
            if math.isnan(full_scale):
                if ask_range:
                    full_scale = self._full_scale(self._link.query(ask_range, self._timeout_s), ask_range)
                else:
                    full_scale = plan.range or self._likely_range(plan.function, number.value)
                if plan.range is not None:
                    self._range = full_scale  # a fixed range is asked for once
        if number.value is None:
            return MeterReading(plan.function, None, full_scale, math.nan, overload=True)
        rows = plan.rows.get(full_scale)
        if rows is None:
            rows = rows_for(self.accuracy, plan.function, full_scale, plan.frequency_hz, meter=self.name)
            plan.rows[full_scale] = rows
        u = standard_uncertainty(rows, plan.function, number.value, full_scale, plan.frequency_hz, meter=self.name)
        return MeterReading(plan.function, number.value, full_scale, u)

    def _configure(self, plan: _Plan) -> None:
        """Send what differs from the last configuration, and make sure that the meter took it."""
        if plan.messages == self._configured:
            return
        self._configured = None
        self._range = math.nan
        for message in plan.messages:
            if message not in self._refused:
                self._link.write(message)
        if self._drain():  # something was refused: find out what, since only the first message is indispensable
            for message in plan.messages:
                if message in self._refused:
                    continue
                self._link.write(message)
                refusal = self._drain()
                if refusal and message == plan.messages[0]:
                    raise InstrumentError(
                        f"{self._link.who} refused {message!r}: {'; '.join(refusal)}. Expected it to be accepted. "
                        f"Choose a range and function that the meter has, or write the command it uses as an override."
                    )
                if refusal:
                    self._refused.add(message)
        self._configured = plan.messages

    def _learn_joining(self) -> None:
        """Ask once whether the meter answers two queries in one message, which autorange saves time with."""
        try:
            self._joins = len(self._link.query("*ESE?;*SRE?", self._timeout_s).split(";")) == 2
        except ConnectionLost:
            raise
        except (NoReply, GarbledReply):
            self._joins = False
        if not self._joins:
            self._link.clean = False
            self._make_ready()

    def _number(self, text: str, command: str) -> scpi.Number:
        return scpi.parse_number(text, command=command, instrument=self._link.who)

    def _full_scale(self, text: str, command: str) -> float:
        full_scale = self._number(text, command).value
        if full_scale is None or not full_scale > 0:
            raise GarbledReply(
                f"{self._link.who} answered {scpi.shown(text)} to {command!r}. Expected its range, a number above 0."
            )
        return full_scale

    def _likely_range(self, function: Function, value: float | None) -> float:
        """For a meter that does not tell its range: the smallest stated range that holds the value, else its decade."""
        stated = [row.range for row in self.accuracy if row.function == function and math.isfinite(row.range)]
        fitting = [full_scale for full_scale in stated if value is not None and full_scale >= abs(value)]
        if fitting or stated:
            return min(fitting) if fitting else max(stated)
        return 10.0 ** math.ceil(math.log10(abs(value))) if value else 1.0

    def _make_ready(self) -> None:
        if self._closed:
            raise InstrumentError(f"{self._link.who} has been closed. Open the bench again.")
        if self._link.is_open and self._link.clean:
            return
        self._configured = None
        if self._link.is_open:
            self._link.clear()
        else:
            self._link.open()
        self._greet()

    def _greet(self) -> None:
        """Clear the instrument's status and read who it is, past anything that it still had to say."""
        if self._words["remote"]:
            self._link.write(self._words["remote"])
        if self._words["clear"]:
            self._link.write(self._words["clear"])
        ask = self._words["identity"]
        deadline = time.monotonic() + self._timeout_s
        self._link.clean = False
        self._link.write(ask)
        while True:
            text = self._link.read(ask, max(0.001, deadline - time.monotonic()))
            try:
                found = scpi.parse_identity(text, instrument=self._link.who)
            except GarbledReply:
                if self._link.kind == "serial":
                    continue  # a line from before; the deadline ends this
                raise
            if self._identity in (None, found):
                break
            if self._link.kind != "serial":
                raise InstrumentError(
                    f"{self._link.who} now answers as '{found}'. Expected '{self._identity}', which was opened here. "
                    f"Check that no other instrument took its address, then start the run again."
                )
        self._identity = found
        self._link.clean = True

    def _drain(self) -> list[str]:
        """Read the error queue until it is empty, at most `ERROR_READS` entries; what was found."""
        ask = self._words["error"]
        found: list[str] = []
        if not ask:
            return found
        for _ in range(ERROR_READS):
            entry = scpi.parse_error(self._link.query(ask, self._timeout_s), instrument=self._link.who)
            if entry is None:
                break
            found.append(str(entry))
        else:
            found.append(f"(the queue was not empty after {ERROR_READS} errors; cleared)")
            self._link.write(self._words["clear"])
        self._seen_errors += found
        return found
