"""The mains supply at work: from the wall to the two rails that both channels share.

Audio asks ``waveform`` for the rails' instantaneous voltages while it draws current; time that nobody listens to goes
through ``advance``, which follows the mains cycles until they repeat and then jumps. The mains' phase runs on through
both. What is soldered in is ``supply_design``; how the circuit is solved, ``supply_circuit``; how time passes,
``supply_settling``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from benchtest.instruments.protocols import FloatArray
from simulated_instruments.amplifier.lamp import AMBIENT_K, Lamp
from simulated_instruments.amplifier.rail_fuse import RailFuse
from simulated_instruments.amplifier.reservoir import charges_per_step, terminal_voltage
from simulated_instruments.amplifier.supply_circuit import STARTING_S, SupplyCircuit
from simulated_instruments.amplifier.supply_design import SupplyDesign, demo_supply, with_tolerances
from simulated_instruments.amplifier.supply_settling import discharge, follow_mains
from simulated_instruments.amplifier.supply_state import SupplyState

__all__ = ["LampFlash", "Supply", "SupplyDesign", "SupplyState", "demo_supply", "with_tolerances"]


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
            s.nothing_from_the_mains()
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
        return self._state.mean1, 0.0 - self._state.mean2

    def rails(self) -> tuple[float, float]:
        """Mean rail voltages where the amplifier takes them, after the rail fuses: (>= 0, <= 0) V."""
        s = self._state
        feeds1, feeds2 = self._feeds()
        v1 = max(0.0, s.mean1 - s.load1 * _ohm(self.design.fuse_positive)) if feeds1 else 0.0
        v2 = max(0.0, s.mean2 - s.load2 * _ohm(self.design.fuse_negative)) if feeds2 else 0.0
        return v1, 0.0 - v2

    def auxiliary(self) -> tuple[float, float]:
        """Auxiliary rails now, V; the main rails where there is no auxiliary regulator."""
        v1, v2 = self.reservoirs()
        a = self.design.auxiliary
        return (v1, v2) if a is None else (float(a.volts(v1)), 0.0 - float(a.volts(-v2)))

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

    def standing(self) -> tuple[float, float]:
        """What each reservoir gives besides the amplifier's current, A."""
        return self._circuit.standing(self._state)

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
            left = follow_mains(self._state, self._circuit, loads, left)
        if left > 0.0:
            discharge(self._state, self._circuit, loads, left)
        self._circuit.heat_rail_fuses(
            self._state, (form_factor * loads[0]) ** 2, (form_factor * loads[1]) ** 2, seconds
        )

    def _feeds(self) -> tuple[bool, bool]:
        """Which rails reach the amplifier."""
        is_open = self.fuses_open
        return not is_open["positive"], not (is_open["negative"] or self.design.single_rail)

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
        np.subtract(0.0, out[:, 1], out=out[:, 1])
        if drive.live:
            c.heat_mains_fuse(s, c.account(s, drive, result), n * dt)
        else:
            s.mean1, s.mean2 = s.v1, s.v2
            s.load1, s.load2 = drive.loads
            c.cool(s, n * dt)
        c.heat_rail_fuses(s, mean_squares[0], mean_squares[1], n * dt)
        s.orbit = None


def _ohm(fuse: RailFuse | None) -> float:
    return 0.0 if fuse is None else fuse.ohm


def _mean_square(x: FloatArray) -> float:
    return float(np.einsum("i,i->", x, x)) / len(x)


def _samples_per_step(size: int, ideal_samples: float) -> int:
    """Samples between two nodes, dividing the block where a divisor lies near the ideal."""
    ideal = min(size, max(1, round(ideal_samples)))
    divisors = [m for m in range(max(1, int(0.6 * ideal)), int(1.3 * ideal) + 1) if size % m == 0]
    return min(divisors, key=lambda m: abs(m - ideal)) if divisors else ideal
