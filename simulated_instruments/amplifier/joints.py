"""A solder joint or plug contact: sound, open, or open now and then."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Joint:
    """ohm when made. ``open`` for good; or opening ``openings_per_s`` times a second for ``open_seconds`` on average,
    and only above ``above_celsius`` (a joint that opens when it is hot)."""

    ohm: float = 0.0
    open: bool = False
    openings_per_s: float = 0.0
    open_seconds: float = 0.02
    above_celsius: float = -math.inf

    @property
    def intermittent(self) -> bool:
        return self.openings_per_s > 0.0


@dataclass
class JointState:
    """Whether an intermittent joint is made, and when it next changes, on the amplifier's clock."""

    joint: Joint
    rng: np.random.Generator
    made: bool = True
    _next: float = -1.0
    changes: list[tuple[float, bool]] = field(default_factory=list)

    def until(self, now: float, seconds: float, celsius: float) -> list[tuple[float, bool]]:
        """The changes between ``now`` and ``now + seconds`` as (time, made)."""
        joint = self.joint
        if joint.open:
            self.made = False
            return []
        if not joint.intermittent or celsius < joint.above_celsius:
            self.made = True
            return []
        end = now + seconds
        if self._next < now:
            self._next = now + self._dwell()
        found: list[tuple[float, bool]] = []
        while self._next < end and len(found) < 2000:
            self.made = not self.made
            found.append((self._next, self.made))
            self._next += self._dwell()
        if self._next < end:
            self._next = end
        return found

    def _dwell(self) -> float:
        mean = 1.0 / self.joint.openings_per_s if self.made else self.joint.open_seconds
        return float(self.rng.exponential(mean))


def gate(state: JointState, now: float, n: int, rate: float, celsius: float) -> NDArray[np.float64]:
    """(n,): 1 while the joint is made, 0 while it is open, frame by frame from ``now`` on."""
    open_or_made = np.full(n, 1.0 if state.made else 0.0)
    for when, made in state.until(now, n / rate, celsius):
        open_or_made[max(0, min(n, int((when - now) * rate))) :] = 1.0 if made else 0.0
    return open_or_made
