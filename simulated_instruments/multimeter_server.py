"""Simulated multimeters on loopback TCP ports and pseudo-terminals: one thread serves them all.

The thread runs while anything is served. Each message goes to its model in that thread, so that what the model reaches
(the simulated bench) is entered by one meter at a time. A test may set a server's ``misbehave`` hook, which decides
what really goes out instead of a reply: bytes, pauses, a closed connection.
"""

from __future__ import annotations

import contextlib
import heapq
import itertools
import os
import selectors
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Protocol

from benchtest.errors import InstrumentError

LOOPBACK = "127.0.0.1"
LONGEST_MESSAGE = 4096

CLOSE = None
Action = bytes | float | None
"""What goes out: bytes are sent, a number is a pause in seconds of wall time, None closes the connection."""

Misbehaviour = Callable[[str, "str | None"], Sequence[Action]]
"""From a message and the reply that the model gave to what goes out instead."""


class Answering(Protocol):
    """A model that answers messages."""

    def handle(self, message: str) -> str | None: ...

    def overrun(self) -> None: ...


class Connection(Protocol):
    """Something that a server keeps open."""

    def close(self) -> None: ...

    def drop_replies(self) -> None: ...


class Loop(threading.Thread):
    """A selector, calls from other threads, and timers."""

    def __init__(self) -> None:
        super().__init__(name="simulated multimeters", daemon=True)
        self.selector = selectors.DefaultSelector()
        self._calls: deque[Callable[[], None]] = deque()
        self._timers: list[tuple[float, int, Callable[[], None]]] = []
        self._ids = itertools.count()
        self._wake, self._woken = socket.socketpair()
        self._woken.setblocking(False)
        self.selector.register(self._woken, selectors.EVENT_READ, self._drain)
        self._ending = False

    def _drain(self) -> None:
        with contextlib.suppress(BlockingIOError):
            self._woken.recv(4096)

    def call(self, act: Callable[[], None]) -> None:
        """Have it done in the loop's thread, and wait for it."""
        if threading.current_thread() is self:
            act()
            return
        done = threading.Event()

        def run() -> None:
            try:
                act()
            finally:
                done.set()

        self._calls.append(run)
        with contextlib.suppress(OSError):  # woken by something else, it has done this already, and it was the end
            self._wake.send(b"w")
        done.wait()

    def later(self, seconds: float, act: Callable[[], None]) -> None:
        heapq.heappush(self._timers, (time.monotonic() + seconds, next(self._ids), act))

    def run(self) -> None:
        while not self._ending:
            timeout = max(0.0, self._timers[0][0] - time.monotonic()) if self._timers else None
            for key, _ in self.selector.select(timeout):
                key.data()
            while self._calls:
                self._calls.popleft()()
            while self._timers and self._timers[0][0] <= time.monotonic():
                heapq.heappop(self._timers)[2]()
        self.selector.close()
        self._wake.close()
        self._woken.close()

    def end(self) -> None:
        self._ending = True


_lock = threading.Lock()
_loop: Loop | None = None
_served = 0


def join_loop() -> Loop:
    """The thread that serves everything; started for the first."""
    global _loop, _served
    with _lock:
        if _loop is None:
            _loop = Loop()
            _loop.start()
        _served += 1
        return _loop


def leave_loop() -> None:
    """One server less; the thread ends with the last."""
    global _loop, _served
    with _lock:
        _served -= 1
        if _served == 0 and _loop is not None:
            ending, _loop = _loop, None
            ending.call(ending.end)
            if threading.current_thread() is not ending:
                ending.join(1.0)


class Outgoing:
    """What goes out on one connection, in order: bytes, pauses, the end."""

    def __init__(self, loop: Loop, write: Callable[[bytes], None], close: Callable[[], None]) -> None:
        self._loop = loop
        self._write = write
        self._close = close
        self._actions: deque[Action] = deque()
        self._pausing = False

    def add(self, actions: Sequence[Action]) -> None:
        """Queue actions, and start unless a pause is under way."""
        self._actions += actions
        if not self._pausing:
            self._go_on()

    def drop(self) -> None:
        """Forget everything that has not gone out."""
        self._actions.clear()

    def _go_on(self) -> None:
        self._pausing = False
        while self._actions:
            action = self._actions.popleft()
            if action is None:
                self._actions.clear()
                self._close()
            elif isinstance(action, bytes):
                try:
                    self._write(action)
                except OSError:
                    self._actions.clear()
                    self._close()
            else:
                self._pausing = True
                self._loop.later(action, self._go_on)
                return


