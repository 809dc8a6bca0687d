"""Turns the tone off when the program cannot: a thread that runs no numerics and waits for a signal or a deadline.

Two deadlines: a tone that should have ended long ago, and a reading that is waited for while a tone stands (the DC watch
above all). The main thread may meanwhile hang in a library's call; this one mutes all the same.

Python runs a signal's handler in the main thread between two of its instructions, which a long call into a library
holds up. The C-level handler writes the signal's number into a pipe at once; this thread reads it and mutes. After a
signal the main thread still gets its exception (KeyboardInterrupt) and closes the run.

What it cannot do: SIGKILL, a crash inside a library, a library that keeps the interpreter locked, a power cut. The
sound card's driver then stops with the process. DC at the output stays until the mains is off, whatever this does.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import threading
import time
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Any

_SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))

SIGNAL = "signal"
PARENT_POLL_S = 0.25
"""How often, while a tone stands, it is looked whether the program that started this one is still there."""


class Interrupted(KeyboardInterrupt):
    """A request to end came by signal; the tone is off already."""


class ToneGuard:
    """Calls ``mute`` at a signal, and when a deadline passes that nobody disarmed; ``tripped`` says which."""

    def __init__(self, mute: Callable[[], None]) -> None:
        self._mute = mute
        self._parent = os.getppid()
        self._read_fd, self._write_fd = os.pipe()
        os.set_blocking(self._write_fd, False)
        self._deadline: float | None = None
        self._awaited: tuple[float, str] | None = None
        self._ended = False
        self._old_fd: int | None = None
        self._old_handlers: dict[int, Any] = {}
        self.tripped = ""
        self._thread = threading.Thread(target=self._watch, name="tone guard", daemon=True)
        self._thread.start()
        self._take_signals()

    def arm(self, seconds: float) -> None:
        """From now on the tone must have ended within ``seconds`` of wall time."""
        self._deadline = time.monotonic() + seconds
        self._wake()

    def disarm(self) -> None:
        self._deadline = None

    @contextlib.contextmanager
    def awaiting(self, what: str, seconds: float) -> Iterator[None]:
        """While it lasts something is waited for, with a tone standing: later than ``seconds`` of wall time, it mutes."""
        self._awaited = time.monotonic() + seconds, what
        self._wake()
        try:
            yield
        finally:
            self._awaited = None

    def close(self) -> None:
        if self._ended:
            return
        self._ended = True
        self._give_signals_back()
        self._wake()
        self._thread.join(timeout=2.0)
        os.close(self._read_fd)
        os.close(self._write_fd)

    def _wake(self) -> None:
        with contextlib.suppress(BlockingIOError):
            os.write(self._write_fd, b"\0")

    def _watch(self) -> None:
        while not self._ended:
            deadline, awaited = self._deadline, self._awaited
            ends = [at for at in (deadline, None if awaited is None else awaited[0]) if at is not None]
            wait = max(0.0, min(*ends, time.monotonic() + PARENT_POLL_S) - time.monotonic()) if ends else 3600.0
            ready, _, _ = select.select([self._read_fd], [], [], wait)
            if ready:
                received = os.read(self._read_fd, 256)
                if any(number in _SIGNALS for number in received if number):
                    self._trip(SIGNAL)
                continue
            now = time.monotonic()
            if ends and os.getppid() != self._parent:
                self._trip("the program that started this one has gone")
            if awaited is not None and self._awaited is awaited and now >= awaited[0]:
                self._awaited = None
                self._trip(awaited[1])
            if deadline is not None and self._deadline == deadline and now >= deadline:
                self._deadline = None
                self._trip("it should have ended long ago, the program hangs")

    def _trip(self, why: str) -> None:
        self._mute()
        self.tripped = self.tripped or why

    def _take_signals(self) -> None:
        if threading.current_thread() is not threading.main_thread():
            return  # signals belong to the main thread; the deadline still holds
        self._old_fd = signal.set_wakeup_fd(self._write_fd, warn_on_full_buffer=False)
        for number in _SIGNALS:
            old = signal.getsignal(number)
            if number != signal.SIGINT and old in (signal.SIG_DFL, None):
                self._old_handlers[number] = old
                signal.signal(number, _raise_interrupted)

    def _give_signals_back(self) -> None:
        if self._old_fd is None or threading.current_thread() is not threading.main_thread():
            return
        signal.set_wakeup_fd(self._old_fd)
        for number, old in self._old_handlers.items():
            signal.signal(number, old if old is not None else signal.SIG_DFL)


def _raise_interrupted(number: int, frame: FrameType | None) -> None:
    raise Interrupted(f"signal {signal.Signals(number).name}")
