"""A simulated multimeter behind VXI-11, the remote procedure calls of older network instruments.

Enough of it for one client after another: links, write with its END flag, read, status byte, device clear, trigger, and
locks that are always granted. There is no port mapper (that is port 111, and root's): a client names the port, which
pyvisa-py takes as TCPIP::127.0.0.1,port::inst0::INSTR.

RPC and its record marking after RFC 5531, numbers in XDR (RFC 4506); procedure numbers as pyvisa-py's client has them.
"""

from __future__ import annotations

import contextlib
import itertools
import selectors
import socket
import struct
from collections.abc import Callable

from simulated_instruments.multimeter import MultimeterModel
from simulated_instruments.multimeter_server import LOOPBACK, Loop, Outgoing, Server, listen

_CORE_PROGRAM, _CORE_VERSION = 0x0607AF, 1
_CREATE_LINK, _WRITE, _READ, _STATUS, _TRIGGER, _CLEAR, _REMOTE, _LOCAL = 10, 11, 12, 13, 14, 15, 16, 17
_LOCK, _UNLOCK, _DESTROY_LINK = 18, 19, 23
_NO_ERROR, _INVALID_LINK, _IO_TIMEOUT = 0, 4, 15
_END_FLAG, _REQUESTED, _ENDED = 8, 1, 4
_LAST = 0x80000000
_LARGEST = 1 << 20
_ACCEPTED = struct.Struct("!6I")  # xid, reply, accepted, null verifier (2), status
_SUCCESS, _PROGRAM_UNAVAILABLE, _PROCEDURE_UNAVAILABLE = 0, 1, 3


class _Arguments:
    """The XDR arguments of a call, taken one after the other."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def word(self) -> int:
        (value,) = struct.unpack_from("!I", self._data, self._at)
        self._at += 4
        return int(value)

    def opaque(self) -> bytes:
        size = self.word()
        value = self._data[self._at : self._at + size]
        self._at += (size + 3) // 4 * 4
        return value


def _opaque(data: bytes) -> bytes:
    return struct.pack("!I", len(data)) + data + b"\0" * (-len(data) % 4)


class _Core:
    """One connection of a client to the core channel."""

    def __init__(
        self, server: Server, model: MultimeterModel, loop: Loop, connection: socket.socket, ids: Callable[[], int]
    ) -> None:
        self._server = server
        self._model = model
        self._loop = loop
        self._socket = connection
        self._next_id = ids
        self._links: set[int] = set()
        self._incoming = bytearray()
        self._message = bytearray()
        self._reply: bytes = b""
        self._outgoing = Outgoing(loop, connection.sendall, self.close)
        self._open = True
        loop.selector.register(connection, selectors.EVENT_READ, self._readable)

    def close(self) -> None:
        if self._open:
            self._open = False
            self._outgoing.drop()
            self._loop.selector.unregister(self._socket)
            self._socket.close()
            self._server.forget(self)

    def drop_replies(self) -> None:
        self._reply = b""

    def _readable(self) -> None:
        try:
            data = self._socket.recv(65536)
        except OSError:
            data = b""
        self._incoming += data
        if not data or len(self._incoming) > _LARGEST:
            self.close()
            return
        with contextlib.suppress(struct.error):  # a call that is shorter than it says gets no answer
            while self._open and len(self._incoming) >= 4:
                (mark,) = struct.unpack_from("!I", self._incoming)
                size = mark & ~_LAST
                if len(self._incoming) < 4 + size:
                    return
                call = bytes(self._incoming[4 : 4 + size])
                del self._incoming[: 4 + size]
                self._answer(_Arguments(call))

    def _answer(self, call: _Arguments) -> None:
        xid = call.word()
        for _ in range(2):  # "call", and the version of RPC
            call.word()
        program, version, procedure = call.word(), call.word(), call.word()
        for _ in range(2):  # credentials and verifier
            call.word()
            call.opaque()
        status, body = _SUCCESS, b""
        if (program, version) != (_CORE_PROGRAM, _CORE_VERSION):
            status = _PROGRAM_UNAVAILABLE
        else:
            done = self._do(procedure, call)
            status, body = (_PROCEDURE_UNAVAILABLE, b"") if done is None else (_SUCCESS, done)
        record = _ACCEPTED.pack(xid, 1, 0, 0, 0, status) + body
        self._outgoing.add([struct.pack("!I", _LAST | len(record)) + record])

    def _do(self, procedure: int, call: _Arguments) -> bytes | None:
        if procedure == 0:
            return b""
        if procedure == _CREATE_LINK:
            link = self._next_id()
            self._links.add(link)
            return struct.pack("!IIII", _NO_ERROR, link, 0, 65536)
        link = call.word()
        if link not in self._links:
            return struct.pack("!I", _INVALID_LINK) + b"\0" * {_WRITE: 4, _READ: 8, _STATUS: 4}.get(procedure, 0)
        if procedure == _WRITE:
            return self._write(call)
        if procedure == _READ:
            return self._read(call)
        if procedure == _STATUS:
            byte = self._model.status.status_byte(message_available=bool(self._reply) or self._model.message_available)
            return struct.pack("!II", _NO_ERROR, byte)
        if procedure == _CLEAR:
            self._message.clear()
            self._reply = b""
            self._model.device_clear()
        elif procedure == _TRIGGER:
            self._model.receive("*TRG")
        elif procedure == _DESTROY_LINK:
            self._links.discard(link)
        elif procedure not in (_REMOTE, _LOCAL, _LOCK, _UNLOCK):
            return None
        return struct.pack("!I", _NO_ERROR)

    def _write(self, call: _Arguments) -> bytes:
        call.word(), call.word()  # timeouts
        flags = call.word()
        data = call.opaque()
        self._message += data
        if flags & _END_FLAG:
            text = self._message.decode("latin-1").rstrip("\r\n")
            self._message.clear()
            self._reply = b""
            self._model.receive(text)
        return struct.pack("!II", _NO_ERROR, len(data))

    def _read(self, call: _Arguments) -> bytes:
        """Part of the reply; END with its last byte. A model without one is silent: a timeout, at once."""
        size = call.word()
        if not self._reply and self._model.message_available:
            reply = self._model.send()
            self._reply = b"" if reply is None else reply.encode("latin-1") + b"\n"
        if not self._reply:
            self._model.send()  # -420: nothing was asked
            return struct.pack("!II", _IO_TIMEOUT, 0) + _opaque(b"")
        part, self._reply = self._reply[:size], self._reply[size:]
        return struct.pack("!II", _NO_ERROR, _REQUESTED if self._reply else _ENDED) + _opaque(part)


def serve_vxi11(model: MultimeterModel, *, port: int = 0) -> Server:
    """Serve a meter on a loopback port. Raises InstrumentError where the port is taken."""
    ids = itertools.count(1)
    made: list[Server] = []

    def accepted(connection: socket.socket, loop: Loop) -> None:
        made[0].adopt(_Core(made[0], model, loop, connection, lambda: next(ids)))

    taken, loop, shut = listen(port, accepted)
    resource = f"TCPIP::{LOOPBACK},{taken}::inst0::INSTR"
    made.append(Server(model, port=taken, resource=resource, loop=loop, shut=shut))
    return made[0]