class _Line:
    """One connection or terminal: splits what comes in into messages, answers them."""

    def __init__(self, server: Server, loop: Loop, handle: socket.socket | int) -> None:
        self._server = server
        self._loop = loop
        self._handle = handle
        self._incoming = bytearray()
        self._skipping = False
        self._outgoing = Outgoing(loop, self._write, self.close)
        self._open = True
        loop.selector.register(handle, selectors.EVENT_READ, self._readable)

    def _write(self, data: bytes) -> None:
        if isinstance(self._handle, socket.socket):
            self._handle.sendall(data)
        else:
            os.write(self._handle, data)

    def _readable(self) -> None:
        try:
            data = self._handle.recv(65536) if isinstance(self._handle, socket.socket) else os.read(self._handle, 65536)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self.close()
            return
        self._incoming += data
        while self._open:
            end = self._incoming.find(b"\n")
            if end < 0:
                break
            message = bytes(self._incoming[:end])
            del self._incoming[: end + 1]
            if self._skipping:
                self._skipping = False
            elif len(message) > LONGEST_MESSAGE:
                self._server.model.overrun()
            else:
                self._answer(message)
        if len(self._incoming) > LONGEST_MESSAGE:
            self._incoming.clear()
            if not self._skipping:
                self._server.model.overrun()
            self._skipping = True

    def _answer(self, message: bytes) -> None:
        text = message.decode("latin-1").strip("\r\n \0")
        reply = self._server.model.handle(text)
        if self._server.misbehave is not None:
            self._outgoing.add(self._server.misbehave(text, reply))
        elif reply is not None:
            self._outgoing.add([reply.encode("ascii") + b"\n"])

    def drop_replies(self) -> None:
        self._outgoing.drop()

    def close(self) -> None:
        if self._open:
            self._open = False
            self._outgoing.drop()
            self._loop.selector.unregister(self._handle)
            if isinstance(self._handle, socket.socket):
                self._handle.close()
            self._server.forget(self)


class Server:
    """A served multimeter. ``resource`` is its VISA resource name, ``port`` its TCP port (0 for a terminal)."""

    def __init__(self, model: Answering, *, port: int, resource: str, loop: Loop, shut: Callable[[], None]) -> None:
        self.model = model
        self.port = port
        self.resource = resource
        self.misbehave: Misbehaviour | None = None
        self._loop = loop
        self._shut = shut
        self._lines: set[Connection] = set()
        self._closed = False

    def drop_connections(self) -> None:
        """Close every connection, as when a cable is pulled; the port goes on listening."""
        self._loop.call(self._drop)

    def close(self) -> None:
        """Stop serving. May be called more than once."""
        if self._closed:
            return
        self._closed = True

        def stop() -> None:
            self._drop()
            self._shut()

        self._loop.call(stop)
        leave_loop()

    def __enter__(self) -> Server:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _drop(self) -> None:
        for line in list(self._lines):
            line.close()

    def forget_replies(self) -> None:
        """Drop what has not gone out yet, on every connection: a device clear."""
        for line in self._lines:
            line.drop_replies()

    def adopt(self, line: Connection) -> None:
        self._lines.add(line)

    def forget(self, line: Connection) -> None:
        self._lines.discard(line)


def listen(port: int, accepted: Callable[[socket.socket, Loop], None]) -> tuple[int, Loop, Callable[[], None]]:
    """Listen on a loopback port; the port, the loop, and what stops listening.

    Raises
    ------
    InstrumentError
        If the port is in use.
    """
    try:
        listener = socket.create_server((LOOPBACK, port))
    except OSError as error:
        raise InstrumentError(
            f"Port {port} on {LOOPBACK} cannot be served: {os.strerror(error.errno or 0)}. Expected a free port. "
            f"Choose another one, or 0 for any."
        ) from error
    listener.setblocking(False)
    loop = join_loop()

    def accept() -> None:
        try:
            connection, _ = listener.accept()
        except OSError:
            return
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        accepted(connection, loop)

    def start() -> None:
        loop.selector.register(listener, selectors.EVENT_READ, accept)

    def shut() -> None:
        loop.selector.unregister(listener)
        listener.close()

    loop.call(start)
    return int(listener.getsockname()[1]), loop, shut


def serve_tcp(model: Answering, *, port: int = 0) -> Server:
    """Serve a model on a loopback TCP port (0: any free one), messages ended by a line feed.

    Raises
    ------
    InstrumentError
        If the port is in use.
    """
    served: list[Server] = []
    port, loop, shut = listen(port, lambda connection, loop: served[0].adopt(_Line(served[0], loop, connection)))
    served.append(Server(model, port=port, resource=f"TCPIP::{LOOPBACK}::{port}::SOCKET", loop=loop, shut=shut))
    return served[0]


def serve_pty(model: Answering) -> Server:
    """Serve a model on a pseudo-terminal, reached as a serial instrument.

    Raises
    ------
    InstrumentError
        Where the operating system has no pseudo-terminals.
    """
    try:
        import tty

        master, slave = os.openpty()
    except (ImportError, AttributeError, OSError) as error:
        raise InstrumentError(
            f"No pseudo-terminal can be had: {error}. Expected a Unix system. Serve the meter on TCP."
        ) from error
    tty.setraw(slave)
    os.set_blocking(master, False)
    path = os.ttyname(slave)
    loop = join_loop()

    def shut() -> None:
        os.close(master)
        os.close(slave)

    # The slave's end stays open here, so that a client may come and go without the terminal going away.
    server = Server(model, port=0, resource=f"ASRL{path}::INSTR", loop=loop, shut=shut)
    loop.call(lambda: server.adopt(_Line(server, loop, master)))
    return server
