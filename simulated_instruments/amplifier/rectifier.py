"""The bridge rectifier: four diodes, and the currents they pass from the transformer into the two reservoirs.

With a centre-tapped secondary the bridge is two full-wave rectifiers on one transformer: while the upper end of the
winding (a) is positive, diode a_positive charges the positive and b_negative the negative reservoir; half a cycle later
b_positive and a_negative do. The rails meet in the primary's resistance (and the lamp's), so they are solved together.

Everything is referred to one half of the secondary. Each diode is a threshold and a resistance. The currents are found
on nodes (0.2 ms apart by default) with the trapezoidal rule, the load's charge between nodes being exact whatever its
waveform; between the conduction pulses nothing has to be solved.

Per rail ``w = v + Q / C``, where Q is the charge taken by the load since the first node: the voltage that the reservoir
would have without load. Then a diode conducts where ``g = e - drop + Q / C`` exceeds w.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from benchtest.instruments.protocols import FloatArray

NEVER = -1e30
"""Stands in ``g`` where no diode leads to the rail."""


@dataclass(frozen=True)
class Diode:
    """Threshold in V and resistance in ohm of the conducting line, 1 to 20 A of a 6 to 10 A silicon part; faults."""

    forward_v: float = 0.80
    ohm: float = 0.015
    open: bool = False
    shorted: bool = False


@dataclass(frozen=True)
class Rectifier:
    """Named after the end of the winding (a, b) and the rail that each diode joins."""

    a_positive: Diode = field(default_factory=Diode)
    b_positive: Diode = field(default_factory=Diode)
    a_negative: Diode = field(default_factory=Diode)
    b_negative: Diode = field(default_factory=Diode)

    def charging(self, *, a_is_positive: bool) -> tuple[Diode, Diode]:
        """Diodes that charge (positive rail, negative rail) in this half cycle."""
        return (self.a_positive, self.b_negative) if a_is_positive else (self.b_positive, self.a_negative)

    @property
    def any_shorted(self) -> bool:
        """Whether any diode leads both ways."""
        return any(d.shorted for d in (self.a_positive, self.b_positive, self.a_negative, self.b_negative))


@dataclass(slots=True)
class Charge:
    """State of the two reservoirs at a node: w (V) and the diodes' current (A) per rail."""

    w1: float
    i1: float
    w2: float
    i2: float


@dataclass(frozen=True)
class Nodes:
    """What drives the rectifier at K + 1 instants: see the module's first lines for g; q = Q / C."""

    step: float
    a_is_positive: list[bool]
    g1: list[float]
    g2: list[float]
    q1: list[float]
    q2: list[float]


@dataclass(frozen=True)
class Source:
    """Resistances in ohm: shared by both rails, and each rail's own for [b half cycle, a half cycle]; C in farad."""

    common: float
    own1: tuple[float, float]
    own2: tuple[float, float]
    farad1: float
    farad2: float


@dataclass(frozen=True)
class Pulses:
    """Diode currents (A) at every node; volts added to w where the load had emptied a rail."""

    i1: list[float]
    i2: list[float]
    lifts1: list[tuple[int, float]]
    lifts2: list[tuple[int, float]]


@dataclass(frozen=True)
class Conduction:
    """w (V) and diode current (A) of each rail at every node."""

    w1: FloatArray
    i1: FloatArray
    w2: FloatArray
    i2: FloatArray


def conduct(charge: Charge, nodes: Nodes, source: Source) -> Pulses:
    """Solve the two rails over the nodes; ``charge`` is the state at the first node and becomes that at the last."""
    g1, g2, q1, q2, a_is_positive = nodes.g1, nodes.g2, nodes.q1, nodes.q2, nodes.a_is_positive
    half1, half2 = 0.5 * nodes.step / source.farad1, 0.5 * nodes.step / source.farad2
    rc = source.common
    table = []
    for polarity in (0, 1):
        s1 = source.own1[polarity] + half1 + rc
        s2 = source.own2[polarity] + half2 + rc
        table.append((s1, s2, 1.0 / (s1 * s2 - rc * rc)))
    s1, s2, inverse = table[1]
    w1, i1, w2, i2 = charge.w1, charge.i1, charge.w2, charge.i2
    last = len(g1) - 1
    all_i1, all_i2 = [0.0] * (last + 1), [0.0] * (last + 1)
    all_i1[0], all_i2[0] = i1, i2
    lifts1: list[tuple[int, float]] = []  # where the load had emptied a reservoir: it then takes nothing
    lifts2: list[tuple[int, float]] = []
    k = 0
    while k < last:
        if i1 == 0.0 and i2 == 0.0:
            k += 1
            while k <= last and g1[k] <= w1 and g2[k] <= w2:
                k += 1
            k -= 1
            if w1 < q1[k]:
                lifts1.append((k, q1[k] - w1))
                w1 = q1[k]
            if w2 < q2[k]:
                lifts2.append((k, q2[k] - w2))
                w2 = q2[k]
            if k == last:
                break
            s1, s2, inverse = table[a_is_positive[k + 1]]
        k += 1
        b1 = g1[k] - w1 - half1 * i1
        b2 = g2[k] - w2 - half2 * i2
        n1 = (s2 * b1 - rc * b2) * inverse
        n2 = (s1 * b2 - rc * b1) * inverse
        if n1 < 0.0 or n2 < 0.0:
            # one rail or none: the diode of the lesser stays blocked, the other has the source to itself
            if n1 < n2:
                n1, n2 = 0.0, (b2 / s2 if b2 > 0.0 else 0.0)
            else:
                n1, n2 = (b1 / s1 if b1 > 0.0 else 0.0), 0.0
        w1 += half1 * (i1 + n1)
        w2 += half2 * (i2 + n2)
        all_i1[k] = i1 = n1
        all_i2[k] = i2 = n2
        if w1 < q1[k]:
            lifts1.append((k, q1[k] - w1))
            w1 = q1[k]
        if w2 < q2[k]:
            lifts2.append((k, q2[k] - w2))
            w2 = q2[k]
    charge.w1, charge.i1, charge.w2, charge.i2 = w1, i1, w2, i2
    return Pulses(all_i1, all_i2, lifts1, lifts2)


def conduction(first: Charge, nodes: Nodes, source: Source, pulses: Pulses) -> Conduction:
    """What the pulses did to the reservoirs; ``first`` is the charge that ``conduct`` began with."""
    i1, i2 = np.array(pulses.i1), np.array(pulses.i2)
    w1 = _charged(first.w1, i1, 0.5 * nodes.step / source.farad1, pulses.lifts1)
    w2 = _charged(first.w2, i2, 0.5 * nodes.step / source.farad2, pulses.lifts2)
    return Conduction(w1, i1, w2, i2)


def _charged(first: float, currents: FloatArray, half: float, lifts: list[tuple[int, float]]) -> FloatArray:
    """w at every node from the diode current at every node, as the trapezoidal rule adds it up."""
    rise = np.empty_like(currents)
    rise[0] = first
    np.add(currents[:-1], currents[1:], out=rise[1:])
    rise[1:] *= half
    for k, lift in lifts:
        rise[k] += lift
    return np.cumsum(rise)
