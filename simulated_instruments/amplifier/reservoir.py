"""One reservoir (main filter) capacitor with its bleeder: capacitance, ESR, leakage, dielectric absorption.

Absorption is one slow branch, a fraction of the capacitance behind a resistor: it brings some volts back after a
discharge. The size (4 %, 25 s) is the order found with aluminium electrolytics; common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from benchtest.instruments.protocols import FloatArray

_MATRIX_UP_TO = 48  # samples between nodes up to which a matrix beats a running sum
_SINGLE_THREAD = 200_000  # multiplications in one product
_INSULATION_SIEMENS = 1e-7  # nothing insulates perfectly; it also keeps the closed form finite


@dataclass(frozen=True)
class Reservoir:
    """Values of one capacitor. ``leakage_a`` flows at ``rated_v``, in proportion below it, steeply more above it."""

    farad: float = 8.2e-3
    esr: float = 0.025
    leakage_a: float = 0.0005
    rated_v: float = 63.0
    bleeder_ohm: float = 6800.0
    absorption: float = 0.04
    absorption_s: float = 25.0

    def __post_init__(self) -> None:
        if not (self.farad > 0.0 and self.bleeder_ohm > 0.0 and self.rated_v > 0.0 and self.absorption_s > 0.0):
            raise ValueError(f"reservoir {self}. Expected farad, bleeder_ohm, rated_v and absorption_s above 0.")
        if not (self.esr >= 0.0 and self.leakage_a >= 0.0 and self.absorption >= 0.0):
            raise ValueError(f"reservoir {self}. Expected esr, leakage_a and absorption of 0 or more.")

    def leak_siemens(self, volts: float) -> float:
        """Bleeder and leakage together at this voltage."""
        leak = self.leakage_a / self.rated_v
        if volts > self.rated_v:
            leak *= math.exp(min(20.0 * (volts / self.rated_v - 1.0), 8.0))
        return 1.0 / self.bleeder_ohm + leak + _INSULATION_SIEMENS

    @property
    def absorption_siemens(self) -> float:
        """Conductance into the slow branch."""
        return self.absorption * self.farad / self.absorption_s

    def standing_current(self, volts: float, absorbed: float) -> float:
        """Bleeder, leakage and absorption current at this instant, A."""
        return volts * self.leak_siemens(volts) + (volts - absorbed) * self.absorption_siemens

    def absorbed_after(self, volts: float, absorbed: float, seconds: float) -> float:
        """Voltage of the slow branch after so long at a held voltage."""
        return volts + (absorbed - volts) * math.exp(-seconds / self.absorption_s)

    def discharged(self, volts: float, absorbed: float, seconds: float, siemens: float = 0.0) -> tuple[float, float]:
        """Voltage and slow branch after so long with nothing charging it and a conductance as load; closed form.

        >>> c = Reservoir(farad=10e-3, leakage_a=0.0, bleeder_ohm=4700.0, absorption=0.0)
        >>> round(c.discharged(50.0, 50.0, 151.3)[0], 2)  # R C ln(50 / 2) = 151 s
        2.0
        """
        leak, slow = self.leak_siemens(volts) + siemens, self.absorption_siemens
        if slow == 0.0:
            final = volts * math.exp(-leak * seconds / self.farad)
            return final, final
        # two states: d/dt (v, s) = [[aa, ab], [-bb, bb]] (v, s), both eigenvalues real and negative
        aa, ab = -(leak + slow) / self.farad, slow / self.farad
        bb = -1.0 / self.absorption_s
        mean, half = (aa + bb) / 2.0, (aa - bb) / 2.0
        root = math.sqrt(half * half - ab * bb)
        plus, minus = math.exp((mean + root) * seconds), math.exp((mean - root) * seconds)
        even, odd = (plus + minus) / 2.0, (plus - minus) / (2.0 * root)
        v = even * volts + odd * (half * volts + ab * absorbed)
        s = even * absorbed + odd * (-bb * volts - half * absorbed)
        return max(v, 0.0), max(s, 0.0)


def charges_per_step(currents: FloatArray, dt: float) -> FloatArray:
    """Charge (C) that the load takes between nodes; ``currents`` has shape (steps, samples per step)."""
    steps, per_step = currents.shape
    starts = np.arange(0, steps * per_step, per_step)
    return np.add.reduceat(currents.reshape(-1), starts) * dt


def terminal_voltage(
    currents: FloatArray,
    out: FloatArray,
    *,
    volts_at_nodes: FloatArray,
    diode: FloatArray,
    farad: float,
    esr: float,
    fuse_ohm: float,
    standing: float,
    dt: float,
) -> None:
    """Voltage after ESR and fuse at every sample, >= 0, into ``out`` of shape (frames,): what happens between nodes.

    ``currents`` has shape (steps, samples per step). The diode current is straight between nodes, so its charge is a
    parabola; the load's charge is summed sample by sample, and its current passes ESR and fuse.
    """
    steps, per_step = currents.shape
    slope = (diode[1:] - diode[:-1]) / per_step
    shape = np.empty((steps, 3))
    shape[:, 0] = volts_at_nodes[:-1] + esr * diode[:-1]
    shape[:, 1] = (diode[:-1] - standing) * (dt / farad) + esr * slope
    shape[:, 2] = slope * (0.5 * dt / farad)
    powers = _powers(per_step)
    short = per_step <= _MATRIX_UP_TO
    taken = _taken(per_step, dt / farad, esr + fuse_ohm) if short else np.empty((0, 0))
    # a few rows at a time stay in the cache, and below the size at which the matrix library starts threads
    rows = max(1, (_SINGLE_THREAD // (per_step * per_step)) if short else 32768 // per_step)
    for first in range(0, steps, rows):
        some = currents[first : first + rows]
        wave = shape[first : first + rows] @ powers
        if short:
            wave -= some @ taken
        else:
            wave -= (dt / farad) * np.cumsum(some, axis=1)
            wave += (dt / farad - esr - fuse_ohm) * some
        np.maximum(wave.reshape(-1), 0.0, out=out[first * per_step : first * per_step + wave.size])


@lru_cache(maxsize=64)
def _powers(samples: int) -> FloatArray:
    """1, k and k^2 of each sample k of a step, (3, samples)."""
    k = np.arange(samples, dtype=np.float64)
    return np.stack([np.ones(samples), k, k * k])


@lru_cache(maxsize=64)
def _taken(samples: int, per_ampere: float, ohm: float) -> FloatArray:
    """Charge taken before each sample (V per A) and drop during it, in one matrix: quicker than a running sum."""
    taken = np.triu(np.full((samples, samples), per_ampere), 1)
    taken[np.diag_indices(samples)] = ohm
    return taken
