"""One line of text to an instrument and one line back, over every resource kind that pyvisa-py reaches.

Rules that every later change must keep:

* A reply belongs to the query before it. Bytes that wait before a query is sent are late or doubled: they are thrown
  away with the connection (`Link.clear`), never read as an answer; bytes left over after a reply spoil it. (A socket or
  serial line has no message numbers: a second copy that arrives only after the next query was sent looks like its
  reply. HiSLIP, VXI-11 and USB tell the two apart.)
* Nothing blocks longer than its timeout, opening included, and no reply grows without bound.
* After a timeout or a garbled reply the link is not `clean`: its user clears it before the next query.

What the text means is left to ``scpi`` and ``multimeter``. pyvisa is imported when the first link is opened.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
from typing import Any

from benchtest.errors import GarbledReply, InstrumentError, NoReply
from benchtest.instruments.scpi import shown

MAX_REPLY = 4096
"""Bytes; a multimeter's replies are below 100."""

_PEEK_NOW = int(socket.MSG_PEEK) | int(getattr(socket, "MSG_DONTWAIT", 0))
_shared: Any = None
_shared_lock = threading.Lock()


class ConnectionLost(NoReply):
    """The other end closed the connection, or the device has gone."""


def shared_resource_manager() -> Any:
    """The one pyvisa-py resource manager of this process, made when first asked for."""
    global _shared
    with _shared_lock:
        if _shared is None:
            import pyvisa

            _shared = pyvisa.ResourceManager("@py")
        return _shared


