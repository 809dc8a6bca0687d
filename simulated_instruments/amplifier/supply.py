"""The mains supply at work: from the wall to the two rails that both channels share.

Audio asks ``waveform`` for the rails' instantaneous voltages while it draws current; time that nobody listens to goes
through ``advance``, which follows the mains cycles until they repeat and then jumps. The mains' phase runs on through
both. What is soldered in is ``supply_design``; how the circuit is solved, ``supply_circuit``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from benchtest.instruments.protocols import FloatArray
from simulated_instruments.amplifier.lamp import AMBIENT_K, HALF, Lamp
from simulated_instruments.amplifier.rail_fuse import RailFuse
from simulated_instruments.amplifier.reservoir import charges_per_step, terminal_voltage
from simulated_instruments.amplifier.supply_circuit import STARTING_S, Drive, Orbit, SupplyCircuit, SupplyState
from simulated_instruments.amplifier.supply_design import SupplyDesign, demo_supply, with_tolerances

__all__ = ["LampFlash", "Supply", "SupplyDesign", "SupplyState", "demo_supply", "with_tolerances"]

_REST_V, _REST_K = 5e-4, 0.05  # change within a mains cycle that is none
_CEASES_V, _FULL_V = 2.5, 8.0  # rail below which an amplifier without mains draws nothing, and above which all


@dataclass(frozen=True)
class LampFlash:
    """What the series lamp did since switch-on: brightest moment over rated power, and how long it was half bright."""

    peak_brightness: float
    bright_s: float


class Supply:
    """A supply built from a design; mains is off and the reservoirs are empty unless a state says otherwise."""

    def __init__(self, design: SupplyDesign, *, state: SupplyState | None = None) -> None:
        self._state = SupplyState() if state is None else replace(state)
        self._circuit = SupplyCircuit(design, design.lamp)
        self._columns = np.empty((2, 0))

    # What a person does --------------------------------------------------------------------------------------------

    @property
    def design(self) -> SupplyDesign:
        """The parts list; assign another to change a component while it runs. A lamp put in series stays."""
        return self._circuit.design

    @design.setter
    def design(self, design: SupplyDesign) -> None:
        self._circuit = SupplyCircuit(design, self._circuit.lamp)
        self._state.orbit = None

    @property
    def mains_on(self) -> bool:
        """Whether the mains switch is closed."""
        return self._state.mains_on

    def switch(self, on: bool) -> None:
        """Close or open the mains switch. The reservoirs keep their charge, the core some flux, the lamp its heat."""
        s = self._state
        if on and not s.mains_on:
            s.seconds_on, s.flash_peak, s.flash_s = 0.0, 0.0, 0.0
        elif s.mains_on and not on:
            t = self.design.transformer
            s.flux = math.copysign(t.remanence * t.nominal_flux(self.design.mains.omega), s.flux)
            self._dead()
        s.mains_on, s.orbit = on, None

    def insert_lamp(self, lamp: Lamp | None) -> None:
        """Put a cold lamp in series with the live, or take it out."""
        if lamp != self._circuit.lamp:
            self._state.filament_k = AMBIENT_K
            self._state.flash_peak = self._state.flash_s = 0.0
            self._circuit = SupplyCircuit(self.design, lamp)
            self._state.orbit = None

    # What can be seen ----------------------------------------------------------------------------------------------

    @property
    def state(self) -> SupplyState:
        """A copy of all that remembers; give it to another Supply to go on from here."""
        return replace(self._state)

    @property
    def live(self) -> bool:
        """Mains reaches the transformer: switched on, fuse whole."""
        return self._circuit.live(self._state)

    @property
    def lamp(self) -> Lamp | None:
        """The lamp in series, None for none."""
        return self._circuit.lamp

    @property
    def fuses_open(self) -> dict[str, bool]:
        """Which of the fuses mains, positive and negative are open."""
        s, d = self._state, self.design
        return {
            "mains": s.mains_fuse_blown or d.mains_fuse.open,
            "positive": s.fuse1_blown or (d.fuse_positive is not None and d.fuse_positive.open),
            "negative": s.fuse2_blown or (d.fuse_negative is not None and d.fuse_negative.open),
        }

    def replace_fuses(self) -> None:
        """Fit whole fuses where they had blown; one that the design has open stays open."""
        s = self._state
        s.mains_fuse_blown = s.fuse1_blown = s.fuse2_blown = False
        s.heat_mains = s.heat1 = s.heat2 = 0.0
        s.orbit = None

    def reservoirs(self) -> tuple[float, float]:
        """Mean voltage across each reservoir (the rail fuses come after them): positive, negative, V."""
        return self._state.mean1, -self._state.mean2

    def rails(self) -> tuple[float, float]:
        """Mean rail voltages where the amplifier takes them, after the rail fuses: (>= 0, <= 0) V."""
        s = self._state
        feeds1, feeds2 = self._feeds()
        v1 = max(0.0, s.mean1 - s.load1 * _ohm(self.design.fuse_positive)) if feeds1 else 0.0
        v2 = max(0.0, s.mean2 - s.load2 * _ohm(self.design.fuse_negative)) if feeds2 else 0.0
        return v1, -v2

    def auxiliary(self) -> tuple[float, float]:
        """Auxiliary rails now, V; the main rails where there is no auxiliary regulator."""
        v1, v2 = self.reservoirs()
        a = self.design.auxiliary
        return (v1, v2) if a is None else (float(a.volts(v1)), -float(a.volts(-v2)))

    @property
    def power_w(self) -> float:
        """Power taken from the mains over the last cycle, W, the lamp's included."""
        return self._state.power_w

    @property
    def mains_current(self) -> float:
        """Mains current over the last cycle, A rms."""
        return self._state.mains_a

    def lamp_state(self) -> str | None:
        """dark, dull, half or bright; None where no lamp is in series."""
        lamp = self._circuit.lamp
        return None if lamp is None else lamp.state(self._state.filament_k)

    @property
    def lamp_flash(self) -> LampFlash:
        """What the lamp did since switch-on."""
        return LampFlash(self._state.flash_peak, self._state.flash_s)

    def ripple(self, i_positive: float, i_negative: float) -> tuple[float, float]:
        """Peak-to-peak ripple of each rail under a steady load, once settled, V."""
        settled = self._settled(i_positive, i_negative)
        rate = 200.0 * self.design.mains.frequency
        wave = settled.waveform(np.tile([[float(i_positive), float(i_negative)]], (200, 1)), rate)
        pp = np.ptp(wave, axis=0)
        return float(pp[0]), float(pp[1])

    def mains_current_rms(self, i_positive: float, i_negative: float) -> float:
        """Mains current under a steady load, once settled, A rms."""
        return self._settled(i_positive, i_negative).mains_current

    def _settled(self, i_positive: float, i_negative: float) -> Supply:
        """A copy some seconds on. Its fuses do not blow meanwhile."""
        other = Supply(self.design, state=self._state)
        other._circuit = self._circuit
        s = other._state
        s.heat_mains = s.heat1 = s.heat2 = -1e6
        other.advance(2.0 if self._circuit.lamp is None else 5.0, i_positive, i_negative)
        return other

    # Time ----------------------------------------------------------------------------------------------------------

    def advance(self, seconds: float, i_positive: float, i_negative: float, *, form_factor: float = 1.0) -> None:
        """Let time pass while the rails give these average currents (A, >= 0).

        ``form_factor`` is rms over average of the current through the rail fuses: 1.571 for the half sines of a class-B
        stage. Without mains the load takes less below 8 V and nothing below 2.5 V, as an amplifier's own current does
        (common practice, no source).

        Raises
        ------
        ValueError
            If seconds is negative or not a number.
        """
        if not seconds >= 0.0:
            raise ValueError(f"advance by {seconds} s. Expected 0 or more.")
        if seconds == 0.0:
            return
        feeds1, feeds2 = self._feeds()
        loads = (max(0.0, i_positive) if feeds1 else 0.0, max(0.0, i_negative) if feeds2 else 0.0)
        self._state.load1, self._state.load2 = loads
        left = seconds
        if self.live:
            left = self._follow_mains(loads, left)
        if left > 0.0:
            self._discharge(loads, left)
        self._heat_rail_fuses((form_factor * loads[0]) ** 2, (form_factor * loads[1]) ** 2, seconds)

    def _follow_mains(self, loads: tuple[float, float], seconds: float) -> float:
        """Advance while mains is there; returns the seconds that were left when its fuse blew, else 0."""
        s, c = self._state, self._circuit
        period = 1.0 / self.design.mains.frequency
        if s.orbit is None or s.orbit.loads != loads:
            s.orbit = None
            seconds = self._settle(loads, seconds, int(seconds / period + 1e-9))
        if self.live and s.orbit is not None:
            seconds -= self._jump(seconds)
            s.v1, s.i1, s.v2, s.i2 = s.orbit.at(s.phase) if s.orbit else (s.v1, 0.0, s.v2, 0.0)
        elif self.live and seconds > 1e-9:
            nodes = max(1, math.ceil(seconds / c.longest_step))
            drive = self._steady_drive(loads, seconds / nodes, nodes)
            self._heat_mains_fuse(c.account(s, drive, c.solve(s, drive)), seconds)
            seconds = 0.0
        return seconds if not self.live else 0.0

    def _steady_drive(self, loads: tuple[float, float], step: float, nodes: int) -> Drive:
        t = step * np.arange(nodes + 1, dtype=np.float64)
        return self._circuit.drive(self._state, step, loads[0] * t, loads[1] * t)

    def _settle(self, loads: tuple[float, float], seconds: float, periods: int) -> float:
        """Go through whole mains cycles until they repeat (``orbit`` is then set) or end; returns the seconds left."""
        s, c = self._state, self._circuit
        period = 1.0 / self.design.mains.frequency
        nodes = max(20, math.ceil(period / c.longest_step))
        drive: Drive | None = None
        forecast = _Forecast()
        unheated, resting = 0.0, False
        while periods > 0 and self.live:
            starting = s.seconds_on < STARTING_S
            if drive is None or starting or resting or periods == 1:
                drive = self._steady_drive(loads, period / nodes, nodes)
            start, phase = (s.v1, s.v2, s.filament_k), s.phase
            periods -= 1
            seconds -= period
            if not (drive.detailed or resting or periods == 0):
                c.pass_through(s, drive)
                unheated += period
                resting = max(abs(s.v1 - start[0]), abs(s.v2 - start[1])) < _REST_V
                continue
            result = c.solve(s, drive)
            self._heat_mains_fuse(c.account(s, drive, result), period)
            if starting:
                continue
            moved = (s.v1 - start[0], s.v2 - start[1], s.filament_k - start[2])
            still = max(abs(moved[0]), abs(moved[1])) < _REST_V and abs(moved[2]) < _REST_K
            if still and resting:
                v1, v2 = result.w1 - drive.q1, result.w2 - drive.q2
                s.orbit = Orbit(loads, phase, 2.0 * math.pi / nodes, v1, result.i1, v2, result.i2)
                break
            resting = still
            if drive.detailed and not still:
                jump = min(forecast.jump(moved), periods - 2)
                if jump > 0:
                    s.v1, s.v2, s.filament_k = forecast.ends((s.v1, s.v2, s.filament_k), jump)
                    done = self._jump(jump * period)
                    seconds -= done
                    periods -= round(done / period)
                    drive = None
        if self.live:
            self._heat_mains_fuse(s.mains_a**2, unheated)
        return seconds

    def _jump(self, seconds: float) -> float:
        """Pass time that repeats, less where the mains fuse blows first; returns the seconds passed."""
        s, c, fuse = self._state, self._circuit, self.design.mains_fuse
        final = fuse.heated(0.0, s.mains_a**2, math.inf)
        passed = seconds
        if final > 1.0:
            passed = min(seconds, fuse.time_constant_s * math.log((final - s.heat_mains) / (final - 1.0)))
        if c.lamp is not None and c.lamp.brightness(s.filament_k) > HALF:
            s.flash_s += passed
        c.turn(s, passed)
        c.absorb(s, passed)
        mean_square = s.mains_a**2
        self._heat_mains_fuse(mean_square, passed)
        if passed < seconds and self.live:
            self._blow_mains_fuse()
        return passed

    def _discharge(self, loads: tuple[float, float], seconds: float) -> None:
        """No mains: bleeders, leakage, auxiliary rails and what the amplifier still draws."""
        s, d, c = self._state, self.design, self._circuit
        ends = []
        for v, absorbed, part, load in (
            (s.v1, s.absorbed1, d.reservoir_positive, loads[0]),
            (s.v2, s.absorbed2, d.reservoir_negative, loads[1]),
        ):
            left = seconds
            while left > 0.0:
                siemens = self._drawn_siemens(v, load)
                step = left
                if siemens > 0.0:
                    # so far that the voltage falls by a tenth; as a conductance, taken half way there
                    step = min(left, max(0.1 * part.farad / siemens, seconds / 100.0))
                    siemens = self._drawn_siemens(v * math.exp(-0.5 * step * siemens / part.farad), load)
                v, absorbed = part.discharged(v, absorbed, step, siemens)
                left -= step
            ends.append((v, absorbed))
        (s.v1, s.absorbed1), (s.v2, s.absorbed2) = ends
        s.mean1, s.mean2 = s.v1, s.v2
        self._dead()
        self._cool(seconds)
        c.turn(s, seconds, on=False)

    def _drawn_siemens(self, v: float, load: float) -> float:
        """What the amplifier and its auxiliary rails take from a rail that nothing charges, over its voltage."""
        if v <= 1e-6:
            return 0.0
        a = self.design.auxiliary
        drawn = load * min(1.0, max(0.0, (v - _CEASES_V) / (_FULL_V - _CEASES_V)))
        return (drawn + (a.drawn(v) if a else 0.0)) / v

    def _dead(self) -> None:
        """Nothing comes from the mains any more."""
        s = self._state
        s.i1 = s.i2 = s.power_w = s.mains_a = 0.0
        s.orbit = None

    def _cool(self, seconds: float) -> None:
        """Mains fuse and lamp without current."""
        s, lamp = self._state, self._circuit.lamp
        s.heat_mains = self.design.mains_fuse.heated(s.heat_mains, 0.0, seconds)
        if lamp is not None:
            s.filament_k = lamp.cooled(s.filament_k, seconds)

    def _feeds(self) -> tuple[bool, bool]:
        """Which rails reach the amplifier."""
        is_open = self.fuses_open
        return not is_open["positive"], not (is_open["negative"] or self.design.single_rail)

    def _heat_rail_fuses(self, mean_square1: float, mean_square2: float, seconds: float) -> None:
        s, d = self._state, self.design
        if d.fuse_positive is not None:
            s.heat1 = d.fuse_positive.heated(s.heat1, mean_square1, seconds)
            s.fuse1_blown = s.fuse1_blown or s.heat1 >= 1.0
        if d.fuse_negative is not None:
            s.heat2 = d.fuse_negative.heated(s.heat2, mean_square2, seconds)
            s.fuse2_blown = s.fuse2_blown or s.heat2 >= 1.0

    def _heat_mains_fuse(self, mean_square: float, seconds: float) -> None:
        s = self._state
        s.heat_mains = self.design.mains_fuse.heated(s.heat_mains, mean_square, seconds)
        if s.heat_mains >= 1.0:
            self._blow_mains_fuse()

    def _blow_mains_fuse(self) -> None:
        self._state.mains_fuse_blown = True
        self._dead()

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
        if self._columns.shape[1] < n:
            self._columns = np.empty((2, n))  # kept: fresh memory costs more than the arithmetic
        columns = self._columns[:, :n]
        np.copyto(columns, currents.T)
        first = 0
        while first < n:
            calm = self.live and self._state.seconds_on >= STARTING_S
            size = min(n - first, max(1, round(sample_rate * (1.0 if calm else 0.1))))
            per_step = _samples_per_step(size, sample_rate * self._circuit.longest_step)
            size -= size % per_step
            self._block(columns[:, first : first + size], sample_rate, per_step, out[first : first + size])
            first += size
        if before is not None:
            self._state = before
        return out

    def _block(self, columns: FloatArray, sample_rate: float, per_step: int, out: FloatArray) -> None:
        """Solve nodes ``per_step`` samples apart and fill in the samples between them."""
        s, d, c = self._state, self.design, self._circuit
        n = columns.shape[1]
        steps, dt = n // per_step, 1.0 / sample_rate
        feeds = self._feeds()
        charges = np.zeros((2, steps + 1))
        mean_squares = [0.0, 0.0]
        for rail in (0, 1):
            if feeds[rail]:
                own = columns[rail]
                np.cumsum(charges_per_step(own.reshape(steps, per_step), dt), out=charges[rail, 1:])
                mean_squares[rail] = _mean_square(own)
        drive = c.drive(s, per_step * dt, charges[0], charges[1])
        result = c.solve(s, drive)
        for rail, w, i, q, fuse in (
            (0, result.w1, result.i1, drive.q1, d.fuse_positive),
            (1, result.w2, result.i2, drive.q2, d.fuse_negative),
        ):
            if not feeds[rail]:
                continue
            terminal_voltage(
                columns[rail].reshape(steps, per_step),
                out[:, rail],
                volts_at_nodes=w - q,
                diode=i,
                farad=c.farad[rail],
                esr=c.esr[rail],
                fuse_ohm=_ohm(fuse),
                standing=drive.standing[rail],
                dt=dt,
            )
        np.negative(out[:, 1], out=out[:, 1])
        if drive.live:
            self._heat_mains_fuse(c.account(s, drive, result), n * dt)
        else:
            s.mean1, s.mean2 = s.v1, s.v2
            s.load1, s.load2 = drive.loads
            self._cool(n * dt)
        self._heat_rail_fuses(mean_squares[0], mean_squares[1], n * dt)
        s.orbit = None


