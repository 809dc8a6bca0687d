"""Ripple on the rails, and the reservoir capacitance that it implies.

Connected: meters on both rails (lid off), dummy load on. Idle, or while 1 kHz plays on one channel. Computed: AC volts of
the rail at twice the mains frequency; the capacitance from what is drawn and what the ripple is, with the time taken off in
which the rectifier conducts: plain I / (2 f C) reads about a third high.
    C = I t / dV,  t = (1 / 2f) (1 - 2 acos(V_loaded / V_idle) / pi),  dV = 2 sqrt(3) U_ac (a sawtooth)
V_loaded / V_idle is how far the rail sags: a rail that sags more is charged for longer. At idle it has sagged a little
already; V_idle is carried on to no current at all along a straight line. I: each rail carries the half-sine current of the
output, peak over pi, and what the set draws at idle (from the amplifier file where it is stated; two pairs of output
devices a channel are taken).
Method: handbook relations, no published standard; the conduction angle by the relation above (derived, checked against a
circuit solved in the tests). A meter does not tell 50 Hz from 100 Hz: with a diode open the ripple is twice as large, and
the capacitance seems half of what is fitted; look at the spectrum of the hum then.
What may go wrong: a tone's own harmonics on the rail are counted by a true-rms meter: small at 1 kHz.
"""

from __future__ import annotations

import math
from typing import Any

from uncertainties import UFloat, nominal_value, umath

from benchtest.errors import InstrumentError, NotAllowed, NotReachable
from benchtest.measurements.budget import expanded, from_meter, part
from benchtest.measurements.rails import POINTS
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.safety import Capture, GuardedBench, MeterValue, NotCleared

METHOD = "AC volts of the rail meter at twice the mains frequency (common practice)"
CAPACITANCE_METHOD = "C = I t / dV, the rectifier's conduction time taken off (handbook relations)"
SAWTOOTH = 2.0 * math.sqrt(3.0)
"""Peak to peak over rms of a sawtooth or triangle."""
SHAPE = 0.03
"""Relative standard uncertainty of taking the ripple for a sawtooth and the conduction angle from the sag: what the relation
scattered by, the current known, over 60 simulated supplies with 0.45 to 2.5 times the demo's capacitance and half to twice
its winding and series resistances (mean error 0.004)."""
IDLE_SHARE = 0.5
"""Relative standard uncertainty of an idle current that was not measured."""
STANDING_A = 0.02
"""What the small-signal stages draw, both channels (judgement)."""


def rail_ripple(bench: GuardedBench, at: str = "idle") -> list[Reading]:
    """rail_ripple of both rails with nothing played, V rms."""
    frequency = 2.0 * bench.file.bench.mains_frequency
    found = []
    for side, point in POINTS.items():
        conditions = bench.conditions(at=at, rail=side)
        try:
            value = bench.ac_volts(point, frequency)
        except (NotReachable, InstrumentError) as why:
            found.append(not_measured("rail_ripple", "none", "V", why, conditions=conditions, method=METHOD))
            continue
        found.append(_ripple(value, conditions, frequency))
    return found


def ripple_under_load(bench: GuardedBench, channel: str) -> list[Reading]:
    """rail_ripple of both rails while ``channel`` plays half power, and reservoir_capacitance of both."""
    rated = bench.drive_limits().rated_v()
    frequency = 2.0 * bench.file.bench.mains_frequency
    conditions = bench.conditions(at="half power", driven="one")
    if rated is None:
        return _none("no rated power is known (amplifier file)", conditions)
    points = {side: point for side, point in POINTS.items() if bench.sits_on(point)}
    if not points:
        return _none("no meter sits on a rail", conditions)
    try:
        idle = {side: bench.dc_volts(point) for side, point in points.items()}
        capture = bench.tone(
            rated / math.sqrt(2.0),
            [channel],
            hold_s=3.0,
            window_s=0.2,
            also_ac=tuple((point, frequency) for point in points.values()),
        )
    except (NotCleared, NotReachable, NotAllowed, InstrumentError) as why:
        return _none(why, conditions)
    found = []
    for side, point in points.items():
        value = capture.meters.get(point)
        if value is None or value.value is None:
            found += _none(
                capture.refused.get(point, "the rail's ripple was not read in time"), {**conditions, "rail": side}
            )
            continue
        found.append(_ripple(value, {**conditions, "rail": side}, frequency))
        found.append(_capacitance(bench, channel, capture, value, idle[side], side, {**conditions, "rail": side}))
    return found


