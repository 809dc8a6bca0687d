"""A SCPI instrument that switches things rather than measures: commands that are checked, queries that are short.

What a scanner and a switched socket have in common. Every command is followed by a look at the error queue, so that what
was refused is an error and never a relay that is believed to be closed.
"""

from __future__ import annotations

import threading
from typing import Any

from benchtest.errors import InstrumentError, NoReply
from benchtest.instruments import scpi
from benchtest.instruments.visa_link import ConnectionLost, Link

TIMEOUT_S = 2.0
ERROR_READS = 30
TRIES = 2
"""How often a call may find its connection closed before it gives up."""


class ScpiDevice:
    """An open instrument. Raises InstrumentError where it cannot be opened or does not say who it is."""

    def __init__(self, resource: str, *, who: str, resource_manager: Any = None) -> None:
        self._lock = threading.RLock()
        self._closed = False
        self._link = Link(resource, who=who, resource_manager=resource_manager)
        self.who = self._link.who
        try:
            self._link.open()
            self.identity = scpi.parse_identity(self._link.query("*IDN?", TIMEOUT_S), instrument=self.who)
            self._link.write("*CLS")
        except BaseException:
            self._link.close()
            raise

    def command(self, text: str) -> None:
        """Send a command. Raises InstrumentError with the instrument's own words where it refuses."""
        errors = self._errors_after(text)
        if errors:
            raise InstrumentError(
                f"{self.who} refused {text!r}: {'; '.join(errors)}. Expected it to be accepted. Correct the channel or the "
                "command in the bench file."
            )

    def query(self, text: str) -> str:
        """Ask; one line. Raises NoReply, GarbledReply."""
        return str(self._again(lambda: self._link.query(text, TIMEOUT_S)))

    def is_one(self, text: str) -> bool:
        """Whether a query is answered 1. Raises GarbledReply where it is neither 1 nor 0."""
        value = scpi.parse_number(self.query(text), command=text, instrument=self.who).value
        return value == 1.0

    def close(self) -> None:
        with self._lock:
            self._closed = True
            self._link.close()

    def _errors_after(self, text: str) -> list[str]:
        def act() -> list[str]:
            self._link.write(text)
            found: list[str] = []
            for _ in range(ERROR_READS):
                entry = scpi.parse_error(self._link.query("SYST:ERR?", TIMEOUT_S), instrument=self.who)
                if entry is None:
                    break
                found.append(str(entry))
            return found

        result: list[str] = self._again(act)
        return result

    def _again(self, act: Any) -> Any:
        """Carry it out, once more over a new connection where the old one was closed."""
        with self._lock:
            if self._closed:
                raise InstrumentError(f"{self.who} has been closed. Open the bench again.")
            for attempt in range(1, TRIES + 1):
                try:
                    if not self._link.is_open:
                        self._link.open()
                    elif not self._link.clean:
                        self._link.clear()
                    return act()
                except ConnectionLost:
                    self._link.close()
                    if attempt == TRIES:
                        raise
                except NoReply:
                    self._link.clean = False
                    raise
            raise AssertionError("unreachable")