class _Forecast:
    """Looks ahead over mains cycles on a lamp, which take seconds to settle.

    Each quantity tends to its end geometrically, so from two changes in a row follow all others. It reaches further
    after each forecast that came true.
    """

    def __init__(self) -> None:
        self._reach = 4
        self._before: tuple[float, ...] | None = None
        self._moved: tuple[float, ...] = ()
        self._ratios: list[float] = []
        self._expected: list[float] | None = None

    def jump(self, moved: tuple[float, ...]) -> int:
        """How many cycles may be passed over, given the change within this one; 0 for none."""
        before, self._before = self._before, moved
        if before is None:
            return 0
        if self._expected is not None:
            true = all(abs(m - e) <= 0.2 * abs(e) + 1e-3 for m, e in zip(moved, self._expected, strict=True))
            self._reach = min(2 * self._reach, 200) if true else max(2, self._reach // 4)
            self._expected = None
        self._ratios = [m / b if abs(b) > 1e-6 else 0.0 for m, b in zip(moved, before, strict=True)]
        self._moved = moved
        return self._reach if all(0.0 <= ratio < 0.999 for ratio in self._ratios) else 0

    def ends(self, values: tuple[float, float, float], jump: int) -> tuple[float, float, float]:
        """The quantities after so many cycles more."""
        sums = [r * (1.0 - r**jump) / (1.0 - r) for r in self._ratios]
        first, second, third = (x + m * s for x, m, s in zip(values, self._moved, sums, strict=True))
        self._expected = [m * r ** (jump + 2) for m, r in zip(self._moved, self._ratios, strict=True)]
        self._before = None
        return max(0.0, first), max(0.0, second), max(AMBIENT_K, third)


def _ohm(fuse: RailFuse | None) -> float:
    return 0.0 if fuse is None else fuse.ohm


def _mean_square(x: FloatArray) -> float:
    return float(np.einsum("i,i->", x, x)) / len(x)


def _samples_per_step(size: int, ideal_samples: float) -> int:
    """Samples between two nodes, dividing the block where a divisor lies near the ideal."""
    ideal = min(size, max(1, round(ideal_samples)))
    divisors = [m for m in range(max(1, int(0.6 * ideal)), int(1.3 * ideal) + 1) if size % m == 0]
    return min(divisors, key=lambda m: abs(m - ideal)) if divisors else ideal
