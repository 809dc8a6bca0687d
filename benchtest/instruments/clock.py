"""The clock on the wall: seconds that pass whether anybody wants them or not."""

from __future__ import annotations

import time


class WallClock:
    """Seconds from an arbitrary start, never set back; ``sleep`` waits for real.

    Examples
    --------
    >>> clock = WallClock()
    >>> before = clock.now()
    >>> clock.sleep(0.001)
    >>> clock.now() >= before + 0.001
    True
    """

    def now(self) -> float:
        """Seconds since an arbitrary start."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Wait; a signal handler that raises ends the wait. A negative time is none."""
        if seconds > 0.0:
            time.sleep(seconds)
