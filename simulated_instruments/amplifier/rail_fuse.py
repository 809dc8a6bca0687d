"""A fuse-link: cold resistance, and when it blows.

One thermal time constant: heat tends to (I / 1.6 In)^2 and the element parts at 1. With 0.4 s it stays inside the
quick-acting, with 4 s inside the time-lag gates of IEC 60127-2 (sheets 2 and 3); tested against those.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

FUSING_MULTIPLE = 1.6
QUICK_S, TIME_LAG_S = 0.4, 4.0


@dataclass(frozen=True)
class RailFuse:
    """Rating in A, resistance in ohm, thermal time constant in s; ``open`` when it is blown, missing or not seated."""

    rating_a: float
    ohm: float = 0.01
    time_constant_s: float = QUICK_S
    open: bool = False

    def __post_init__(self) -> None:
        if not (self.rating_a > 0.0 and self.time_constant_s > 0.0 and self.ohm >= 0.0):
            raise ValueError(
                f"fuse of {self.rating_a} A, {self.ohm} ohm. Expected a rating above 0 A and 0 ohm or more."
            )

    def heated(self, heat: float, mean_square_a: float, seconds: float) -> float:
        """Heat (1 = parts) after so long at a mean square current; closed form.

        >>> RailFuse(1.0).heated(0.0, 1.5**2, 3600.0) < 1.0 < RailFuse(1.0).heated(0.0, 2.75**2, 2.0)
        True
        """
        final = mean_square_a / (FUSING_MULTIPLE * self.rating_a) ** 2
        return final + (heat - final) * math.exp(-seconds / self.time_constant_s)

    def blows_after(self, current_a: float) -> float:
        """Seconds that a cold fuse carries a steady current, inf where it carries it for ever."""
        final = (current_a / (FUSING_MULTIPLE * self.rating_a)) ** 2
        return self.time_constant_s * math.log(final / (final - 1.0)) if final > 1.0 else math.inf
