"""Single keys from a terminal, read all the time, so that the space bar turns the tone off whatever else goes on.

Rules that every change keeps: the space bar's hook is called in the reading thread before anything else is done with
the key; a key pressed before a prompt was shown never answers it; a terminal that has gone is nobody at the bench, and
counts as the space bar.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import queue
import select
import threading
from collections.abc import Callable, Iterator
from typing import Any

from benchtest.errors import InstrumentError

SPACE = " "
ENTER = ("\r", "\n")
BACKSPACE = ("\x7f", "\x08")
_END_OF_INPUT = "\x04"
_POLL_S = 0.1


def no_more_input() -> InstrumentError:
    return InstrumentError(
        "Nobody answers: standard input has ended. Expected a person at a terminal. Run it in a terminal; --yes "
        "answers prompts on a simulated bench only."
    )


class Keyboard:
    """Single keys from a terminal, read by a thread of its own, so that the space bar is heard at any moment."""

    @staticmethod
    def possible() -> bool:
        """Whether this system hands over single keys (any Unix)."""
        try:
            import termios  # noqa: F401
        except ImportError:
            return False
        return True

    def __init__(self, descriptor: int, space: Callable[[], None]) -> None:
        import termios
        import tty

        self._descriptor = descriptor
        self._space = space
        self._keys: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._answering = False
        self._text = False
        self._closing = False
        self._ended = False
        self._before: list[Any] | None = termios.tcgetattr(descriptor)
        tty.setcbreak(descriptor)  # Ctrl-C still interrupts
        atexit.register(self.close)
        self._thread = threading.Thread(target=self._read, name="keyboard", daemon=True)
        self._thread.start()

    @contextlib.contextmanager
    def answering(self, *, text: bool = False) -> Iterator[None]:
        """While it lasts keys are answers; ``text``: the space bar too, because the tone is off by then."""
        while not self._keys.empty():
            self._keys.get()
        self._text = text
        self._answering = True
        try:
            yield
        finally:
            self._answering = self._text = False

    def key(self) -> str:
        """The next key. Raises InstrumentError when the terminal has gone."""
        while True:
            with contextlib.suppress(queue.Empty):
                key = self._keys.get(timeout=_POLL_S)
                if key == _END_OF_INPUT:
                    raise no_more_input()
                return key
            if self._ended:
                raise no_more_input()

    def pressed(self) -> str | None:
        """A key that was pressed while keys are answers, without waiting; None where there is none.
        Raises InstrumentError when the terminal has gone."""
        with contextlib.suppress(queue.Empty):
            key = self._keys.get_nowait()
            if key == _END_OF_INPUT:
                raise no_more_input()
            return key
        if self._ended:
            raise no_more_input()
        return None

    def close(self) -> None:
        self._closing = True
        before, self._before = self._before, None
        if before is not None:
            import termios

            self._thread.join(timeout=1.0)
            with contextlib.suppress(termios.error, ValueError):  # the terminal has been closed
                termios.tcsetattr(self._descriptor, termios.TCSADRAIN, before)
            atexit.unregister(self.close)

    def _read(self) -> None:
        while not self._closing:
            try:
                ready, _, _ = select.select([self._descriptor], [], [], _POLL_S)
                if not ready:
                    continue
                data = os.read(self._descriptor, 64)
            except (OSError, ValueError):
                data = b""
            if not data:
                self._ended = True
                # A closed terminal is nobody at the bench: that is tone off.
                self._space()
                return
            self._take(data.decode(errors="ignore"))

    def _take(self, typed: str) -> None:
        if typed.startswith("\x1b"):  # an arrow or function key is one key, whatever it sends
            typed = "\x1b"
        for key in typed:
            if key == SPACE and not self._text:
                self._space()
            elif self._answering:
                self._keys.put(key)
