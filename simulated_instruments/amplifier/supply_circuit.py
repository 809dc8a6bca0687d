"""The supply between two instants: its circuit solved over nodes, given what the load takes in between.

Holds no memory of its own; that is ``SupplyState``. Index 1 is the positive and 2 the negative rail, as magnitudes, and
everything is referred to one half of the secondary (see ``transformer``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from benchtest.instruments.protocols import FloatArray
from simulated_instruments.amplifier.inrush import DetailedConduction, Iron, Path, conduct_in_detail
from simulated_instruments.amplifier.lamp import HALF, Lamp
from simulated_instruments.amplifier.mains import volts
from simulated_instruments.amplifier.rectifier import NEVER, Charge, Conduction, Nodes, Source, conduct, conduction
from simulated_instruments.amplifier.supply_design import SupplyDesign
from simulated_instruments.amplifier.supply_state import SupplyState

STARTING_S = 0.4
"""After switch-on, until the core's flux has found its place."""

_STEP = 0.2e-3  # between nodes, s: thirteen or so to a conduction pulse
_FINE_STEP = 0.05e-3  # where the ESR lets the load's audio current through to the diodes


@dataclass(frozen=True)
class Drive:
    """What drives the rectifier over the coming nodes: rectified source, load's charge over C, standing currents."""

    live: bool
    detailed: bool
    nodes: Nodes
    electromotive: FloatArray
    q1: FloatArray
    q2: FloatArray
    standing: tuple[float, float]
    loads: tuple[float, float]


@lru_cache(maxsize=32)
def times(step: float, nodes: int) -> FloatArray:
    """The nodes' times, s; kept, and not to be written to."""
    t = step * np.arange(nodes, dtype=np.float64)
    t.flags.writeable = False
    return t


