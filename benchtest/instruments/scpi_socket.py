"""A switched mains socket that speaks SCPI: OUTPut ON, OUTPut OFF, OUTPut?. Every stop uses it.

It counts as switched when it says so. One that does not answer is no way to switch off: the message says "at the wall".
SCPI-1999 volume 2, OUTPut subsystem (from memory); other words can be given in the bench file.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchtest.errors import FileError, InstrumentError
from benchtest.instruments.scpi_device import ScpiDevice

COMMANDS = {"on": "OUTP ON", "off": "OUTP OFF", "state": "OUTP?"}


class ScpiSocket:
    """A ``SwitchedSocket``. ``overrides`` replace COMMANDS. Raises InstrumentError where it cannot be opened."""

    def __init__(
        self, resource: str, *, overrides: Mapping[str, str] | None = None, resource_manager: Any = None
    ) -> None:
        unknown = set(overrides or {}) - COMMANDS.keys()
        if unknown:
            raise FileError(
                f"[mains_socket] commands: {', '.join(sorted(unknown))} is none of them. Expected {', '.join(COMMANDS)}."
            )
        self._words = {**COMMANDS, **(overrides or {})}
        self._device = ScpiDevice(resource, who="Mains socket", resource_manager=resource_manager)

    @property
    def identity(self) -> str:
        return self._device.identity

    def on(self) -> None:
        """Mains on; it is read back."""
        self._switch("on", True)

    def off(self) -> None:
        """Mains off; it is read back. Off already is no error."""
        self._switch("off", False)

    def is_on(self) -> bool:
        """Whether it says that it is on."""
        return self._device.is_one(self._words["state"])

    def close(self) -> None:
        """Let go of it; it stays as it is."""
        self._device.close()

    def _switch(self, state: str, expected: bool) -> None:
        try:
            self._device.command(self._words[state])
            done = self.is_on() is expected
        except InstrumentError as error:
            raise InstrumentError(
                f"{error} Whether the mains is {state} is not known: switch off AT THE WALL."
            ) from error
        if not done:
            raise InstrumentError(
                f"{self._device.who} was switched {state} and says that it is not. Expected what it was told. Switch off AT "
                "THE WALL."
            )
