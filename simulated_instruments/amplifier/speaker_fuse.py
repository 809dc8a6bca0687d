"""The fuse in a loudspeaker line: its heating, its resistance cold and hot, and when it opens.

One thermal mass: the element's temperature x (1 at melting) follows tau dx/dt = (i / (carries In))^2 - x, so that it
opens after t = -tau ln(1 - (carries In / i)^2). ``carries`` lies between 1.5 (must hold) and 2.1 (must open) of IEC
60127-2. tau is set for the sheet's characteristic: quick-acting 0.5 s, time-lag 3 s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .filters import FirstOrder, Running

FloatArray = NDArray[np.float64]

CARRIES = 1.8
"""Multiple of the rated current that melts the element in the end."""


@dataclass(frozen=True)
class SpeakerFuse:
    """rated_a, characteristic "F" or "T"; cold_ohm at ambient, times (1 + hot_rise) just before it melts. ``fitted``
    False: a link of wire. ``open``: blown, or not making contact in its holder. holder_ohm is the clips'."""

    rated_a: float = 4.0
    characteristic: str = "F"
    cold_ohm: float = 0.014
    hot_rise: float = 1.2
    holder_ohm: float = 0.004
    open: bool = False
    fitted: bool = True

    @property
    def tau_s(self) -> float:
        return 0.5 if self.characteristic == "F" else 3.0

    def resistance(self, heat: float) -> float:
        """Ohms with the element at ``heat`` (0 cold, 1 melting); inf when open."""
        if self.open:
            return math.inf
        if not self.fitted:
            return 0.001
        return self.holder_ohm + self.cold_ohm * (1.0 + self.hot_rise * heat)

    def opens_after(self, multiple: float) -> float:
        """Pre-arcing time in s from cold at ``multiple`` times the rated current; inf where it holds.

        Examples
        --------
        >>> SpeakerFuse().opens_after(1.5)
        inf
        >>> round(SpeakerFuse().opens_after(4.0), 3)
        0.113
        """
        ratio = (CARRIES / multiple) ** 2
        return -self.tau_s * math.log1p(-ratio) if ratio < 1.0 else math.inf


_THIN_S = 0.02
"""The thin middle of the element follows the current's square faster than the rest; common practice, no source."""
_THIN_SHARE = 0.35


@dataclass
class FuseState:
    """Temperature and fate of a fuse."""

    fuse: SpeakerFuse
    heat: float = 0.0
    blown: bool = False
    _thin: Running = field(default_factory=Running)

    def matters(self, peak_a: float) -> bool:
        """Whether the swing of the resistance within a cycle is worth working out."""
        return self.fuse.fitted and self.fuse.cold_ohm * self.fuse.hot_rise * (peak_a / self.fuse.rated_a) ** 2 > 0.03

    def swing_ohm(self, current: FloatArray, rate: float) -> FloatArray:
        """Ohms that the element's middle adds, moment by moment, above what the whole element has by now."""
        square = (current / (CARRIES * self.fuse.rated_a)) ** 2
        middle = self._thin.slow(square, FirstOrder(1.0, 0.0, _THIN_S), rate)
        size = _THIN_SHARE * self.fuse.cold_ohm * self.fuse.hot_rise
        return np.asarray(size * (middle - self.heat), dtype=np.float64)

    @property
    def conducts(self) -> bool:
        return not (self.blown or self.fuse.open)

    @property
    def ohm(self) -> float:
        return self.fuse.resistance(self.heat) if self.conducts else math.inf

    def time_to_blow(self, rms_a: float) -> float:
        """Seconds until it opens at this current; inf for never."""
        if not self.fuse.fitted or not self.conducts:
            return math.inf
        target = (rms_a / (CARRIES * self.fuse.rated_a)) ** 2
        if target <= 1.0:
            return math.inf
        return self.fuse.tau_s * math.log((target - self.heat) / (target - 1.0))

    def ohm_after(self, seconds: float, rms_a: float) -> float:
        """Resistance that it will have, should it not blow."""
        target = (rms_a / (CARRIES * self.fuse.rated_a)) ** 2
        return self.fuse.resistance(target + (self.heat - target) * math.exp(-seconds / self.fuse.tau_s))

    def advance(self, seconds: float, rms_a: float) -> None:
        if not self.fuse.fitted or not self.conducts:
            self.heat *= math.exp(-seconds / self.fuse.tau_s)
            return
        target = (rms_a / (CARRIES * self.fuse.rated_a)) ** 2
        self.heat = target + (self.heat - target) * math.exp(-seconds / self.fuse.tau_s)
        if self.heat >= 1.0 - 1e-12:
            self.blown = True
