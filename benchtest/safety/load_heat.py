"""A thermal account of one channel's dummy load: what it has been given, and how long it must rest. Pure.

The rule: half the rating as mounted continuously, the whole rating for 10 s and then 30 s rest (common practice, no
source). The account is the simplest that keeps it: what exceeds half the rating is paid in, joule by joule, up to what
ten seconds of the whole rating pay in; a rest of 30 s empties it; below half the rating it empties in proportion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

CONTINUOUS = 0.5
FULL_FOR_S = 10.0
REST_S = 30.0
_ROUNDING = 1e-9


@dataclass
class LoadHeat:
    """``rating_w``: as mounted. ``held_j``: what is in the account at the time ``at_s`` of the bench's clock."""

    rating_w: float
    held_j: float = 0.0
    at_s: float = -math.inf

    @property
    def full_j(self) -> float:
        return (1.0 - CONTINUOUS) * self.rating_w * FULL_FOR_S

    def flow_w(self, power_w: float) -> float:
        """What a power pays in per second; below half the rating it is less than nothing.

        >>> LoadHeat(100.0).flow_w(100.0), LoadHeat(100.0).flow_w(50.0), round(LoadHeat(100.0).flow_w(0.0), 3)
        (50.0, 0.0, -16.667)
        """
        excess = power_w - CONTINUOUS * self.rating_w
        if excess >= 0.0:
            return excess
        return excess * self.full_j / REST_S / (CONTINUOUS * self.rating_w)

    def rested(self, now_s: float) -> None:
        """Let the time since the last entry pass without power."""
        if math.isfinite(self.at_s):
            self.held_j = max(0.0, self.held_j + self.flow_w(0.0) * max(0.0, now_s - self.at_s))
        self.at_s = now_s

    def rest_before(self, power_w: float, seconds: float) -> float:
        """Seconds of rest that this much needs first; infinite where no rest makes it possible. NaN power: infinite.

        >>> load = LoadHeat(100.0)
        >>> load.rest_before(100.0, 10.0), load.rest_before(50.0, 3600.0), load.rest_before(100.0, 11.0)
        (0.0, 0.0, inf)
        """
        asked = self.flow_w(power_w) * seconds
        if not asked <= self.full_j * (1.0 + _ROUNDING):
            return math.inf
        over = self.held_j + max(asked, 0.0) - self.full_j
        if asked <= 0.0 or over <= self.full_j * _ROUNDING:
            return 0.0
        return over / -self.flow_w(0.0)

    def given(self, power_w: float, seconds: float) -> None:
        """Enter what was played."""
        self.held_j = max(0.0, self.held_j + self.flow_w(power_w) * seconds)
        self.at_s += seconds
