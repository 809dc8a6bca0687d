"""The mains supply at work: from the wall to the two rails that both channels share.

Audio asks ``waveform`` for the rails' instantaneous voltages while it draws current; time that nobody listens to goes
through ``advance``, which follows the mains cycles until they repeat and then jumps. The mains' phase runs on through
both. Inside, quantities are referred to one half of the secondary (see ``transformer``), and index 1 is the positive, 2
the negative rail, both as magnitudes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from benchtest.instruments.protocols import FloatArray
from simulated_instruments.amplifier.inrush import DetailedConduction, Iron, Path, conduct_in_detail
from simulated_instruments.amplifier.lamp import AMBIENT_K, HALF, Lamp
from simulated_instruments.amplifier.mains import volts
from simulated_instruments.amplifier.rectifier import NEVER, Charge, Conduction, Nodes, Source, conduct
from simulated_instruments.amplifier.supply_design import SupplyDesign, demo_supply, with_tolerances

__all__ = ["LampFlash", "Supply", "SupplyDesign", "SupplyState", "demo_supply", "with_tolerances"]

_STEP = 0.2e-3  # between nodes, s: thirteen or so to a conduction pulse
_STARTING_S = 0.4  # until the core's flux has found its place
_CEASES_V, _FULL_V = 2.5, 8.0  # rail below which an amplifier without mains draws nothing, and above which all


_MATRIX_UP_TO = 48  # samples between nodes


@dataclass
class SupplyState:
    """Everything in the supply that remembers. Voltages in V, currents in A, temperature in K, flux in V s."""

    mains_on: bool = False
    phase: float = 0.0
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
    seconds_on: float = 0.0
    mean1: float = 0.0
    mean2: float = 0.0
    load1: float = 0.0
    load2: float = 0.0
    power_w: float = 0.0
    mains_a: float = 0.0
    flash_peak: float = 0.0
    flash_s: float = 0.0
    steady: tuple[float, float] | None = None


@dataclass(frozen=True)
class LampFlash:
    """What the series lamp did since switch-on: brightest moment over rated power, and how long it was half bright."""

    peak_brightness: float
    bright_s: float


class Supply:
    """A supply built from a design; mains is off and the reservoirs are empty unless a state says otherwise."""

    def __init__(self, design: SupplyDesign, *, state: SupplyState | None = None) -> None:
        self._state = SupplyState() if state is None else state
        self._lamp = design.lamp
        self._install(design)

    def _install(self, design: SupplyDesign) -> None:
        self._design = design
        t, r = design.transformer, design.rectifier
        self._omega = design.mains.omega
        self._before_core = t.referred(design.mains.source_ohm + design.mains_fuse.ohm + t.copper_ohm)
        self._farad = (design.reservoir_positive.farad, design.reservoir_negative.farad)
        self._esr = (design.reservoir_positive.esr, design.reservoir_negative.esr)
        drops: list[tuple[float, float]] = []
        owns: list[tuple[float, float]] = []
        pairs = (r.charging(a_is_positive=False), r.charging(a_is_positive=True))
        for rail in (0, 1):
            drop, own = [0.0, 0.0], [0.0, 0.0]
            for polarity in (0, 1):
                diodes = pairs[polarity] if design.single_rail else (pairs[polarity][rail],)
                never = any(d.open for d in diodes) or (design.single_rail and rail == 1)
                drop[polarity] = -NEVER if never else sum(0.0 if d.shorted else d.forward_v for d in diodes)
                own[polarity] = t.secondary_ohm + self._esr[rail] + sum(d.ohm for d in diodes)
            drops.append((drop[0], drop[1]))
            owns.append((own[0], own[1]))
        self._drops, self._owns = drops, owns
        self._overfluxed = (
            design.mains.voltage * t.ratio / t.secondary_rms_off_load > t.saturation * 0.98
        )  # flux over nominal, at the same frequency
        self._detailed_always = self._overfluxed or r.any_shorted
        self._path: Path | None = None
        self._state.steady = None

    # What a person does --------------------------------------------------------------------------------------------

    @property
    def design(self) -> SupplyDesign:
        """The parts list; assign another to change a component while it runs."""
        return self._design

    @design.setter
    def design(self, design: SupplyDesign) -> None:
        self._install(design)

    @property
    def mains_on(self) -> bool:
        """Whether the mains switch is closed."""
        return self._state.mains_on

    def switch(self, on: bool) -> None:
        """Close or open the mains switch. The reservoirs keep their charge, the core some flux, the lamp its heat."""
        s = self._state
        if on and not s.mains_on:
            s.seconds_on, s.flash_peak, s.flash_s = 0.0, 0.0, 0.0
            s.steady = None
        elif s.mains_on and not on:
            t = self._design.transformer
            s.flux = math.copysign(t.remanence * t.nominal_flux(self._omega), s.flux)
            s.i1 = s.i2 = 0.0
            s.power_w = s.mains_a = 0.0
            s.steady = None
        s.mains_on = on

    def insert_lamp(self, lamp: Lamp | None) -> None:
        """Put a cold lamp in series with the live, or take it out."""
        if lamp != self._lamp:
            self._state.filament_k = AMBIENT_K
            self._state.flash_peak = self._state.flash_s = 0.0
        self._lamp = lamp
        self._path = None
        self._state.steady = None

    # What can be seen ----------------------------------------------------------------------------------------------

    @property
    def state(self) -> SupplyState:
        """A copy of all that remembers; give it to another Supply to go on from here."""
        return replace(self._state)

    @property
    def live(self) -> bool:
        """Mains reaches the transformer."""
        s = self._state
        return s.mains_on and not (s.mains_fuse_blown or self._design.mains_fuse.open)

    @property
    def fuses_open(self) -> dict[str, bool]:
        """Which of the fuses mains, positive and negative are open."""
        s, d = self._state, self._design
        return {
            "mains": s.mains_fuse_blown or d.mains_fuse.open,
            "positive": s.fuse1_blown or (d.fuse_positive is not None and d.fuse_positive.open),
            "negative": s.fuse2_blown or (d.fuse_negative is not None and d.fuse_negative.open),
        }

    def reservoirs(self) -> tuple[float, float]:
        """Mean voltage across each reservoir (the rail fuses come after them): positive, negative, V."""
        return self._state.mean1, -self._state.mean2

    def rails(self) -> tuple[float, float]:
        """Mean rail voltages where the amplifier takes them, after the rail fuses: (>= 0, <= 0) V."""
        s, d, is_open = self._state, self._design, self.fuses_open
        drop1 = s.load1 * (d.fuse_positive.ohm if d.fuse_positive else 0.0)
        drop2 = s.load2 * (d.fuse_negative.ohm if d.fuse_negative else 0.0)
        v1 = 0.0 if is_open["positive"] else max(0.0, s.mean1 - drop1)
        v2 = 0.0 if is_open["negative"] or d.single_rail else max(0.0, s.mean2 - drop2)
        return v1, -v2

    def auxiliary(self) -> tuple[float, float]:
        """Auxiliary rails now, V; the main rails where there is no auxiliary regulator."""
        v1, v2 = self.rails()
        a = self._design.auxiliary
        return (v1, v2) if a is None else (float(a.volts(v1)), -float(a.volts(-v2)))

    @property
    def power_w(self) -> float:
        """Power taken from the mains over the last cycle, W, the lamp's included."""
        return self._state.power_w

    def lamp_state(self) -> str | None:
        """dark, dull, half or bright; None where no lamp is in series."""
        return None if self._lamp is None else self._lamp.state(self._state.filament_k)

    @property
    def lamp_flash(self) -> LampFlash:
        """What the lamp did since switch-on."""
        return LampFlash(self._state.flash_peak, self._state.flash_s)

    def ripple(self, i_positive: float, i_negative: float) -> tuple[float, float]:
        """Peak-to-peak ripple of each rail under a steady load, once settled, V."""
        settled = self._settled(i_positive, i_negative)
        rate = 200.0 * self._design.mains.frequency
        wave = settled.waveform(np.tile([[i_positive, i_negative]], (200, 1)), rate, commit=False)
        pp = np.ptp(wave, axis=0)
        return float(pp[0]), float(pp[1])

    def mains_current_rms(self, i_positive: float, i_negative: float) -> float:
        """Mains current under a steady load, once settled, A rms."""
        return self._settled(i_positive, i_negative)._state.mains_a

    def _settled(self, i_positive: float, i_negative: float) -> Supply:
        other = Supply(self._design, state=self.state)
        other._lamp = self._lamp
        other._state.steady = self._state.steady
        other.advance(2.0 if self._lamp is None else 5.0, i_positive, i_negative)
        return other

    # Time ----------------------------------------------------------------------------------------------------------

    def advance(self, seconds: float, i_positive: float, i_negative: float, *, form_factor: float = 1.0) -> None:
        """Let time pass while the rails give these average currents (A, >= 0).

        ``form_factor`` is rms over average of the current through the rail fuses: 1.571 for the half sines of a class-B
        stage. Without mains the load takes less below 8 V and nothing below 2.5 V, as an amplifier's own current does
        (common practice, no source).
        """
        if not seconds >= 0.0:
            raise ValueError(f"advance by {seconds} s. Expected 0 or more.")
        if seconds == 0.0:
            return
        s, is_open = self._state, self.fuses_open
        i1 = 0.0 if is_open["positive"] else max(0.0, i_positive)
        i2 = 0.0 if is_open["negative"] or self._design.single_rail else max(0.0, i_negative)
        s.load1, s.load2 = i1, i2
        self._heat_rail_fuses((form_factor * i1) ** 2, (form_factor * i2) ** 2, seconds)
        left = seconds
        if self.live:
            period = 1.0 / self._design.mains.frequency
            left = self._settle(i1, i2, int(left / period + 1e-9), left)
            while self.live and left > 1e-9:
                part = min(left, period)
                self._part(i1, i2, part)
                left -= part
        if not self.live and left > 0.0:
            self._discharge(i1, i2, left)

    def _settle(self, i1: float, i2: float, periods: int, seconds: float) -> float:
        """Go through whole mains cycles, jumping once they repeat; returns the seconds left."""
        s = self._state
        period = 1.0 / self._design.mains.frequency
        nodes = max(20, math.ceil(period / self._longest_step()))
        step = period / nodes
        before: tuple[float, float, float] | None = None
        grid: _Grid | None = None
        reach = 20
        while periods > 0 and self.live:
            if s.steady == (i1, i2):
                return seconds - self._jump(periods * period)
            if grid is None or grid.detailed != self._detailed():
                t = step * np.arange(nodes + 1, dtype=np.float64)
                grid = self._grid(step, i1 * t, i2 * t, i1, i2)
            start = (s.v1, s.v2, s.filament_k)
            self._account(grid, self._solve(grid), nodes)
            periods -= 1
            seconds -= period
            moved = (s.v1 - start[0], s.v2 - start[1], s.filament_k - start[2])
            if s.seconds_on < _STARTING_S:
                grid = None if s.seconds_on < 0.1 else grid
                continue
            if abs(moved[0]) < 2e-4 and abs(moved[1]) < 2e-4 and abs(moved[2]) < 0.05:
                s.steady = (i1, i2)
            elif before is not None and periods >= 4:
                # Each quantity tends geometrically to its end: take many such steps at once, then look again.
                jump = min(periods - 2, reach)
                reach *= 2
                ends = []
                for x, d, d0 in zip((s.v1, s.v2, s.filament_k), moved, before, strict=True):
                    ratio = min(max(d / d0, 0.0), 0.98) if abs(d0) > 1e-9 else 0.0
                    ends.append(max(0.0, x + d * ratio * (1.0 - ratio**jump) / (1.0 - ratio)))
                s.v1, s.v2, s.filament_k = ends[0], ends[1], max(AMBIENT_K, ends[2])
                done = self._jump(jump * period)
                seconds -= done
                periods -= round(done / period)
                before, grid = None, None
            else:
                before = moved
        return seconds

    def _jump(self, seconds: float) -> float:
        """Pass whole cycles that repeat, fewer where the mains fuse blows first; returns the seconds passed."""
        s, fuse = self._state, self._design.mains_fuse
        final = fuse.heated(0.0, s.mains_a**2, math.inf)
        if final > 1.0:
            blows = fuse.time_constant_s * math.log((final - s.heat_mains) / (final - 1.0))
            if blows <= seconds:
                self._pass(blows)
                s.heat_mains = 1.0
                self._blow_mains_fuse()
                return blows
        s.heat_mains = fuse.heated(s.heat_mains, s.mains_a**2, seconds)
        if self._lamp is not None and self._lamp.brightness(s.filament_k) > HALF:
            s.flash_s += seconds
        self._pass(seconds)
        self._absorb(seconds)
        return seconds

    def _part(self, i1: float, i2: float, seconds: float) -> None:
        """Go through less than a mains cycle."""
        nodes = max(1, math.ceil(seconds / self._longest_step()))
        t = seconds / nodes * np.arange(nodes + 1, dtype=np.float64)
        grid = self._grid(seconds / nodes, i1 * t, i2 * t, i1, i2)
        self._account(grid, self._solve(grid), nodes)

    def _discharge(self, i1: float, i2: float, seconds: float) -> None:
        """No mains: bleeders, leakage, auxiliary rails and what the amplifier still draws."""
        s, d = self._state, self._design
        ends = []
        for v, absorbed, part, load in (
            (s.v1, s.absorbed1, d.reservoir_positive, i1),
            (s.v2, s.absorbed2, d.reservoir_negative, i2),
        ):
            left = seconds
            for _ in range(60):
                if left <= 0.0:
                    break
                drawing = load * min(1.0, max(0.0, (v - _CEASES_V) / (_FULL_V - _CEASES_V)))
                drawing += d.auxiliary.drawn(v) if d.auxiliary else 0.0
                # so far that the voltage falls by no more than a tenth while the current is held
                step = min(left, max(0.1 * v * part.farad / drawing, 0.02)) if drawing > 1e-9 else left
                v, absorbed = part.discharged(v, absorbed, step, drawing)
                left -= step
            if left > 0.0:
                v, absorbed = part.discharged(v, absorbed, left)
            ends.append((v, absorbed))
        (s.v1, s.absorbed1), (s.v2, s.absorbed2) = ends
        s.mean1, s.mean2 = s.v1, s.v2
        s.i1 = s.i2 = s.power_w = s.mains_a = 0.0
        s.heat_mains = d.mains_fuse.heated(s.heat_mains, 0.0, seconds)
        if self._lamp is not None:
            s.filament_k = self._lamp.cooled(s.filament_k, seconds)
        s.steady = None
        self._pass(seconds, on=False)

    def _pass(self, seconds: float, *, on: bool = True) -> None:
        s = self._state
        s.phase = math.fmod(s.phase + self._omega * seconds, 2.0 * math.pi)
        if on:
            s.seconds_on += seconds

    def _absorb(self, seconds: float) -> None:
        s, d = self._state, self._design
        s.absorbed1 = d.reservoir_positive.absorbed_after(s.v1, s.absorbed1, seconds)
        s.absorbed2 = d.reservoir_negative.absorbed_after(s.v2, s.absorbed2, seconds)

    def _heat_rail_fuses(self, mean_square1: float, mean_square2: float, seconds: float) -> None:
        s, d = self._state, self._design
        if d.fuse_positive is not None:
            s.heat1 = d.fuse_positive.heated(s.heat1, mean_square1, seconds)
            s.fuse1_blown = s.fuse1_blown or s.heat1 >= 1.0
        if d.fuse_negative is not None:
            s.heat2 = d.fuse_negative.heated(s.heat2, mean_square2, seconds)
            s.fuse2_blown = s.fuse2_blown or s.heat2 >= 1.0

    def _blow_mains_fuse(self) -> None:
        s = self._state
        s.mains_fuse_blown = True
        s.i1 = s.i2 = s.power_w = s.mains_a = 0.0
        s.steady = None

    # Audio ---------------------------------------------------------------------------------------------------------

    def waveform(self, currents: FloatArray, sample_rate: float, *, commit: bool = True) -> FloatArray:
        """Instantaneous rail voltages while the rails give these currents.

        Parameters
        ----------
        currents : ndarray, shape (n, 2)
            Drawn from the positive and from the negative rail, A, both >= 0.
        sample_rate : float
            Hz.
        commit : bool
            False leaves the supply as it was, so that a clipping amplifier can look first.

        Returns
        -------
        ndarray, shape (n, 2)
            Positive rail (>= 0) and negative rail (<= 0), V, after the rail fuses.

        Raises
        ------
        ValueError
            If the shape is not (n, 2) or the sample rate is not above 0.
        """
        if currents.ndim != 2 or currents.shape[1] != 2:
            raise ValueError(f"rail currents of shape {currents.shape}. Expected (frames, 2).")
        if not sample_rate > 0.0:
            raise ValueError(f"sample rate {sample_rate}. Expected above 0 Hz.")
        before = None if commit else replace(self._state)
        n = len(currents)
        out = np.zeros((n, 2))
        columns = np.ascontiguousarray(currents.T, dtype=np.float64)
        first = 0
        while first < n:
            calm = self.live and self._state.seconds_on >= _STARTING_S
            size = min(n - first, max(1, round(sample_rate * (1.0 if calm else 0.1))))
            per_step = self._samples_per_step(size, sample_rate)
            size -= size % per_step
            self._block(columns[:, first : first + size], sample_rate, per_step, out[first : first + size])
            first += size
        if before is not None:
            self._state = before
        return out

    def _longest_step(self) -> float:
        """Seconds between nodes: shorter for a dried-out reservoir, which follows the mains within a step."""
        c, o = self._farad, self._owns
        return min(_STEP, 4.0 * c[0] * min(o[0]), 4.0 * c[1] * min(o[1]))

    def _samples_per_step(self, size: int, sample_rate: float) -> int:
        """Samples between two nodes, dividing the block where a divisor lies near."""
        ideal = min(size, max(1, round(sample_rate * self._longest_step())))
        divisors = [m for m in range(max(1, int(0.6 * ideal)), int(1.3 * ideal) + 1) if size % m == 0]
        return min(divisors, key=lambda m: abs(m - ideal)) if divisors else ideal

    def _block(self, columns: FloatArray, sample_rate: float, per_step: int, out: FloatArray) -> None:
        s, d = self._state, self._design
        n = columns.shape[1]
        steps, dt = n // per_step, 1.0 / sample_rate
        is_open = self.fuses_open
        feeds = (not is_open["positive"], not (is_open["negative"] or d.single_rail))
        charges, loads = [], []
        for rail in (0, 1):
            charge = np.zeros(steps + 1)
            if feeds[rail]:
                taken = columns[rail].reshape(steps, per_step) @ np.full(per_step, dt)
                np.cumsum(taken, out=charge[1:])
            charges.append(charge)
            loads.append(float(charge[-1]) / (n * dt))
        live = self.live
        grid = self._grid(per_step * dt, charges[0], charges[1], loads[0], loads[1])
        conduction = self._solve(grid)
        mean_squares = [0.0, 0.0]
        for rail, w, i in ((0, conduction.w1, conduction.i1), (1, conduction.w2, conduction.i2)):
            if not feeds[rail]:
                continue
            fuse = d.fuse_negative if rail else d.fuse_positive
            series = self._esr[rail] + (fuse.ohm if fuse else 0.0)
            base = w - np.array(grid.nodes.q2 if rail else grid.nodes.q1)
            own = columns[rail]
            wave = _samples(
                own.reshape(steps, per_step),
                base,
                i,
                self._farad[rail],
                self._esr[rail],
                series,
                grid.standing[rail],
                dt,
            )
            if rail:
                np.minimum(np.negative(wave, out=wave), 0.0, out=out[:, 1])
            else:
                np.maximum(wave, 0.0, out=out[:, 0])
            mean_squares[rail] = float(own @ own) / n
        s.load1, s.load2 = loads
        if live:
            self._account(grid, conduction, steps)
        else:
            s.mean1, s.mean2 = s.v1, s.v2
            s.heat_mains = d.mains_fuse.heated(s.heat_mains, 0.0, n * dt)
            if self._lamp is not None:
                s.filament_k = self._lamp.cooled(s.filament_k, n * dt)
        self._heat_rail_fuses(mean_squares[0], mean_squares[1], n * dt)
        s.steady = None

    # The circuit between two nodes -----------------------------------------------------------------------------------

    def _detailed(self) -> bool:
        return self._lamp is not None or self._detailed_always or self._state.seconds_on < _STARTING_S

    def _grid(self, step: float, charge1: FloatArray, charge2: FloatArray, load1: float, load2: float) -> _Grid:
        """What drives the rectifier over the coming nodes, given the load's charge (C) at each of them."""
        s, d = self._state, self._design
        c1, c2 = self._farad
        a1 = d.auxiliary.drawn(s.v1) if d.auxiliary else 0.0
        a2 = d.auxiliary.drawn(s.v2) if d.auxiliary and not d.single_rail else 0.0
        standing1 = d.reservoir_positive.standing_current(s.v1, s.absorbed1) + a1
        standing2 = d.reservoir_negative.standing_current(s.v2, s.absorbed2) + a2
        k = np.arange(len(charge1), dtype=np.float64)
        t = step * k
        q1, q2 = (charge1 + standing1 * t) / c1, (charge2 + standing2 * t) / c2
        if not self.live:
            empty: list[float] = []
            nodes = Nodes(step, [], empty, empty, q1.tolist(), q2.tolist())
            return _Grid(step, nodes, t, (standing1, standing2), (load1, load2), False)
        e = d.transformer.ratio * volts(d.mains, s.phase + self._omega * t)
        a_is_positive = e >= 0.0
        e = np.abs(e)
        detailed = self._detailed()
        shunt = d.transformer.shunt_siemens
        seen = e if detailed else e / (1.0 + self._before_core * shunt)
        g = []
        for rail, q in ((0, q1), (1, q2)):
            lower, upper = self._drops[rail]
            drop = lower if lower == upper else np.where(a_is_positive, upper, lower)
            g_rail = q - drop
            g_rail[1:] += (self._esr[rail] * self._farad[rail] / step) * (q[1:] - q[:-1])
            if not detailed:
                g_rail += seen
            g.append(g_rail.tolist())
        nodes = Nodes(step, a_is_positive.tolist(), g[0], g[1], q1.tolist(), q2.tolist())
        return _Grid(step, nodes, e, (standing1, standing2), (load1, load2), detailed)

    def _solve(self, grid: _Grid) -> Conduction:
        """Go through the nodes; the state is then that of the last one."""
        s = self._state
        nodes = grid.nodes
        seconds = grid.step * (len(nodes.q1) - 1)
        if not nodes.g1:
            n = len(nodes.q1)
            nothing = np.zeros(n)
            result = Conduction(np.full(n, s.v1), nothing, np.full(n, s.v2), nothing)
            s.v1, s.v2 = max(0.0, s.v1 - nodes.q1[-1]), max(0.0, s.v2 - nodes.q2[-1])
            s.i1 = s.i2 = 0.0
            self._absorb(seconds)
            self._pass(seconds, on=False)
            return result
        charge = Charge(s.v1, s.i1, s.v2, s.i2)
        if grid.detailed:
            iron = Iron(s.flux, s.filament_k)
            result = conduct_in_detail(charge, iron, nodes, grid.electromotive.tolist(), self._way_in())
            s.flux, s.filament_k = iron.flux, iron.filament_k
            if self._lamp is not None:
                bright = (result.filament_k / self._lamp.hot_k) ** 4
                s.flash_peak = max(s.flash_peak, float(bright.max()))
                s.flash_s += grid.step * float(np.count_nonzero(bright[1:] > HALF))
        else:
            shunt = self._design.transformer.shunt_siemens
            common = self._before_core / (1.0 + self._before_core * shunt)
            source = Source(common, self._owns[0], self._owns[1], self._farad[0], self._farad[1])
            result = conduct(charge, nodes, source)
        s.v1, s.i1 = charge.w1 - nodes.q1[-1], charge.i1
        s.v2, s.i2 = charge.w2 - nodes.q2[-1], charge.i2
        self._absorb(seconds)
        self._pass(seconds)
        return result

    def _way_in(self) -> Path:
        if self._path is not None:
            return self._path
        d, t, r = self._design, self._design.transformer, self._design.rectifier
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
                    drains[polarity] = loop / 4.0 + self._esr[rail]
            shorting.append((drains[0], drains[1]))
        self._path = Path(
            before_core=self._before_core,
            ratio=t.ratio,
            shunt=(shunt[0], shunt[1]),
            own1=self._owns[0],
            own2=self._owns[1],
            shorted1=shorted[0],
            shorted2=shorted[1],
            shorting1=shorting[0],
            shorting2=shorting[1],
            farad1=self._farad[0],
            farad2=self._farad[1],
            full_flux=t.saturation * t.nominal_flux(self._omega),
            full_henry=t.saturated_henry_referred,
            lamp=self._lamp,
        )
        del d
        return self._path

    def _account(self, grid: _Grid, result: Conduction, steps: int) -> None:
        """Means, power and mains current over the last cycle (or what there is of it); heat of the mains fuse."""
        s, d, t = self._state, self._design, self._design.transformer
        cycle = min(steps, max(1, round(1.0 / (d.mains.frequency * grid.step))))
        weight = min(1.0, steps * grid.step * d.mains.frequency * 1.001)
        if weight > 0.995:
            weight = 1.0
        e = grid.electromotive
        if isinstance(result, DetailedConduction):
            total = result.total
        else:
            shunt = t.shunt_siemens
            share = 1.0 / (1.0 + self._before_core * shunt)
            total = share * (result.i1 + result.i2 + shunt * e)
        rms2 = float(total @ total) / len(total) * t.ratio**2
        magnetising2 = (t.magnetising_a * t.tap_ratio * d.mains.voltage / t.nominal_v) ** 2
        seconds = steps * grid.step
        s.heat_mains = d.mains_fuse.heated(s.heat_mains, rms2 + magnetising2, seconds)
        last = slice(len(total) - cycle, None)
        last2 = float(np.mean(total[last] ** 2)) * t.ratio**2 + magnetising2
        s.mains_a = math.sqrt((1.0 - weight) * s.mains_a**2 + weight * last2)
        s.power_w += weight * (float(np.mean(total[last] * e[last])) - s.power_w)
        for rail, w, i, q in ((0, result.w1, result.i1, grid.nodes.q1), (1, result.w2, result.i2, grid.nodes.q2)):
            mean = float(w[-cycle:].mean() + self._esr[rail] * (i[-cycle:].mean() - grid.loads[rail]))
            mean = max(0.0, mean - sum(q[-cycle:]) / cycle)
            if rail == 0:
                s.mean1 += weight * (mean - s.mean1)
            else:
                s.mean2 += weight * (mean - s.mean2)
        if s.heat_mains >= 1.0:
            self._blow_mains_fuse()


