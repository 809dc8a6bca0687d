"""The one stream of run events, from which terminal, archive and report are fed.

An event is a flat dict: ``event`` (its kind), ``time_s`` (the bench's clock since the start of the run) and what belongs
to the kind: run_started, step_started, prompt, question, reading, note, stop, curve, capture, step_ended, run_ended.
Sinks are called in the order in which they subscribed: the archive first, so that what is shown is on disk.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from benchtest.instruments.protocols import Clock

Event = dict[str, Any]
Sink = Callable[[Event], None]


class EventStream:
    """Numbers and times events and hands each to every sink."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._start = clock.now()
        self._sinks: list[Sink] = []

    def subscribe(self, sink: Sink) -> None:
        self._sinks.append(sink)

    def restart(self) -> None:
        """Count time_s from now: a run starts."""
        self._start = self._clock.now()

    def elapsed(self) -> float:
        """Seconds on the bench's clock since the start of the run."""
        return self._clock.now() - self._start

    def emit(self, kind: str, **data: Any) -> Event:
        event: Event = {"event": kind, "time_s": round(self.elapsed(), 3), **data}
        for sink in self._sinks:
            sink(event)
        return event
