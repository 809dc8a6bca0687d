"""Time that nobody listens to: mains cycles until they repeat, then jumps; without mains, the discharge."""

from __future__ import annotations

import math

from simulated_instruments.amplifier.auxiliary import Auxiliary
from simulated_instruments.amplifier.lamp import AMBIENT_K, HALF
from simulated_instruments.amplifier.supply_circuit import STARTING_S, Drive, SupplyCircuit, times
from simulated_instruments.amplifier.supply_state import Orbit, SupplyState

_REST_V, _REST_K = 5e-4, 0.05  # change within a mains cycle that is none
_SAME_V = 0.02  # rails this near draw the same standing currents (bleeder, leakage, auxiliary rails)
_CEASES_V, _FULL_V = 2.5, 8.0  # rail below which an amplifier without mains draws nothing, and above which all


def follow_mains(s: SupplyState, c: SupplyCircuit, loads: tuple[float, float], seconds: float) -> float:
    """Advance while mains is there; returns the seconds that were left when its fuse blew, else 0."""
    period = 1.0 / c.design.mains.frequency
    if s.orbit is None or s.orbit.loads != loads:
        s.orbit = None
        seconds = _settle(s, c, loads, seconds, int(seconds / period + 1e-9))
    if c.live(s) and s.orbit is not None:
        seconds -= _jump(s, c, seconds)
        s.v1, s.i1, s.v2, s.i2 = s.orbit.at(s.phase) if s.orbit else (s.v1, 0.0, s.v2, 0.0)
    elif c.live(s) and seconds > 1e-9:
        nodes = max(1, math.ceil(seconds / c.longest_step))
        drive = _steady_drive(s, c, loads, seconds / nodes, nodes)
        c.heat_mains_fuse(s, c.account(s, drive, c.solve(s, drive)), seconds)
        seconds = 0.0
    return seconds if not c.live(s) else 0.0


def _settle(s: SupplyState, c: SupplyCircuit, loads: tuple[float, float], seconds: float, periods: int) -> float:
    """Go through whole mains cycles until they repeat (``orbit`` is then set) or end; returns the seconds left."""
    period = 1.0 / c.design.mains.frequency
    nodes = max(20, math.ceil(period / c.longest_step))
    drive: Drive | None = None
    drawn_at = (0.0, 0.0)
    forecast = _Forecast()
    unheated, resting = 0.0, False
    while periods > 0 and c.live(s):
        starting = s.seconds_on < STARTING_S
        if drive is None or starting or max(abs(s.v1 - drawn_at[0]), abs(s.v2 - drawn_at[1])) > _SAME_V:
            drive, drawn_at = _steady_drive(s, c, loads, period / nodes, nodes), (s.v1, s.v2)
        start, phase = (s.v1, s.v2, s.filament_k), s.phase
        periods -= 1
        seconds -= period
        if not (drive.detailed or resting or periods == 0):
            c.pass_through(s, drive)
            unheated += period
            resting = max(abs(s.v1 - start[0]), abs(s.v2 - start[1])) < _REST_V
            continue
        result = c.solve(s, drive)
        c.heat_mains_fuse(s, c.account(s, drive, result), period)
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
                done = _jump(s, c, jump * period)
                seconds -= done
                periods -= round(done / period)
                drive = None
    if c.live(s):
        c.heat_mains_fuse(s, s.mains_a**2, unheated)
    return seconds


def _jump(s: SupplyState, c: SupplyCircuit, seconds: float) -> float:
    """Pass time that repeats, less where the mains fuse blows first; returns the seconds passed."""
    fuse = c.design.mains_fuse
    final = fuse.heated(0.0, s.mains_a**2, math.inf)
    passed = seconds
    if final > 1.0:
        passed = min(seconds, fuse.time_constant_s * math.log((final - s.heat_mains) / (final - 1.0)))
    if c.lamp is not None and c.lamp.brightness(s.filament_k) > HALF:
        s.flash_s += passed
    c.turn(s, passed)
    c.absorb(s, passed)
    c.heat_mains_fuse(s, s.mains_a**2, passed)
    if passed < seconds and c.live(s):  # by a rounding error short of parting
        c.blow_mains_fuse(s)
    return passed


def _steady_drive(s: SupplyState, c: SupplyCircuit, loads: tuple[float, float], step: float, nodes: int) -> Drive:
    t = times(step, nodes + 1)
    return c.drive(s, step, loads[0] * t, loads[1] * t)


def discharge(s: SupplyState, c: SupplyCircuit, loads: tuple[float, float], seconds: float) -> None:
    """No mains: bleeders, leakage, auxiliary rails and what the amplifier still draws."""
    d = c.design
    ends = []
    for v, absorbed, part, load in (
        (s.v1, s.absorbed1, d.reservoir_positive, loads[0]),
        (s.v2, s.absorbed2, d.reservoir_negative, loads[1]),
    ):
        left = seconds
        while left > 0.0:
            siemens = _drawn_siemens(d.auxiliary, v, load)
            step = left
            if siemens > 0.0:
                # so far that the voltage falls by a tenth; as a conductance, taken half way there
                step = min(left, max(0.1 * part.farad / siemens, seconds / 100.0))
                siemens = _drawn_siemens(d.auxiliary, v * math.exp(-0.5 * step * siemens / part.farad), load)
            v, absorbed = part.discharged(v, absorbed, step, siemens)
            left -= step
        ends.append((v, absorbed))
    (s.v1, s.absorbed1), (s.v2, s.absorbed2) = ends
    s.mean1, s.mean2 = s.v1, s.v2
    s.nothing_from_the_mains()
    c.cool(s, seconds)
    c.turn(s, seconds, on=False)


def _drawn_siemens(auxiliary: Auxiliary | None, v: float, load: float) -> float:
    """What the amplifier and its auxiliary rails take from a rail that nothing charges, over its voltage."""
    if v <= 1e-6:
        return 0.0
    drawn = load * min(1.0, max(0.0, (v - _CEASES_V) / (_FULL_V - _CEASES_V)))
    return (drawn + (auxiliary.drawn(v) if auxiliary else 0.0)) / v


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