@dataclass(frozen=True)
class _Grid:
    """Nodes with what else is needed to make samples and sums of their solution."""

    step: float
    nodes: Nodes
    electromotive: FloatArray
    standing: tuple[float, float]
    loads: tuple[float, float]
    detailed: bool


def _samples(
    currents: FloatArray,
    volts_at_nodes: FloatArray,
    diode: FloatArray,
    farad: float,
    esr: float,
    series: float,
    standing: float,
    dt: float,
) -> FloatArray:
    """Terminal voltage at every sample, shape (frames,): nodes plus what happens between them.

    ``currents`` has shape (steps, samples per step); the diode current is straight between nodes, so its charge is a
    parabola; the load's charge is summed sample by sample; ``series`` is ESR and fuse, which carry the load's current.
    """
    steps, per_step = currents.shape
    slope = (diode[1:] - diode[:-1]) / per_step
    shape = np.empty((steps, 3))
    shape[:, 0] = volts_at_nodes[:-1] + esr * diode[:-1]
    shape[:, 1] = (diode[:-1] - standing) * (dt / farad) + esr * slope
    shape[:, 2] = slope * (0.5 * dt / farad)
    tau = np.arange(per_step, dtype=np.float64)
    wave = shape @ np.stack([np.ones(per_step), tau, tau * tau])
    if per_step <= _MATRIX_UP_TO:
        # charge before each sample and drop during it, in one matrix: far quicker than a running sum
        taken = np.triu(np.full((per_step, per_step), dt / farad), 1)
        taken[np.diag_indices(per_step)] = series
        wave -= currents @ taken
    else:
        wave -= (dt / farad) * np.cumsum(currents, axis=1)
        wave += (dt / farad - series) * currents
    return wave.reshape(-1)
