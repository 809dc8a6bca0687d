"""The simulated bench's control port: operator, clock and mains socket for another process. Server side.

JSON, one object a line, over loopback TCP. A request is ``{"do": ...}`` with the fields below; the answer is
``{"result": ...}`` or ``{"error": text}``. A line that cannot be understood is answered with an error and the
connection stays open.

==========  =====================================  ===========================================
do          fields                                 result
==========  =====================================  ===========================================
set         settings {name: state}, say            null, when it is done
ask         question, choices, about               one of choices
enter       question, unit                         text
tell        text                                   null
now         -                                      seconds
sleep       seconds                                null, when they have passed
socket      state "on", "off" or absent            whether mains is on
sounding    seconds                                null; so long the client plays or records (0: it has done)
==========  =====================================  ===========================================
"""

from __future__ import annotations

import contextlib
import json
import logging
import math
import socket
import socketserver
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from benchtest.errors import BenchtestError, InstrumentError

if TYPE_CHECKING:
    from simulated_instruments.bench import SimulatedBench

_LINE_LIMIT = 65536
_log = logging.getLogger(__name__)


def answer(bench: SimulatedBench, line: str) -> dict[str, Any]:
    """The answer to one line of request. Never raises for what came in."""
    try:
        request = json.loads(line)
        if not isinstance(request, dict):
            raise TypeError(f"expected an object, found {type(request).__name__}")
        do = request.pop("do", None)
        if do not in _DOES:
            return {"error": f"do = {do!r}: expected one of: {', '.join(_DOES)}."}
        return {"result": _DOES[do](bench, **request)}
    except json.JSONDecodeError as error:
        return {"error": f"This is no JSON: {line[:80]!r} ({error}). Expected one object a line."}
    except (TypeError, ValueError) as error:
        return {"error": f"This request cannot be understood: {line[:200]!r} ({error})."}
    except BenchtestError as error:
        return {"error": str(error)}
    except Exception as error:  # whatever it is, the client is told, and the port stays open
        _log.exception("The simulated bench failed at %r.", line[:200])
        return {"error": f"The simulated bench failed: {type(error).__name__}: {error}."}


def _set(bench: SimulatedBench, *, settings: dict[str, str], say: str) -> None:
    if not isinstance(settings, dict) or not all(isinstance(value, str) for value in settings.values()):
        raise TypeError("settings: expected an object of texts")
    bench.operator().set(settings, say=say)


def _ask(bench: SimulatedBench, *, question: str, choices: list[str], about: str = "") -> str:
    return bench.operator().ask(question, choices, about=about)


def _enter(bench: SimulatedBench, *, question: str, unit: str) -> str:
    return bench.operator().enter(question, unit=unit)


def _tell(bench: SimulatedBench, *, text: str) -> None:
    bench.operator().tell(text)


def _now(bench: SimulatedBench) -> float:
    return bench.clock.now()


def _sleep(bench: SimulatedBench, *, seconds: float) -> None:
    bench.clock.sleep(seconds)


def _sounding(bench: SimulatedBench, *, seconds: float) -> None:
    if not 0.0 <= seconds < math.inf:
        raise ValueError(f"seconds = {seconds!r}: expected a finite time of 0 s or more")
    bench.expect_sound(seconds)


def _socket(bench: SimulatedBench, *, state: str | None = None) -> bool:
    mains = bench.mains_socket()
    if state not in (None, "on", "off"):
        raise InstrumentError(f"socket state {state!r}: expected on or off.")
    if state is not None:
        mains.on() if state == "on" else mains.off()
    return mains.is_on()


_DOES: dict[str, Callable[..., Any]] = {
    "set": _set,
    "ask": _ask,
    "enter": _enter,
    "tell": _tell,
    "now": _now,
    "sleep": _sleep,
    "socket": _socket,
    "sounding": _sounding,
}


class _Connection(socketserver.StreamRequestHandler):
    server: _Server

    def handle(self) -> None:
        self.server.connected.add(self.request)
        try:
            # A client that goes away in the middle of a line is nobody's error.
            with contextlib.suppress(OSError):
                while line := self.rfile.readline(_LINE_LIMIT):
                    reply = answer(self.server.bench, line.decode("utf-8", errors="replace"))
                    self.wfile.write(json.dumps(reply).encode() + b"\n")
        finally:
            self.server.connected.discard(self.request)


class _Server(socketserver.ThreadingTCPServer):
    daemon_threads = True
    block_on_close = False
    allow_reuse_address = True

    def __init__(self, port: int, bench: SimulatedBench) -> None:
        self.bench = bench
        self.connected: set[socket.socket] = set()
        super().__init__(("127.0.0.1", port), _Connection)


class ControlServer:
    """A control port that is open; ``port`` is its number, ``resource`` what a bench file calls it."""

    def __init__(self, bench: SimulatedBench, port: int) -> None:
        try:
            self._server = _Server(port, bench)
        except (OSError, OverflowError) as error:
            raise InstrumentError(
                f"The control port 127.0.0.1:{port} cannot be opened ({error}). Expected a free port. Give another "
                "number, or 0 for any."
            ) from error
        self.port: int = self._server.server_address[1]
        self.resource = f"127.0.0.1:{self.port}"
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.05}, name="control port", daemon=True
        )
        self._thread.start()

    def close(self) -> None:
        """Close the port and every connection. Idempotent."""
        self._server.shutdown()
        self._server.server_close()
        for connection in list(self._server.connected):
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        self._thread.join(2.0)


def serve_control(bench: SimulatedBench, *, port: int = 0) -> ControlServer:
    """Serve the bench's operator, clock and mains socket on loopback; port 0 takes any free one.

    Raises InstrumentError if the port is in use.
    """
    return ControlServer(bench, port)
