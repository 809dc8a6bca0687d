"""Noise and pickup: thermal and flicker noise, popcorn, crackle, and mains hum with its odd harmonics."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .filters import FirstOrder, Running

FloatArray = NDArray[np.float64]

BOLTZMANN = 1.380649e-23
"""J/K, exact (SI, 2019)."""


def thermal_density(ohm: float, kelvin: float = 300.0) -> float:
    """Voltage noise density of a resistor, V per root hertz.

    Examples
    --------
    >>> round(thermal_density(1000.0) * 1e9, 2)
    4.07
    """
    return math.sqrt(4.0 * BOLTZMANN * kelvin * ohm)


_POOL = 1 << 18


@lru_cache(maxsize=1)
def _pool() -> FloatArray:
    pool = np.random.default_rng(20260101).standard_normal(_POOL)
    pool -= pool.mean()
    pool /= pool.std()
    return pool


def white(rng: np.random.Generator, n: int, rms: float) -> FloatArray:
    """(n,) of white noise. Long stretches are two pieces of one pool of normal numbers, taken at random places and
    added: an eighth of the cost of drawing them, and uncorrelated from call to call."""
    if n > _POOL // 4 or n < 64:
        return rng.standard_normal(n) * rms
    pool = _pool()
    places = rng.integers(0, _POOL - n, 2)
    angle = rng.uniform(0.0, 2.0 * math.pi)
    noise = pool[places[0] : places[0] + n] * (rms * math.cos(angle))
    noise += pool[places[1] : places[1] + n] * (rms * math.sin(angle))
    return noise


def mains_sine(omega: float, start: float, n: int, rate: float) -> FloatArray:
    """sin(omega t) from ``start`` on, (n,), by the addition theorem from a short and a coarse table.

    Examples
    --------
    >>> bool(np.allclose(mains_sine(314.0, 1.0, 500, 96e3), np.sin(314.0 * (1.0 + np.arange(500) / 96e3)), atol=1e-12))
    True
    """
    short = omega / rate * np.arange(64)
    coarse = omega * start + (64.0 * omega / rate) * np.arange((n + 63) // 64)
    table = np.sin(coarse)[:, None] * np.cos(short)
    table += np.cos(coarse)[:, None] * np.sin(short)
    return np.asarray(table.ravel()[:n], dtype=np.float64)


def hum(sine: FloatArray, fundamental: float, third: float, fifth: float) -> FloatArray:
    """Sum of ``fundamental`` and its third and fifth harmonics (peak values), from the sine of the mains' phase."""
    square = sine * sine
    a1 = fundamental + 3.0 * third + 5.0 * fifth
    a3 = -4.0 * third - 20.0 * fifth
    result = a3 + 16.0 * fifth * square if fifth else np.full_like(sine, a3)
    result *= square
    result += a1
    result *= sine
    return result


@dataclass
class Flicker:
    """Noise whose density rises towards low frequencies: white noise through three staggered low-passes, which follow
    1/f power within 1 dB over three decades."""

    rng: np.random.Generator
    _filters: list[Running] = field(default_factory=lambda: [Running() for _ in range(3)])

    def __call__(self, n: int, rate: float, white_density: float, corner_hz: float) -> FloatArray:
        """(n,) volts; the density equals the white one at corner_hz and rises by 3 dB per octave below."""
        total = np.zeros(n)
        for running, corner in zip(self._filters, (1.0, 12.0, 140.0), strict=True):
            # each low-pass supplies the decade round its corner: density there = white * sqrt(corner_hz / f)
            density = 1.9 * white_density * math.sqrt(corner_hz / corner)
            tau = 1.0 / (2.0 * math.pi * corner)
            white = self.rng.standard_normal(n) * (density * math.sqrt(0.5 * rate))
            total += running.slow(white, FirstOrder(1.0, 0.0, tau), rate)
        return total


@dataclass
class Telegraph:
    """Steps between two levels at random moments: popcorn noise, crackle of a worn track."""

    rng: np.random.Generator
    level: float = 0.0

    def __call__(self, n: int, rate: float, size: float, per_second: float) -> FloatArray:
        """(n,) volts between 0 and ``size``, changing ``per_second`` times a second on average."""
        flips = self.rng.random(n) < per_second / rate
        state = np.logical_xor(np.logical_xor.accumulate(flips), self.level > 0.5)
        self.level = float(state[-1]) if n else self.level
        return np.asarray(state * size, dtype=np.float64)


@dataclass
class Crackle:
    """Bursts of low-frequency noise, as contacts and leaking capacitors make them."""

    rng: np.random.Generator
    _filter: Running = field(default_factory=Running)
    _gate: Telegraph = field(init=False)

    def __post_init__(self) -> None:
        self._gate = Telegraph(self.rng)

    def __call__(self, n: int, rate: float, rms: float) -> FloatArray:
        """(n,) volts, bursts of ``rms``."""
        corner = 400.0
        tau = 1.0 / (2.0 * math.pi * corner)
        white = self.rng.standard_normal(n) * (rms * math.sqrt(rate / (math.pi * corner)))
        return self._filter.slow(white, FirstOrder(1.0, 0.0, tau), rate) * self._gate(n, rate, 1.0, 25.0)
