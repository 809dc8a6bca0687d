"""Operator, clock and mains socket of a simulated bench in another process, over its control port. Client side.

JSON, one object a line, over loopback TCP: ``{"do": "set", ...}`` is answered by ``{"result": ...}`` or ``{"error":
text}``. Each client has a connection of its own, so that switching the mains off waits for nobody.
"""

from __future__ import annotations

import contextlib
import json
import re
import socket
import threading
from collections.abc import Mapping, Sequence
from typing import Any

from benchtest.errors import GarbledReply, InstrumentError, NoReply
from benchtest.instruments.protocols import AudioInterface, FloatArray, InBlocks, MayBeMoved, Recording

_LINE_LIMIT = 65536
_SLOWEST_S = 2.0  # more than any audio server keeps back


class ControlConnection:
    """One connection to a control port; requests go one at a time.

    Parameters
    ----------
    resource
        "127.0.0.1:5025", as the bench file states it.
    timeout
        Seconds to wait for an answer, on top of what the request itself takes.

    Raises
    ------
    InstrumentError
        If the resource is no address and port, or nobody listens there.
    """

    def __init__(self, resource: str, *, timeout: float = 5.0) -> None:
        found = re.fullmatch(r"\s*([^:\s]+):(\d{1,5})\s*", resource)
        if found is None or not 0 < int(found[2]) < 65536:
            raise InstrumentError(
                f"Control port {resource!r}: expected an address and a port, such as 127.0.0.1:5025. Copy the line "
                "that 'benchtest simulate' prints into the bench file."
            )
        self._resource = f"{found[1]}:{int(found[2])}"
        self._timeout = timeout
        self._lock = threading.Lock()
        self._pending = b""
        try:
            self._socket: socket.socket | None = socket.create_connection((found[1], int(found[2])), timeout=timeout)
        except OSError as error:
            raise InstrumentError(
                f"Nobody answers at the control port {self._resource} ({error}). Expected a simulated bench served by "
                "'benchtest simulate'. Start it, or correct the resource in the bench file."
            ) from error

    def request(self, do: str, *, patience: float = 0.0, **fields: Any) -> Any:
        """The result of one request; ``patience`` is how long it may take by itself, seconds.

        Raises NoReply, GarbledReply, and InstrumentError with the bench's own words where it refuses.
        """
        line = json.dumps({"do": do, **fields}).encode() + b"\n"
        with self._lock:
            reply = self._exchange(do, line, self._timeout + patience)
        try:
            answer = json.loads(reply)
        except ValueError as error:
            raise self._garbled(do, reply) from error
        if isinstance(answer, dict) and isinstance(answer.get("error"), str):
            raise InstrumentError(answer["error"])
        if not isinstance(answer, dict) or "result" not in answer:
            raise self._garbled(do, reply)
        return answer["result"]

    def expect(self, kind: type | tuple[type, ...], do: str, *, patience: float = 0.0, **fields: Any) -> Any:
        """As ``request``, and the result is of this kind, else GarbledReply."""
        result = self.request(do, patience=patience, **fields)
        if not isinstance(result, kind):
            raise self._garbled(do, json.dumps(result).encode())
        return result

    def close(self) -> None:
        """Hang up. Idempotent."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _exchange(self, do: str, line: bytes, timeout: float) -> bytes:
        if self._socket is None:
            raise InstrumentError(
                f"The connection to the control port {self._resource} is closed; '{do}' cannot be asked. "
                "Open the bench again."
            )
        try:
            self._socket.settimeout(timeout)
            self._socket.sendall(line)
            while b"\n" not in self._pending:
                received = self._socket.recv(_LINE_LIMIT)
                if not received:
                    raise ConnectionResetError("it hung up")
                self._pending += received
                if len(self._pending) > _LINE_LIMIT:
                    raise self._garbled(do, self._pending)
        except TimeoutError as error:
            # An answer that comes later would be taken for the next one's.
            self.close()
            raise NoReply(
                f"The control port {self._resource} gave no answer to '{do}' within {timeout:.1f} s. Expected "
                "one line. See whether 'benchtest simulate' still runs."
            ) from error
        except OSError as error:
            self.close()
            raise InstrumentError(
                f"The control port {self._resource} is gone ({error}) while '{do}' was asked. Expected "
                "'benchtest simulate' to keep running. Start it again."
            ) from error
        reply, _, self._pending = self._pending.partition(b"\n")
        return reply

    def _garbled(self, do: str, reply: bytes) -> GarbledReply:
        return GarbledReply(
            f"The control port {self._resource} answered {reply[:80]!r} to '{do}'. Expected one line of JSON with a "
            "result or an error. See whether something else listens on this port."
        )


class RemoteOperator:
    """An ``Operator`` at the other end of a control port."""

    def __init__(self, resource: str, *, timeout: float = 5.0, patience: float = 120.0) -> None:
        """patience: how long an act may take in wall time where audio plays meanwhile."""
        self._port = ControlConnection(resource, timeout=timeout)
        self._patience = patience

    def set(self, settings: Mapping[str, str], *, say: str) -> None:
        """Have it done."""
        self._port.request("set", patience=self._patience, settings=dict(settings), say=say)

    def ask(self, question: str, choices: Sequence[str], *, about: str = "") -> str:
        """One of the choices."""
        answer: str = self._port.expect(
            str, "ask", patience=self._patience, question=question, choices=list(choices), about=about
        )
        if answer not in choices:
            raise GarbledReply(f"The operator answered {answer!r}. Expected one of: {', '.join(choices)}.")
        return answer

    def enter(self, question: str, *, unit: str) -> str:
        """A value as it was read off."""
        text: str = self._port.expect(str, "enter", patience=self._patience, question=question, unit=unit)
        return text

    def tell(self, text: str) -> None:
        """Pass a text on."""
        self._port.request("tell", text=text)

    def close(self) -> None:
        """Hang up."""
        self._port.close()


class RemoteClock:
    """A ``Clock`` at the other end of a control port: the simulated bench's, which may jump while nothing plays."""

    def __init__(self, resource: str, *, timeout: float = 5.0) -> None:
        self._port = ControlConnection(resource, timeout=timeout)

    def now(self) -> float:
        """Seconds on the bench's clock."""
        return float(self._port.expect((int, float), "now"))

    def sleep(self, seconds: float) -> None:
        """Wait on the bench's clock. Raises ValueError for a negative or non-finite time."""
        if not 0.0 <= seconds < float("inf"):
            raise ValueError(f"sleep({seconds!r}): expected a finite time of 0 s or more")
        self._port.request("sleep", patience=seconds, seconds=seconds)

    def close(self) -> None:
        """Hang up."""
        self._port.close()