class SupplyCircuit:
    """Constants of a design with its lamp, and the solution over nodes."""

    def __init__(self, design: SupplyDesign, lamp: Lamp | None) -> None:
        self.design, self.lamp = design, lamp
        t, r = design.transformer, design.rectifier
        self.omega = design.mains.omega
        self.farad = (design.reservoir_positive.farad, design.reservoir_negative.farad)
        self.esr = (design.reservoir_positive.esr, design.reservoir_negative.esr)
        self._before_core = t.referred(design.mains.source_ohm + design.mains_fuse.ohm + t.copper_ohm)
        self._share = 1.0 / (1.0 + self._before_core * t.shunt_siemens)
        pairs = (r.charging(a_is_positive=False), r.charging(a_is_positive=True))
        drops, owns = np.zeros((2, 2)), np.zeros((2, 2))  # [rail, half cycle]
        for rail in (0, 1):
            for polarity in (0, 1):
                diodes = pairs[polarity] if design.single_rail else (pairs[polarity][rail],)
                never = any(d.open for d in diodes) or (design.single_rail and rail == 1)
                drops[rail, polarity] = -NEVER if never else sum(0.0 if d.shorted else d.forward_v for d in diodes)
                owns[rail, polarity] = t.secondary_ohm + self.esr[rail] + sum(d.ohm for d in diodes)
        self._drops = [(float(low), float(high)) for low, high in drops]
        self._owns = [(float(low), float(high)) for low, high in owns]
        self._source = Source(self._before_core * self._share, self._owns[0], self._owns[1], *self.farad)
        self._path = self._way_in()
        full = design.mains.voltage * t.tap_ratio / t.nominal_v >= t.saturation
        self._always_detailed = lamp is not None or full or r.any_shorted
        own = min(self._owns[0] + self._owns[1])
        through = max(self.esr) > 0.5 * (own - min(self.esr))
        # a dried-out reservoir follows the mains within a step of the usual length
        self.longest_step = min(_FINE_STEP if through else _STEP, 4.0 * min(self.farad) * own)

    def _way_in(self) -> Path:
        d, t, r = self.design, self.design.transformer, self.design.rectifier
        pairs = (r.charging(a_is_positive=False), r.charging(a_is_positive=True))
        shorted: list[tuple[bool, bool]] = []
        shorting: list[tuple[float | None, float | None]] = []
        shunt = [t.shunt_siemens, t.shunt_siemens]
        for rail in (0, 1):
            shorted.append((pairs[0][rail].shorted, pairs[1][rail].shorted))
            drains: list[float | None] = [None, None]
            for polarity in (0, 1):
                other = pairs[1 - polarity][rail]
                if other.shorted and not pairs[polarity][rail].open:
                    # the winding is shorted from end to end through both diodes; the rail sits on its middle
                    loop = 2.0 * t.secondary_ohm + other.ohm + pairs[polarity][rail].ohm
                    shunt[polarity] += 4.0 / loop
                    drains[polarity] = loop / 4.0 + self.esr[rail]
            shorting.append((drains[0], drains[1]))
        return Path(
            before_core=self._before_core,
            ratio=t.ratio,
            shunt=(shunt[0], shunt[1]),
            own1=self._owns[0],
            own2=self._owns[1],
            shorted1=shorted[0],
            shorted2=shorted[1],
            shorting1=shorting[0],
            shorting2=shorting[1],
            farad1=self.farad[0],
            farad2=self.farad[1],
            full_flux=t.saturation * t.nominal_flux(d.mains.omega),
            full_henry=t.saturated_henry_referred,
            lamp=self.lamp,
        )

    def live(self, s: SupplyState) -> bool:
        """Mains reaches the transformer."""
        return s.mains_on and not (s.mains_fuse_blown or self.design.mains_fuse.open)

    def detailed(self, s: SupplyState) -> bool:
        """Whether core and lamp have to be followed from node to node."""
        return self._always_detailed or s.seconds_on < STARTING_S

    def standing(self, s: SupplyState) -> tuple[float, float]:
        """What each reservoir gives besides the amplifier's current, A: bleeder, leakage, absorption, auxiliary rails."""
        d = self.design
        a1 = d.auxiliary.drawn(s.v1) if d.auxiliary else 0.0
        a2 = d.auxiliary.drawn(s.v2) if d.auxiliary and not d.single_rail else 0.0
        first = d.reservoir_positive.standing_current(s.v1, s.absorbed1) + a1
        return first, d.reservoir_negative.standing_current(s.v2, s.absorbed2) + a2

    def drive(self, s: SupplyState, step: float, charge1: FloatArray, charge2: FloatArray) -> Drive:
        """Prepare the coming nodes, ``step`` s apart, given the charge (C) that the load takes up to each of them."""
        d = self.design
        c1, c2 = self.farad
        standing1, standing2 = self.standing(s)
        t = times(step, len(charge1))
        q1, q2 = (charge1 + standing1 * t) / c1, (charge2 + standing2 * t) / c2
        loads = (float(charge1[-1] / t[-1]), float(charge2[-1] / t[-1]))
        live, detailed = self.live(s), self.detailed(s)
        if not live:
            nodes = Nodes(step, [], [], [], [], [])
            return Drive(live, detailed, nodes, np.zeros_like(t), q1, q2, (standing1, standing2), loads)
        e = d.transformer.ratio * volts(d.mains, s.phase + self.omega * t)
        a_is_positive = e >= 0.0
        e = np.abs(e)
        shared = self._share * e
        g = []
        for rail, q in ((0, q1), (1, q2)):
            low, high = self._drops[rail]
            g_rail = q - (low if low == high else np.where(a_is_positive, high, low))
            # the load's current lowers the terminal by the ESR: its mean around each node
            bend = self.esr[rail] * self.farad[rail] / step
            g_rail[1:-1] += (0.5 * bend) * (q[2:] - q[:-2])
            g_rail[-1] += bend * (q[-1] - q[-2])
            if not detailed:
                g_rail += shared
            g.append(g_rail.tolist())
        nodes = Nodes(step, a_is_positive.tolist(), g[0], g[1], q1.tolist(), q2.tolist())
        return Drive(live, detailed, nodes, e, q1, q2, (standing1, standing2), loads)

    def solve(self, s: SupplyState, drive: Drive) -> Conduction:
        """Go through the nodes; the state is then that of the last one. Returns what happened at each."""
        charge = Charge(s.v1, s.i1, s.v2, s.i2)
        if not drive.live:
            nothing = np.zeros_like(drive.q1)
            s.i1 = s.i2 = 0.0
            self._leave(s, drive, charge, on=False)
            return Conduction(nothing + charge.w1, nothing, nothing + charge.w2, nothing)
        if drive.detailed:
            return self._solve_in_detail(s, drive, charge)
        first = Charge(s.v1, s.i1, s.v2, s.i2)
        pulses = conduct(charge, drive.nodes, self._source)
        self._leave(s, drive, charge)
        return conduction(first, drive.nodes, self._source, pulses)

    def pass_through(self, s: SupplyState, drive: Drive) -> None:
        """``solve`` for a caller who wants the state at the last node only."""
        if drive.detailed or not drive.live:
            self.solve(s, drive)
            return
        charge = Charge(s.v1, s.i1, s.v2, s.i2)
        conduct(charge, drive.nodes, self._source)
        self._leave(s, drive, charge)

    def _solve_in_detail(self, s: SupplyState, drive: Drive, charge: Charge) -> DetailedConduction:
        iron = Iron(s.flux, s.filament_k)
        result = conduct_in_detail(charge, iron, drive.nodes, drive.electromotive.tolist(), self._path)
        s.flux, s.filament_k = iron.flux, iron.filament_k
        if self.lamp is not None:
            bright = (result.filament_k / self.lamp.hot_k) ** 4
            s.flash_peak = max(s.flash_peak, float(bright.max()))
            s.flash_s += drive.nodes.step * float(np.count_nonzero(bright[1:] > HALF))
        self._leave(s, drive, charge)
        return result

    def _leave(self, s: SupplyState, drive: Drive, charge: Charge, *, on: bool = True) -> None:
        """Write the last node into the state."""
        s.v1, s.i1 = max(0.0, charge.w1 - float(drive.q1[-1])), charge.i1
        s.v2, s.i2 = max(0.0, charge.w2 - float(drive.q2[-1])), charge.i2
        seconds = drive.nodes.step * (len(drive.q1) - 1)
        self.absorb(s, seconds)
        self.turn(s, seconds, on=on)

    def absorb(self, s: SupplyState, seconds: float) -> None:
        """The reservoirs' slow branches follow for so long."""
        s.absorbed1 = self.design.reservoir_positive.absorbed_after(s.v1, s.absorbed1, seconds)
        s.absorbed2 = self.design.reservoir_negative.absorbed_after(s.v2, s.absorbed2, seconds)

    def turn(self, s: SupplyState, seconds: float, *, on: bool = True) -> None:
        """The mains' phase runs on for so long."""
        s.phase = math.fmod(s.phase + self.omega * seconds, 2.0 * math.pi)
        if on:
            s.seconds_on += seconds

    def account(self, s: SupplyState, drive: Drive, result: Conduction) -> float:
        """Means over the last cycle (or as much of it as there is) into the state.

        Returns the mean square of the mains current over all the nodes, A^2.
        """
        d, t = self.design, self.design.transformer
        steps, step = len(drive.q1) - 1, drive.nodes.step
        cycle = min(steps, max(1, round(1.0 / (d.mains.frequency * step))))
        weight = min(1.0, steps * step * d.mains.frequency)
        if weight > 0.99:
            weight = 1.0
        e = drive.electromotive
        if isinstance(result, DetailedConduction):
            total = result.total
        else:
            total = self._share * (result.i1 + result.i2 + t.shunt_siemens * e)
        magnetising2 = (t.magnetising_a * t.tap_ratio * d.mains.voltage / t.nominal_v) ** 2
        last = total[-cycle:]
        last2 = float(last @ last) / cycle * t.ratio**2 + magnetising2
        s.mains_a = math.sqrt(s.mains_a**2 + weight * (last2 - s.mains_a**2))
        s.power_w += weight * (float(last @ e[-cycle:]) / cycle - s.power_w)
        means = []
        for rail, w, i, q in ((0, result.w1, result.i1, drive.q1), (1, result.w2, result.i2, drive.q2)):
            mean = float(np.add.reduce(w[-cycle:] - q[-cycle:])) / cycle
            mean += self.esr[rail] * (float(np.add.reduce(i[-cycle:])) / cycle - drive.loads[rail])
            means.append(max(0.0, mean))
        s.mean1 += weight * (means[0] - s.mean1)
        s.mean2 += weight * (means[1] - s.mean2)
        s.load1, s.load2 = drive.loads
        return float(total @ total) / len(total) * t.ratio**2 + magnetising2

    def heat_mains_fuse(self, s: SupplyState, mean_square: float, seconds: float) -> None:
        """The mains fuse carries this mean square current (A^2) for so long, and may blow."""
        s.heat_mains = self.design.mains_fuse.heated(s.heat_mains, mean_square, seconds)
        if s.heat_mains >= 1.0:
            self.blow_mains_fuse(s)

    def blow_mains_fuse(self, s: SupplyState) -> None:
        """The mains fuse parts."""
        s.mains_fuse_blown = True
        s.nothing_from_the_mains()

    def heat_rail_fuses(self, s: SupplyState, mean_square1: float, mean_square2: float, seconds: float) -> None:
        """The rail fuses carry these mean square currents (A^2) for so long, and may blow."""
        d = self.design
        if d.fuse_positive is not None:
            s.heat1 = d.fuse_positive.heated(s.heat1, mean_square1, seconds)
            s.fuse1_blown = s.fuse1_blown or s.heat1 >= 1.0
        if d.fuse_negative is not None:
            s.heat2 = d.fuse_negative.heated(s.heat2, mean_square2, seconds)
            s.fuse2_blown = s.fuse2_blown or s.heat2 >= 1.0

    def cool(self, s: SupplyState, seconds: float) -> None:
        """Mains fuse and lamp are without current for so long."""
        s.heat_mains = self.design.mains_fuse.heated(s.heat_mains, 0.0, seconds)
        if self.lamp is not None:
            s.filament_k = self.lamp.cooled(s.filament_k, seconds)