def _ripple(value: MeterValue, conditions: dict[str, Any], frequency_hz: float) -> Reading:
    if value.value is None:
        return not_measured("rail_ripple", "none", "V", "overload", conditions=conditions, method=METHOD)
    return Reading(
        quantity="rail_ripple", channel="none", unit="V", frequency_hz=frequency_hz, conditions=conditions,
        method=METHOD, **from_meter(value.value, value.budget),
    )  # fmt: skip


def _capacitance(
    bench: GuardedBench, channel: str, capture: Capture, ripple: MeterValue, idle: MeterValue, side: str,
    conditions: dict[str, Any],
) -> Reading:  # fmt: skip
    nothing: dict[str, Any] = {"conditions": conditions, "method": CAPACITANCE_METHOD}
    loaded = capture.rails
    if loaded is None or idle.value is None or ripple.value is None or not abs(idle.value) > 5.0:
        why = "the rail under load was not read"
        return not_measured("reservoir_capacitance", "none", "F", why, **nothing)
    under_load = abs(loaded[0 if side == "positive" else 1])
    peak = math.sqrt(2.0) * capture.figures[channel].level_v / bench.load_ohm[channel]
    stated = bench.amplifier.idle_current_ma
    pair_a = (stated or 50.0) / 1000.0
    pair = part(pair_a, pair_a * IDLE_SHARE, "idle current, not measured")
    # class AB: the driven channel's rail current runs from its idle value to peak over pi; two pairs a channel are taken
    driven = umath.sqrt((peak / math.pi) ** 2 + (2.0 * pair) ** 2) * part(1.0, 0.005, "output current")
    current, at_idle = driven + 2.0 * pair + STANDING_A, 4.0 * pair + STANDING_A
    share = conduction_share(under_load / without_load(abs(idle.value), under_load, at_idle, current))
    time = share / (2.0 * bench.file.bench.mains_frequency)
    swing = SAWTOOTH * part(ripple.value, ripple.standard_uncertainty, "meter accuracy")
    shape = part(1.0, SHAPE, "shape of the ripple")
    return Reading(
        quantity="reservoir_capacitance", channel="none", unit="F", conditions=conditions, method=CAPACITANCE_METHOD,
        frequency_hz=2.0 * bench.file.bench.mains_frequency, note=f"rail {under_load:.2f} V under load",
        **expanded(current * time * shape / swing),
    )  # fmt: skip


def without_load(idle_v: float, loaded_v: float, idle_a: UFloat, loaded_a: UFloat) -> UFloat:
    """What a rail would stand at if nothing were drawn: the straight line through idle and load, carried on to no current.

    >>> round(without_load(42.0, 40.0, 0.2, 1.0), 6)
    42.5
    """
    return idle_v + max(idle_v - loaded_v, 0.0) * idle_a / (loaded_a - idle_a)


def conduction_share(loaded_over_open: UFloat) -> UFloat:
    """The share of a half period in which the reservoir is not being charged: 1 - 2 acos(V_loaded / V_open) / pi.

    A rail at the transformer's peak would be charged for no time at all; one that sags to cos(a) of it lies under the
    crest of the rectified sine from -a to +a.

    >>> round(conduction_share(0.927), 3)
    0.755
    """
    if not nominal_value(loaded_over_open) < 1.0:
        return 1.0
    return 1.0 - 2.0 * umath.acos(loaded_over_open if nominal_value(loaded_over_open) > 0.5 else 0.5) / math.pi


def _none(why: object, conditions: dict[str, Any]) -> list[Reading]:
    return [
        not_measured("rail_ripple", "none", "V", why, conditions=conditions, method=METHOD),
        not_measured("reservoir_capacitance", "none", "F", why, conditions=conditions, method=CAPACITANCE_METHOD),
    ]
