"""A simulated scanner and mains socket in one SCPI model: relays that move meters' leads, and an output that is the mains.

Pure but for what its relays reach; served with ``multimeter_server.serve_tcp`` as the meters are. A test may make a
channel stick.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

from simulated_instruments.scpi_status import Status

_LIST = re.compile(r"\(@(\d+(?:,\d+)*)\)")
_COMMAND = re.compile(
    r":?(ROUT(?:E)?:(?:CLOS(?:E)?|OPEN)|OUTP(?:UT)?(?::STAT(?:E)?)?)(\??)(?:\s+(\S.*))?", re.IGNORECASE
)


class SwitchingModel:
    """SCPI text in, reply out; None is silence.

    Parameters
    ----------
    closed : mapping of channel to function
        What happens when a channel closes, such as a lead that is moved.
    opened : function of channel
        What happens when one opens.
    output : function of on or off, and what says which it is
    identity : str

    Examples
    --------
    >>> box = SwitchingModel({101: lambda: print("closed")})
    >>> box.handle("ROUT:CLOS (@101)"), box.handle("ROUT:CLOS? (@101)"), box.handle("ROUT:CLOS (@7)")
    closed
    (None, '1', None)
    >>> box.handle("SYST:ERR?")
    '-222,"Data out of range"'
    """

    def __init__(
        self,
        closed: Mapping[int, Callable[[], None]],
        *,
        opened: Callable[[int], None] = lambda channel: None,
        output: Callable[[bool], None] = lambda on: None,
        is_on: Callable[[], bool] = lambda: False,
        identity: str = "benchtest,simulated scanner,1,1.0",
    ) -> None:
        self.identity = identity
        self.status = Status()
        self.closed: set[int] = set()
        self.stuck: set[int] = set()
        """Channels that stay as they are."""
        self.log: list[str] = []
        self._on_close = dict(closed)
        self._on_open = opened
        self._output = output
        self._is_on = is_on

    def handle(self, message: str) -> str | None:
        """Carry out one message."""
        text = message.strip()
        self.log.append(text)
        upper = text.upper()
        if upper == "*IDN?":
            return self.identity
        if upper == "*CLS":
            self.status.clear()
            return None
        if upper in ("SYST:ERR?", "SYSTEM:ERROR?"):
            return self.status.next_error()
        found = _COMMAND.fullmatch(text)
        if found is None:
            self.status.report(-113)
            return None
        header, query, rest = found.group(1).upper(), bool(found.group(2)), (found.group(3) or "").strip()
        if header.startswith("OUTP"):
            return self._switch(query, rest.upper())
        return self._route(header.endswith("OPEN"), query, rest)

    def overrun(self) -> None:
        """A message longer than the input buffer (-363)."""
        self.status.report(-363)

    def _switch(self, query: bool, rest: str) -> str | None:
        if query:
            return "1" if self._is_on() else "0"
        if rest not in ("ON", "OFF", "1", "0"):
            self.status.report(-224)
            return None
        self._output(rest in ("ON", "1"))
        return None

    def _route(self, opening: bool, query: bool, rest: str) -> str | None:
        found = _LIST.fullmatch(rest.replace(" ", ""))
        if found is None:
            self.status.report(-109 if not rest else -104)
            return None
        channels = [int(part) for part in found.group(1).split(",")]
        if not set(channels) <= self._on_close.keys():
            self.status.report(-222)
            return None
        if query:
            return ",".join("1" if (channel in self.closed) is not opening else "0" for channel in channels)
        for channel in channels:
            if channel not in self.stuck:
                self._move(channel, closing=not opening)
        return None

    def _move(self, channel: int, *, closing: bool) -> None:
        if closing and channel not in self.closed:
            self.closed.add(channel)
            self._on_close[channel]()
        elif not closing and channel in self.closed:
            self.closed.discard(channel)
            self._on_open(channel)
