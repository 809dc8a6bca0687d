"""The simulated bench's clock: waiting moves the bench, and costs next to nothing."""

from __future__ import annotations

import math
from collections.abc import Callable


class SimulatedClock:
    """A ``Clock`` on top of whatever moves time: ``now`` reads the bench's time, ``sleep`` moves it.

    Examples
    --------
    >>> moved = []
    >>> clock = SimulatedClock(now=lambda: sum(moved), advance=moved.append)
    >>> clock.sleep(600.0)
    >>> clock.now()
    600.0
    """

    def __init__(self, *, now: Callable[[], float], advance: Callable[[float], None]) -> None:
        self._now = now
        self._advance = advance

    def now(self) -> float:
        """Seconds since the bench was built."""
        return self._now()

    def sleep(self, seconds: float) -> None:
        """Let ``seconds`` pass on the bench. Raises ValueError for a negative or non-finite time."""
        if not 0.0 <= seconds < math.inf:
            raise ValueError(f"sleep({seconds!r}): expected a finite time of 0 s or more")
        if seconds > 0.0:
            self._advance(seconds)
