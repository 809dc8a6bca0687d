"""What the supply remembers from one moment to the next."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchtest.instruments.protocols import FloatArray
from simulated_instruments.amplifier.lamp import AMBIENT_K


@dataclass(frozen=True)
class Orbit:
    """One mains cycle under steady loads, at nodes from ``phase`` on: what the supply repeats for ever."""

    loads: tuple[float, float]
    phase: float
    radians: float
    v1: FloatArray
    i1: FloatArray
    v2: FloatArray
    i2: FloatArray

    def at(self, phase: float) -> tuple[float, float, float, float]:
        """v1, i1, v2, i2 at a phase, straight between nodes."""
        place = math.fmod(phase - self.phase + 4.0 * math.pi, 2.0 * math.pi) / self.radians
        k = min(int(place), len(self.v1) - 2)
        f = place - k
        v1, i1, v2, i2 = (float(x[k] + f * (x[k + 1] - x[k])) for x in (self.v1, self.i1, self.v2, self.i2))
        return v1, i1, v2, i2


@dataclass
class SupplyState:
    """Everything in the supply that remembers. Voltages in V, currents in A, temperature in K, flux in V s.

    v: reservoirs, without the drop of their ESR; i: through the diodes; absorbed: the reservoirs' slow branches. heat:
    of the fuses, 1 parts. mean, load, power_w, mains_a: over the last mains cycle. flash: the lamp since switch-on.
    """

    mains_on: bool = False
    phase: float = 0.0
    seconds_on: float = 0.0
    v1: float = 0.0
    v2: float = 0.0
    i1: float = 0.0
    i2: float = 0.0
    absorbed1: float = 0.0
    absorbed2: float = 0.0
    filament_k: float = AMBIENT_K
    flux: float = 0.0
    heat_mains: float = 0.0
    heat1: float = 0.0
    heat2: float = 0.0
    mains_fuse_blown: bool = False
    fuse1_blown: bool = False
    fuse2_blown: bool = False
    mean1: float = 0.0
    mean2: float = 0.0
    load1: float = 0.0
    load2: float = 0.0
    power_w: float = 0.0
    mains_a: float = 0.0
    flash_peak: float = 0.0
    flash_s: float = 0.0
    orbit: Orbit | None = None

    def nothing_from_the_mains(self) -> None:
        """The switch or the fuse has opened."""
        self.i1 = self.i2 = self.power_w = self.mains_a = 0.0
        self.orbit = None