class PacedAudio:
    """A sound card whose sound goes through a simulated bench in another process: it is told when to keep real time.

    The bench's clock jumps while nothing plays, and sound takes some tenths of a second through an audio server; so the
    bench hears over its control port that something begins, before it begins, and that it has ended. All else is the
    sound card's own; ``mute`` waits for nobody.
    """

    def __init__(self, audio: AudioInterface, resource: str, *, timeout: float = 5.0) -> None:
        self._audio = audio
        self._port = ControlConnection(resource, timeout=timeout)
        self.sample_rate = audio.sample_rate

    def identity(self) -> str:
        """The sound card's."""
        return self._audio.identity()

    def start(self) -> None:
        """Open the stream."""
        self._audio.start()

    def begin(self, stimulus: FloatArray, *, repeat: int = 1, record: tuple[int, int] | None = None) -> None:
        """See the protocol."""
        emitted = len(stimulus) * max(repeat, 1)
        last = max(emitted, record[1] if record is not None else emitted + self.sample_rate)
        self._port.request("sounding", seconds=last / self.sample_rate + _SLOWEST_S)
        try:
            self._audio.begin(stimulus, repeat=repeat, record=record)
        except BaseException:
            self._ended()
            raise

    def finish(self) -> Recording:
        """See the protocol."""
        try:
            return self._audio.finish()
        finally:
            self._ended()

    def check_place(self) -> None:
        """The sound card's, where it has one."""
        if isinstance(self._audio, MayBeMoved):
            self._audio.check_place()

    @property
    def block_frames(self) -> int:
        """The sound card's."""
        return self._audio.block_frames if isinstance(self._audio, InBlocks) else 0

    def playing(self) -> bool:
        """True while a stimulus is being emitted."""
        return self._audio.playing()

    def mute(self) -> None:
        """Tone off, at once."""
        self._audio.mute()

    def rearm(self) -> None:
        """Allow tones again."""
        self._audio.rearm()

    def close(self) -> None:
        """Close the stream, then hang up."""
        try:
            self._audio.close()
        finally:
            self._port.close()

    def _ended(self) -> None:
        # The bench finds out by itself, a little later; what the sound card said must not be lost over it.
        with contextlib.suppress(InstrumentError):
            self._port.request("sounding", seconds=0.0)


class RemoteSocket:
    """A ``SwitchedSocket`` at the other end of a control port."""

    def __init__(self, resource: str, *, timeout: float = 5.0) -> None:
        self._port = ControlConnection(resource, timeout=timeout)

    def on(self) -> None:
        """Mains on; it is read back."""
        self._switch("on", True)

    def off(self) -> None:
        """Mains off; it is read back."""
        self._switch("off", False)

    def is_on(self) -> bool:
        """Whether mains is on."""
        state: bool = self._port.expect(bool, "socket")
        return state

    def close(self) -> None:
        """Hang up; the socket stays as it is."""
        self._port.close()

    def _switch(self, state: str, expected: bool) -> None:
        if self._port.expect(bool, "socket", state=state) is not expected:
            raise InstrumentError(
                f"The mains socket was switched {state} and is not {state}. Switch it by hand, at the wall."
            )
