"""A simulated multimeter behind HiSLIP (IVI-6.1), the network protocol with message boundaries and a device clear.

Enough of it for a client in synchronised mode: initialisation of the two channels, data, status query, device clear,
trigger and locks that are always granted. Message types and the 16-byte header as pyvisa-py's client has them.
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

_HEADER = struct.Struct("!2sBBIQ")
_LARGEST = 1 << 20

_INITIALIZE, _INITIALIZE_RESPONSE, _FATAL_ERROR, _ERROR = 0, 1, 2, 3
_ASYNC_LOCK, _ASYNC_LOCK_RESPONSE, _DATA, _DATA_END = 4, 5, 6, 7
_DEVICE_CLEAR_COMPLETE, _DEVICE_CLEAR_ACKNOWLEDGE, _TRIGGER = 8, 9, 12
_ASYNC_MAX_SIZE, _ASYNC_MAX_SIZE_RESPONSE, _ASYNC_INITIALIZE, _ASYNC_INITIALIZE_RESPONSE = 15, 16, 17, 18
_ASYNC_DEVICE_CLEAR, _ASYNC_STATUS_QUERY, _ASYNC_STATUS_RESPONSE, _ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 19, 21, 22, 23
_VERSION_1_0 = 0x0100


class _Channel:
    """One of the two connections of a session; which one it is, the first message says."""

    def __init__(
        self,
        server: Server,
        model: MultimeterModel,
        loop: Loop,
        connection: socket.socket,
        ids: Callable[[], int],
    ) -> None:
        self._server = server
        self._model = model
        self._loop = loop
        self._socket = connection
        self._next_id = ids
        self._incoming = bytearray()
        self._message = bytearray()
        self._outgoing = Outgoing(loop, connection.sendall, self.close)
        self._open = True
        loop.selector.register(connection, selectors.EVENT_READ, self._readable)

    def _readable(self) -> None:
        try:
            data = self._socket.recv(65536)
        except OSError:
            data = b""
        if not data:
            self.close()
            return
        self._incoming += data
        while self._open and len(self._incoming) >= _HEADER.size:
            prologue, kind, control, parameter, length = _HEADER.unpack(self._incoming[: _HEADER.size])
            if prologue != b"HS" or length > _LARGEST:
                self._send(_FATAL_ERROR, 1, 0)
                self.close()
                return
            if len(self._incoming) < _HEADER.size + length:
                return
            payload = bytes(self._incoming[_HEADER.size : _HEADER.size + length])
            del self._incoming[: _HEADER.size + length]
            self._take(kind, control, parameter, payload)

    def _take(self, kind: int, control: int, parameter: int, payload: bytes) -> None:
        if kind == _INITIALIZE:
            self._send(_INITIALIZE_RESPONSE, 0, _VERSION_1_0 << 16 | self._next_id())
        elif kind == _ASYNC_INITIALIZE:
            self._send(_ASYNC_INITIALIZE_RESPONSE, 0, 0)
        elif kind == _ASYNC_MAX_SIZE:
            self._send(_ASYNC_MAX_SIZE_RESPONSE, 0, 0, struct.pack("!Q", _LARGEST))
        elif kind in (_DATA, _DATA_END):
            self._message += payload
            if kind == _DATA_END:
                text = bytes(self._message).decode("latin-1").strip("\r\n \0")
                self._message.clear()
                self._answer(text, parameter)
        elif kind == _TRIGGER:
            self._model.handle("*TRG")
        elif kind == _ASYNC_STATUS_QUERY:
            status = self._model.status.status_byte(message_available=self._model.message_available)
            self._send(_ASYNC_STATUS_RESPONSE, status, 0)
        elif kind == _ASYNC_DEVICE_CLEAR:
            self._model.device_clear()
            self._server.forget_replies()
            self._send(_ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, 0, 0)
        elif kind == _DEVICE_CLEAR_COMPLETE:
            self._message.clear()
            self._send(_DEVICE_CLEAR_ACKNOWLEDGE, 0, 0)
        elif kind == _ASYNC_LOCK:
            self._send(_ASYNC_LOCK_RESPONSE, 1, 0)
        else:
            self._send(_ERROR, 1, 0)

    def _answer(self, text: str, message_id: int) -> None:
        reply = self._model.handle(text)
        if self._server.misbehave is not None:
            actions = self._server.misbehave(text, reply)
            self._outgoing.add(
                [
                    _packed(_DATA_END, 0, message_id, action) if isinstance(action, bytes) else action
                    for action in actions
                ]
            )
        elif reply is not None:
            self._outgoing.add([_packed(_DATA_END, 0, message_id, reply.encode("ascii") + b"\n")])

    def _send(self, kind: int, control: int, parameter: int, payload: bytes = b"") -> None:
        self._outgoing.add([_packed(kind, control, parameter, payload)])

    def drop_replies(self) -> None:
        self._outgoing.drop()

    def close(self) -> None:
        if self._open:
            self._open = False
            self._outgoing.drop()
            self._loop.selector.unregister(self._socket)
            with contextlib.suppress(OSError):
                self._socket.close()
            self._server.forget(self)


def _packed(kind: int, control: int, parameter: int, payload: bytes = b"") -> bytes:
    return _HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload


def serve_hislip(model: MultimeterModel, *, port: int = 0) -> Server:
    """Serve a model over HiSLIP on a loopback port (0: any free one; the registered one is 4880).

    A server's ``misbehave`` hook gives payloads here; each goes out as a complete message.

    Raises
    ------
    InstrumentError
        If the port is in use.
    """
    served: list[Server] = []
    ids = itertools.count(1)

    def accepted(connection: socket.socket, loop: Loop) -> None:
        served[0].adopt(_Channel(served[0], model, loop, connection, lambda: next(ids) & 0xFFFF))

    port, loop, shut = listen(port, accepted)
    served.append(Server(model, port=port, resource=f"TCPIP::{LOOPBACK}::hislip0,{port}::INSTR", loop=loop, shut=shut))
    return served[0]
