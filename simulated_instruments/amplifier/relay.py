"""The loudspeaker relay and the protection that drives it: delay, DC trip, mains loss, coil, contacts."""

from __future__ import annotations

import math
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Contact:
    """One channel's contact. film_v and film_a describe oxide: a drop of film_v tanh(i / film_a) beside the ohms, which
    a large current burns away (clean_a). ``open`` does not close, ``welded`` does not open."""

    ohm: float = 0.012
    film_v: float = 0.0
    film_a: float = 0.05
    clean_a: float = 2.5
    open: bool = False
    welded: bool = False


@dataclass(frozen=True)
class Relay:
    """delay_s counts from the moment that the supply stands; the coil needs pull_in_v on the positive rail and lets go
    below release_v. The DC trip looks through a low-pass (filter_s) for trip_v. present=False: wired through.
    ``coil_open`` never pulls in; sensing_offset_v is DC that the sense circuit only imagines."""

    left: Contact = Contact()
    right: Contact = Contact()
    delay_s: float = 4.2
    pull_in_v: float = 26.0
    release_v: float = 12.0
    release_s: float = 0.11
    trip_v: float = 1.6
    filter_s: float = 1.0
    sensing_offset_v: float = 0.0
    coil_open: bool = False
    present: bool = True


@dataclass
class RelayState:
    """What the protection does as time passes."""

    relay: Relay
    closed: bool = False
    waited_s: float = 0.0
    lost_s: float = 0.0
    seen_v: list[float] = field(default_factory=lambda: [0.0, 0.0])
    tripped: bool = False
    held: bool = False
    """Somebody feeds the coil from a supply of his own (mains off), to measure the contacts."""

    def next_change(self, mains: bool, rail_v: float, dc_v: tuple[float, float]) -> float:
        """Seconds from now until the relay moves if nothing else changes; inf for never."""
        relay = self.relay
        if not relay.present or relay.coil_open:
            return math.inf
        if self.closed:
            if not mains:
                return max(0.0, relay.release_s - self.lost_s)
            if rail_v < relay.release_v:
                return 0.0
            return min(self._time_to_trip(c, dc_v[c]) for c in (0, 1))
        if mains and rail_v >= relay.pull_in_v and not self._would_trip(dc_v):
            return max(0.0, relay.delay_s - self.waited_s)
        return math.inf

    def _time_to_trip(self, channel: int, dc_v: float) -> float:
        target = dc_v + self.relay.sensing_offset_v
        seen, trip = self.seen_v[channel], self.relay.trip_v
        if abs(seen) >= trip:
            return 0.0
        if abs(target) <= trip:
            return math.inf
        edge = math.copysign(trip, target)
        return -self.relay.filter_s * math.log((target - edge) / (target - seen))

    def _would_trip(self, dc_v: tuple[float, float]) -> bool:
        return any(abs(v + self.relay.sensing_offset_v) > self.relay.trip_v for v in dc_v)

    def advance(self, seconds: float, mains: bool, rail_v: float, dc_v: tuple[float, float]) -> None:
        """Let ``seconds`` pass with constant conditions; call with next_change() at most, then change()."""
        keep = math.exp(-seconds / self.relay.filter_s)
        for c in (0, 1):
            target = dc_v[c] + self.relay.sensing_offset_v
            self.seen_v[c] = target + (self.seen_v[c] - target) * keep
        if not mains:
            self.lost_s += seconds
            self.waited_s = 0.0
        else:
            self.lost_s = 0.0
            if rail_v >= self.relay.pull_in_v and not self._would_trip(dc_v):
                self.waited_s += seconds
            elif not self.closed:
                self.waited_s = 0.0

    def trips_within(self, means: list[tuple[float, float]], each_s: float) -> int | None:
        """Follow the outputs (means over stretches of ``each_s`` seconds); the stretch in which it trips, or None.

        Leaves what has been seen up to there.
        """
        keep = math.exp(-each_s / self.relay.filter_s)
        for k, pair in enumerate(means):
            for c in (0, 1):
                target = pair[c] + self.relay.sensing_offset_v
                self.seen_v[c] = target + (self.seen_v[c] - target) * keep
            if self.closed and self.relay.present and max(abs(v) for v in self.seen_v) >= self.relay.trip_v:
                return k
        return None

    def change(self) -> None:
        """The relay moves now."""
        self.closed = not self.closed
        self.waited_s = 0.0

    def made(self, contact: Contact) -> bool:
        """Whether this channel's path is closed."""
        if contact.welded or not self.relay.present:
            return True
        return (self.closed or (self.held and not self.relay.coil_open)) and not contact.open
