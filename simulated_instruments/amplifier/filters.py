"""First-order sections: an analogue response and the digital filter that follows it at any sample rate.

Corners lie anywhere from a millihertz to megahertz, often above half the sample rate, where the bilinear transform
would bend the response. Slow sections have their pole mapped and are met exactly at DC and at half the rate. Fast ones
(what happens between the samples decides) are fitted together as one filter with a delay of ``DELAY`` frames.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simulated_instruments.amplifier.recursion import lfilter, steady_memory

FloatArray = NDArray[np.float64]

DELAY = 8
"""Frames by which every fitted filter delays; the assembly delays what runs beside it by as much."""
_TAPS = 20
_HEARD = 0.24
"""Share of the sample rate below which a fit has to be exact: 23 kHz at 96 kHz."""
_SLOW = 0.004
"""A pole below this share of the sample rate is slow."""


@dataclass(frozen=True)
class FirstOrder:
    """H(s) = (b0 + b1 s) / (1 + a1 s), stable for a1 >= 0. Times in seconds.

    Examples
    --------
    >>> section = FirstOrder(1.0, 0.0, 1 / (2 * math.pi * 1000.0))
    >>> round(abs(section.response(1000.0)), 4)
    0.7071
    """

    b0: float
    b1: float
    a1: float

    def response(self, frequency_hz: float) -> complex:
        s = 2j * math.pi * frequency_hz
        return (self.b0 + self.b1 * s) / (1.0 + self.a1 * s)

    def slow(self, sample_rate: float) -> bool:
        """True where pole and zero lie so far below the rate that mapping them is exact enough."""
        return self.a1 * 2.0 * math.pi * _SLOW * sample_rate > 1.0


UNITY = FirstOrder(1.0, 0.0, 0.0)


def high_pass(time_constant: float) -> FirstOrder:
    """A series capacitor into a resistor: zero at DC, one above 1/(2 pi tau)."""
    return FirstOrder(0.0, time_constant, time_constant)


def low_pass(corner_hz: float) -> FirstOrder:
    """One above DC, falling 6 dB per octave from the corner on."""
    return FirstOrder(1.0, 0.0, 1.0 / (2.0 * math.pi * corner_hz))


@lru_cache(maxsize=512)
def mapped(section: FirstOrder, sample_rate: float) -> tuple[FloatArray, FloatArray]:
    """Coefficients (b, a) of a slow section: pole mapped, DC and half the rate met."""
    pole = math.exp(-1.0 / (section.a1 * sample_rate))
    at_dc = section.b0 * (1.0 - pole)
    h = section.response(0.5 * sample_rate)
    at_nyquist = math.copysign(abs(h), h.real) * (1.0 + pole)
    b = np.array([0.5 * (at_dc + at_nyquist), 0.5 * (at_dc - at_nyquist)])
    return b, np.array([1.0, -pole])


@lru_cache(maxsize=512)
def _mapped_pair(first: FirstOrder, second: FirstOrder, sample_rate: float) -> tuple[FloatArray, FloatArray]:
    (b1, a1), (b2, a2) = mapped(first, sample_rate), mapped(second, sample_rate)
    return np.convolve(b1, b2), np.convolve(a1, a2)


@lru_cache(maxsize=512)
def fitted(sections: tuple[FirstOrder, ...], sample_rate: float) -> tuple[FloatArray, FloatArray]:
    """Coefficients (b, a) of one filter for the product of ``sections``, delayed by ``DELAY`` frames.

    Poles below half the rate are mapped; the numerator is fitted by least squares of the relative complex error from
    DC to 0.42 of the rate, DC exactly; what is heard counts most, so that up to 20 kHz at 96 kHz the error is below
    0.0001 (a filter that has to be as true at the band's edge is 0.005 off in its middle).
    """
    a = np.array([1.0])
    for section in sections:
        if section.a1 * math.pi * sample_rate > 1.0:
            a = np.convolve(a, [1.0, -math.exp(-1.0 / (section.a1 * sample_rate))])
    f = np.concatenate([np.geomspace(2e-4, 0.02, 24), np.linspace(0.025, 0.42, 80)]) * sample_rate
    trust = np.where(f < _HEARD * sample_rate, 1.0, 0.02)
    z = np.exp(-2j * np.pi * f / sample_rate)
    target = np.prod([(s.b0 + s.b1 * 2j * np.pi * f) / (1.0 + s.a1 * 2j * np.pi * f) for s in sections], axis=0)
    poles = np.polyval(a[::-1], z)
    basis = np.stack([z**k for k in range(_TAPS)], axis=1) / (poles * target * z**DELAY)[:, None] * trust[:, None]
    at_dc = float(np.prod([s.b0 for s in sections]))
    weight = 1e5 / (abs(at_dc) if at_dc else 1.0)
    rows = np.concatenate([basis.real, basis.imag, np.full((1, _TAPS), weight / a.sum())])
    right = np.concatenate([trust, np.zeros(len(f)), [weight * at_dc]])
    b = np.linalg.lstsq(rows, right, rcond=None)[0]
    return b, a


_UNROLLED = 11
"""Taps up to which numpy has a loop of its own, twice as quick as that for any number."""


def _weighted(x: FloatArray, taps: FloatArray) -> FloatArray:
    """What ``np.correlate(x, taps)`` gives, in parts of few taps.

    >>> x, taps = np.arange(40.0), np.arange(20.0)
    >>> bool(np.allclose(_weighted(x, taps), np.correlate(x, taps)))
    True
    """
    if not _UNROLLED < len(taps) <= len(x):
        return np.correlate(x, taps)
    last = len(x) - len(taps)
    parts = range(0, len(taps), _UNROLLED - 1)
    total = np.correlate(x[: last + _UNROLLED - 1], taps[: _UNROLLED - 1])
    for first in parts[1:]:
        some = taps[first : first + _UNROLLED - 1]
        total += np.correlate(x[first : first + last + len(some)], some)
    return total


@dataclass
class Running:
    """A digital filter with its memory; streaming in blocks gives what one call gives."""

    _rate: float = 0.0
    _memory: FloatArray = field(default_factory=lambda: np.zeros(0))

    def _run(self, x: FloatArray, coefficients: tuple[FloatArray, FloatArray], sample_rate: float) -> FloatArray:
        b, a = coefficients
        order = max(len(a), len(b)) - 1
        if len(a) == 1:
            if self._rate != sample_rate or len(self._memory) != order:
                self._rate, self._memory = sample_rate, np.zeros(order)
            joined = np.concatenate([self._memory, x])
            self._memory = joined[len(x) :].copy()
            return _weighted(joined, b[::-1])
        if self._rate != sample_rate or len(self._memory) != order:
            self._rate, self._memory = sample_rate, np.zeros(order)
        y, self._memory = lfilter(b, a, np.asarray(x, dtype=np.float64), self._memory)
        return np.asarray(y, dtype=np.float64)

    def slow(self, x: FloatArray, section: FirstOrder, sample_rate: float) -> FloatArray:
        """Filter ``x`` (n,) with a slow section; the memory survives a change of its values (a knob turned)."""
        return self._run(x, mapped(section, sample_rate), sample_rate)

    def slow_pair(self, x: FloatArray, first: FirstOrder, second: FirstOrder, sample_rate: float) -> FloatArray:
        """Filter ``x`` (n,) with two slow sections at once."""
        return self._run(x, _mapped_pair(first, second, sample_rate), sample_rate)

    def fast(self, x: FloatArray, sections: tuple[FirstOrder, ...], sample_rate: float) -> FloatArray:
        """Filter ``x`` (n,) with the product of fast sections; the result comes DELAY frames late."""
        return self._run(x, fitted(sections, sample_rate), sample_rate)

    def settle(self, level: float, section: FirstOrder, sample_rate: float) -> None:
        """As if ``level`` had stood at the input for long."""
        b, a = mapped(section, sample_rate)
        self._rate, self._memory = sample_rate, steady_memory(b, a) * level

    def relax(self, seconds: float, time_constant: float) -> None:
        """What ``seconds`` without a signal leave of the memory."""
        if seconds > 0.0:
            self._memory = self._memory * (math.exp(-seconds / time_constant) if time_constant > 0.0 else 0.0)


@lru_cache(maxsize=1)
def _count() -> FloatArray:
    return np.arange(1 << 15, dtype=np.float64)


def ramp(start: float, end: float, n: int) -> FloatArray:
    """(n,) from ``start`` evenly towards ``end``, which the next block begins with.

    >>> ramp(1.0, 2.0, 4).tolist()
    [1.0, 1.25, 1.5, 1.75]
    """
    count = _count()[:n] if n <= 1 << 15 else np.arange(n, dtype=np.float64)
    values: FloatArray = count * ((end - start) / max(1, n))
    values += start
    return values


@dataclass
class DelayLine:
    """Delays by a fixed number of frames."""

    frames: int
    _held: FloatArray = field(default_factory=lambda: np.zeros(0))

    def __call__(self, x: FloatArray) -> FloatArray:
        if len(self._held) != self.frames:
            self._held = np.zeros(self.frames)
        joined = np.concatenate([self._held, x])
        self._held = joined[len(x) :].copy()
        return joined[: len(x)]

    def push(self, x: FloatArray) -> None:
        """Take ``x`` in without giving anything out."""
        if len(x) >= self.frames:
            self._held = x[len(x) - self.frames :].copy()
        else:
            self(x)

    def fill(self, level: float) -> None:
        """As if ``level`` had stood at the input for long."""
        self._held = np.full(self.frames, level)
