"""A scanner (SCPI ROUTe) as the operator who connects this to that; what it has no relay for goes to a person.

Rules that every change keeps: break before make, so that two points are never joined by a meter's lead; a relay counts as
closed when the scanner says so, not when it was told to; on the way out, and after any fault, its relays are open.

After SCPI-1999 volume 2, ROUTe subsystem (from memory): ROUTe:CLOSe (@101), ROUTe:OPEN (@101), ROUTe:CLOSe? (@101).
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchtest.errors import InstrumentError
from benchtest.instruments.protocols import Operator
from benchtest.instruments.scpi_device import ScpiDevice

_CHANNELS = re.compile(r"\d{1,6}(\s*,\s*\d{1,6})*")


@dataclass(frozen=True)
class Connection:
    """A setting of ``Operator.set`` that relays make: name and state as they are asked for, and the channels to close."""

    setting: str
    state: str
    channels: tuple[int, ...]

    @property
    def channel_list(self) -> str:
        """As SCPI writes it.

        >>> Connection("bench meter", "left_output", (101, 102)).channel_list
        '(@101,102)'
        """
        return f"(@{','.join(map(str, self.channels))})"


def parse_channels(text: str) -> tuple[int, ...]:
    """Channel numbers as a bench file writes them: "101" or "101, 205". Raises ValueError.

    >>> parse_channels("101, 205")
    (101, 205)
    """
    if not _CHANNELS.fullmatch(text.strip()):
        raise ValueError(f"channels {text!r}: expected numbers such as '101' or '101, 205'")
    return tuple(int(part) for part in text.split(","))


class ScannerOperator:
    """The ``Operator`` protocol: relays for what they reach, the person (or program) behind for the rest.

    Parameters
    ----------
    person : Operator
        Whoever does, sees and reads what the scanner cannot.
    resource : str
        VISA resource of the scanner.
    connections : sequence of Connection
        What its relays make. All states of one setting exclude each other.
    """

    def __init__(
        self, person: Operator, resource: str, connections: Sequence[Connection], *, resource_manager: Any = None
    ) -> None:
        self._person = person
        self._connections = tuple(connections)
        self._device = ScpiDevice(resource, who="Scanner", resource_manager=resource_manager)
        try:
            self._open_all()
        except BaseException:
            self._device.close()
            raise

    @property
    def identity(self) -> str:
        return self._device.identity

    @property
    def tone_off(self) -> Callable[[], None] | None:
        """Called when the person hits the space bar."""
        return getattr(self._person, "tone_off", None)

    @tone_off.setter
    def tone_off(self, act: Callable[[], None] | None) -> None:
        if hasattr(self._person, "tone_off"):
            self._person.tone_off = act

    def set(self, settings: Mapping[str, str], *, say: str) -> None:
        """Have it done: by hand first, then by relays, in that order, so that a knob is never turned on a closed path that
        is about to open. Raises InstrumentError where a relay does not do what it was told."""
        by_relay = {name: found for name, state in settings.items() if (found := self._relays(name, state)) is not None}
        by_hand = {name: state for name, state in settings.items() if name not in by_relay}
        for name in by_hand:  # its relays must not stay closed while the leads are moved by hand
            self._release(name)
        if by_hand:
            self._person.set(by_hand, say=say)
        for name, connection in by_relay.items():
            self._connect(name, connection)

    def ask(self, question: str, choices: Sequence[str], *, about: str = "") -> str:
        return self._person.ask(question, choices, about=about)

    def enter(self, question: str, *, unit: str) -> str:
        return self._person.enter(question, unit=unit)

    def tell(self, text: str) -> None:
        self._person.tell(text)

    def close(self) -> None:
        """Open every relay, let go of the scanner and of the person. Never raises for a scanner that has gone."""
        with contextlib.suppress(InstrumentError):
            self._open_all()
        self._device.close()
        self._person.close()

    def _relays(self, name: str, state: str) -> Connection | None:
        wanted = state.replace(" ", "_")
        for connection in self._connections:
            if connection.setting == name and wanted == connection.state.replace(" ", "_"):
                return connection
        return None

    def _of(self, name: str) -> tuple[Connection, ...]:
        return tuple(each for each in self._connections if each.setting == name)

    def _release(self, name: str) -> None:
        """Open all relays of one setting, and see that they are."""
        for connection in self._of(name):
            self._device.command(f"ROUT:OPEN {connection.channel_list}")
        for connection in self._of(name):
            self._must_be(connection, closed=False)

    def _connect(self, name: str, connection: Connection) -> None:
        try:
            self._release(name)
            self._device.command(f"ROUT:CLOS {connection.channel_list}")
            self._must_be(connection, closed=True)
        except BaseException:
            with contextlib.suppress(InstrumentError):
                self._open_all()
            raise

    def _must_be(self, connection: Connection, *, closed: bool) -> None:
        for channel in connection.channels:
            if self._device.is_one(f"ROUT:CLOS? (@{channel})") is not closed:
                wanted = "closed" if closed else "open"
                raise InstrumentError(
                    f"{self._device.who}: channel {channel} was told to be {wanted} and is not, for "
                    f"{connection.setting} at {connection.state}. A relay that sticks joins points that must not be "
                    "joined: switch the amplifier off at the wall, then look at the scanner."
                )

    def _open_all(self) -> None:
        for connection in self._connections:
            self._device.command(f"ROUT:OPEN {connection.channel_list}")