class Link:
    """An open resource. Not thread-safe; its user holds a lock.

    Parameters
    ----------
    resource : str
        A VISA resource name, such as ``TCPIP::192.168.1.20::5025::SOCKET`` or ``ASRL/dev/ttyUSB0::INSTR``.
    who : str
        How messages call the instrument, such as "Multimeter 'meter'".
    open_timeout_s : float
        Bound on opening, whatever the transport does.
    """

    def __init__(
        self,
        resource: str,
        *,
        who: str,
        open_timeout_s: float = 3.0,
        termination: str = "\n",
        baud_rate: int = 9600,
        resource_manager: Any = None,
    ) -> None:
        self.resource = resource
        self.who = f"{who} at '{resource}'"
        self.clean = True
        upper = resource.upper()
        self.kind = "socket" if upper.endswith("::SOCKET") else "serial" if upper.startswith("ASRL") else "message"
        self._open_timeout_s = open_timeout_s
        self._termination = termination
        self._baud_rate = baud_rate
        self._manager = resource_manager
        self._visa: Any = None
        self._socket: socket.socket | None = None
        self._timeout_ms = -1

    @property
    def is_open(self) -> bool:
        return self._visa is not None

    def open(self) -> None:
        """Open the resource. Raises InstrumentError within the open timeout."""
        manager = self._manager or shared_resource_manager()
        outcome: dict[str, Any] = {}
        given_up = threading.Event()

        def attempt() -> None:
            try:
                visa = manager.open_resource(self.resource, open_timeout=int(self._open_timeout_s * 1000))
            except Exception as error:  # pyvisa-py raises plain Exception, OSError, ValueError, AssertionError, ...
                outcome["error"] = error
                return
            outcome["visa"] = visa
            if given_up.is_set():
                with contextlib.suppress(Exception):
                    visa.close()

        # A thread, because pyvisa-py bounds only some of what opening does: not a name look-up, nor HiSLIP's second
        # connection, nor a serial driver.
        thread = threading.Thread(target=attempt, name=f"open {self.resource}", daemon=True)
        thread.start()
        thread.join(self._open_timeout_s + 0.5)
        if thread.is_alive():
            given_up.set()
            raise NoReply(f"{self.who} did not open within {self._open_timeout_s:g} s. {self._remedy()}")
        if "error" in outcome:
            error = outcome["error"]
            raise InstrumentError(f"{self.who} cannot be opened: {_words(error)}. {self._remedy()}") from error
        self._visa = outcome["visa"]
        self._timeout_ms = -1
        self.clean = True
        try:
            self._prepare()
        except BaseException:
            self.close()
            raise

    def _prepare(self) -> None:
        from pyvisa import constants

        if self.kind == "message":
            return
        visa = self._visa
        visa.read_termination = self._termination[-1]
        session = visa.visalib.sessions[visa.session]
        if self.kind == "serial":
            visa.baud_rate = self._baud_rate
            visa.flush(constants.BufferOperation.discard_read_buffer)
            return
        connection = getattr(session, "interface", None)
        if not isinstance(connection, socket.socket):
            return  # another VISA library: works, without early notice of a closed connection
        refused = connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if refused:  # pyvisa-py takes a refused connection for an open one
            raise InstrumentError(f"{self.who} cannot be opened: {os.strerror(refused)}. {self._remedy()}")
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket = connection

    def close(self) -> None:
        visa, self._visa, self._socket = self._visa, None, None
        if visa is not None:
            with contextlib.suppress(Exception):  # a device that has gone cannot be closed politely
                visa.close()

    def clear(self) -> None:
        """Throw away everything that is under way: a new connection for a socket, a device clear elsewhere.

        Raises InstrumentError when the instrument cannot be reached again.
        """
        if self.kind == "message" and self.is_open:
            try:
                self._visa.clear()
                self.clean = True
                return
            except Exception:  # a device clear that fails leaves a new connection as the last way
                self.close()
        if self.kind == "serial" and self.is_open:
            from pyvisa import constants

            try:
                self._visa.write_raw(self._termination.encode())  # ends a message that was cut off
                self._visa.flush(constants.BufferOperation.discard_read_buffer)
                self.clean = True
                return
            except Exception:
                self.close()
        self.close()
        self.open()

    def write(self, text: str) -> None:
        """Send one message. Raises ConnectionLost."""
        if self._visa is None:
            raise ConnectionLost(f"{self.who} is not open. {self._remedy()}")
        message = text if self.kind == "message" else text + self._termination
        try:
            self._visa.write_raw(message.encode("ascii"))
        except Exception as error:
            self.clean = False
            raise ConnectionLost(f"{self.who} did not take {text!r}: {_words(error)}. {self._remedy()}") from error

    def query(self, text: str, timeout_s: float) -> str:
        """Send one message and read its reply, one line, without the terminator.

        Raises
        ------
        NoReply
            If no complete line arrives in time; ConnectionLost, a kind of it, at once if the connection is closed.
        GarbledReply
            If it is not plain ASCII, too long, or followed by a second reply.
        """
        if self._waiting():
            self.clean = False
            raise GarbledReply(
                f"{self.who} had sent something before {text!r} was asked. Expected silence. The reply is thrown away; "
                f"check that no other program talks to it."
            )
        self.write(text)
        self.clean = False
        reply = self.read(text, timeout_s)
        if self._waiting():
            raise GarbledReply(
                f"{self.who} answered {text!r} with {shown(reply)} and more after it. Expected one reply. "
                f"Check that no other program talks to it."
            )
        self.clean = True
        return reply

    def read(self, asked: str, timeout_s: float) -> str:
        """Read one line; ``asked`` is for messages. Raises as `query` does."""
        raw = self._read_socket(asked, timeout_s) if self._socket is not None else self._read_visa(asked, timeout_s)
        if len(raw) >= MAX_REPLY:
            start = shown(raw[:40].decode("latin-1"))
            raise GarbledReply(
                f"{self.who} answered {asked!r} with {len(raw)} bytes or more, beginning with {start}. "
                f"Expected one short line. Check baud rate and terminator."
            )
        try:
            return raw.decode("ascii").strip("\r\n \t\0")
        except UnicodeDecodeError as error:
            raise GarbledReply(
                f"{self.who} answered {asked!r} with {shown(raw.decode('latin-1'))}. Expected plain ASCII text. "
                f"Check cable and baud rate."
            ) from error

    def _read_socket(self, asked: str, timeout_s: float) -> bytes:
        """Wait on the socket itself and let pyvisa read only what is there: pyvisa-py's own read spins when the other
        end has closed, and never ends while bytes trickle in without a terminator."""
        connection = self._socket
        assert connection is not None
        deadline = time.monotonic() + timeout_s
        end = self._termination[-1:].encode()
        got: bytes = b""
        while True:
            ready, _, _ = select.select([connection], [], [], max(0.0, deadline - time.monotonic()))
            if not ready:
                raise self._silence(asked, timeout_s, got)
            try:
                there = connection.recv(MAX_REPLY, socket.MSG_PEEK)
                if not there:
                    part = f" (it had sent {shown(got.decode('latin-1'))})" if got else ""
                    raise ConnectionLost(
                        f"{self.who} closed the connection before it answered {asked!r}{part}. {self._remedy()}"
                    )
                size = there.find(end) + 1
                if size:
                    got += bytes(self._visa.visalib.read(self._visa.session, size)[0])
                else:
                    got += bytes(self._visa.read_bytes(len(there)))
            except ConnectionLost:
                raise
            except Exception as error:
                raise ConnectionLost(f"{self.who} was lost while it answered {asked!r}: {_words(error)}.") from error
            if got.endswith(end) or len(got) >= MAX_REPLY:
                return got

    def _read_visa(self, asked: str, timeout_s: float) -> bytes:
        import pyvisa

        milliseconds = max(1, round(timeout_s * 1000))
        try:
            if milliseconds != self._timeout_ms:
                self._visa.timeout = milliseconds
                self._timeout_ms = milliseconds
            return bytes(self._visa.read_bytes(MAX_REPLY, chunk_size=MAX_REPLY, break_on_termchar=True))
        except pyvisa.VisaIOError as error:
            if error.error_code == pyvisa.constants.StatusCode.error_timeout:
                raise self._silence(asked, timeout_s, b"") from error
            raise ConnectionLost(f"{self.who} was lost while it answered {asked!r}: {_words(error)}.") from error
        except TimeoutError as error:
            raise self._silence(asked, timeout_s, b"") from error
        except Exception as error:  # OSError from a port that has gone, RuntimeError and assertions from HiSLIP
            raise ConnectionLost(f"{self.who} was lost while it answered {asked!r}: {_words(error)}.") from error

    def _waiting(self) -> bool:
        """Whether bytes that nobody asked for wait to be read. A lost connection is left for the write to notice."""
        if self._socket is not None:
            try:
                if not hasattr(socket, "MSG_DONTWAIT") and not select.select([self._socket], [], [], 0)[0]:
                    return False
                return bool(self._socket.recv(1, _PEEK_NOW))
            except OSError:
                return False
        if self.kind == "serial" and self._visa is not None:
            try:
                return bool(self._visa.bytes_in_buffer)
            except Exception:
                return False
        return False

    def _silence(self, asked: str, timeout_s: float, got: bytes) -> NoReply:
        part = f"no complete reply, only {shown(got.decode('latin-1'))}," if got else "no reply"
        return NoReply(
            f"{self.who} gave {part} to {asked!r} within {timeout_s:.3g} s. "
            f"Expected one line that ends in a line feed. {self._remedy()}"
        )

    def _remedy(self) -> str:
        if self.kind == "serial":
            return f"Check that it is on, cabled and set to {self._baud_rate} baud."
        if self.kind == "socket":
            return "Check that it is on and in the network, and its address and port."
        return "Check that it is on, connected, and not in use by another program."


def _words(error: BaseException) -> str:
    """A library's error as part of a sentence."""
    text = str(error) or type(error).__name__
    return " ".join(text.split()).rstrip(".")
