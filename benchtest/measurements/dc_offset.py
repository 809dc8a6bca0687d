"""DC at the outputs: offset, its drift, loaded against unloaded, and the zero that is too perfect.

Connected: 1 kilohm or the dummy load across each terminal pair, so that a zero means something. Inputs shorted.
Method: common practice, no published standard: multimeter at the terminals, ten line cycles, mean of five; limits by
kind of output stage (at most 50 mV good, 100 mV limit for a direct-coupled one), guarded.
What may go wrong: a relay still open or a blown speaker fuse shows exactly zero with the rail behind it, so a zero fails
until the point before relay and fuse has been seen to be zero as well.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchtest.errors import NotReachable
from benchtest.measurements.budget import COVERAGE, from_meter
from benchtest.measurements.carrying import carry_meter
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading, Verdict
from benchtest.records import Curve
from benchtest.safety import DcCheck, GuardedBench
from benchtest.safety.findings import dc_outcome
from benchtest.safety.interlock import LOADS
from benchtest.safety.limits import DC_STOP_V, ZERO_OTHER_V

METHOD = "multimeter at the speaker terminals, 10 line cycles, mean of 5 (common practice)"
BETWEEN_V = 2e-4
"""What an offset walks between the two hook-ups, standard uncertainty (judgement)."""
SCATTER_V = 0.5e-6
"""Of a difference of two readings on a millivolt range (a digit of a bench meter)."""
ON_LAMP = "on the lamp"
DRIFT_METHOD = "offset at the end less offset at the start of the warm-up"
DRIFT_RATE_METHOD = "straight line through the offset of the last four minutes of the warm-up"
RATE_OVER_S = 240.0
RATE_LIMIT_V = 0.002
"""Volts a minute, at 15 min; an offset that settles walks slower from minute to minute, so below it at 10 min is below it."""
WARM_S = 590.0
"""A warm-up of so long is a whole one: at its end the rate is looked at."""
LONGER_S = (660.0, 720.0, 780.0, 840.0, 900.0)
"""When an offset that still walks too fast at the end of the warm-up is looked at again."""
CARRIED_S = 120.0
"""Beside the first and the last time, when a meter that is carried between the outputs is read once more."""
OPEN = "open circuit"
OPEN_CIRCUIT = (
    "OPEN CIRCUIT: exactly 0 V here while the other channel shows {other:.0f} mV. This channel's path from the amplifier "
    "to the terminals is open, not silent by design. Check first, mains off: the speaker fuse, then the relay contact, "
    "then the joints and the speaker switch."
)


def dc_offsets(bench: GuardedBench, at: str) -> list[Reading]:
    """DC at both channels' terminals, each with what it allows.

    A channel that is exactly zero where the other is not fails as an open circuit and is never driven. Where both are
    zero both are inconclusive, until ``before_relay`` has looked behind relay and fuse.
    """
    checks = {channel: _check(bench, channel) for channel in bench.channels}
    return [_reading(bench, checks[channel], checks[_other(channel)], at) for channel in bench.channels]


def dc_on_lamp(bench: GuardedBench) -> list[Reading]:
    """DC at both channels' terminals with the series lamp in: provisional, and it clears nothing.

    Above the stop limit (guarded) it fails, and whoever asked stops: what is bad on the lamp is worse without. A zero says
    nothing, since many relays do not pull in on the lamp.
    """
    found = []
    for channel in bench.channels:
        point = f"{channel}_output"
        common: dict[str, Any] = {"conditions": bench.conditions(at=ON_LAMP), "method": METHOD}
        try:
            carry_meter(bench, point)
            value = bench.dc_volts(point, repeats=5)
        except NotReachable as why:
            found.append(not_measured("dc_offset", channel, "V", why, **common))
            continue
        if value.value is None:
            note = "the meter is overloaded: a rail stands at the output"
            found.append(Reading(quantity="dc_offset", channel=channel, value=None, unit="V", verdict=Verdict.FAIL,
                                 note=note, **common))  # fmt: skip
            continue
        outcome, words = dc_outcome(value, bench.amplifier.output_stage)
        if outcome == "stop":
            verdict, note = Verdict.FAIL, words
        elif outcome == "zero":
            verdict, note = Verdict.INFORMATION, "zero on the lamp, where many relays do not pull in: says nothing"
        else:
            verdict, note = Verdict.INFORMATION, "provisional: on the lamp"
        found.append(Reading(quantity="dc_offset", channel=channel, unit="V", verdict=verdict, note=note,
                             **from_meter(value.value, value.budget), **common))  # fmt: skip
    return found


def _check(bench: GuardedBench, channel: str) -> DcCheck:
    """The DC check of a channel; one movable meter goes from channel to channel (outside points, moved live)."""
    point = f"{channel}_output"
    if bench.reaches(point):
        carry_meter(bench, point)
    return bench.dc_check(channel)


def before_relay(bench: GuardedBench, channel: str, at: str) -> Reading:
    """DC before relay and speaker fuse, after a zero at the terminals.

    Something there and nothing at the terminals: the path is open (fail). The same zero there: natural, the channel is
    cleared. The meter must sit on left_amplifier_output or right_amplifier_output.
    """
    check = bench.dc_check(channel, before_relay=True)
    conditions = bench.conditions(at=at, point="before relay and fuse")
    if check.reading is None:
        return not_measured("dc_offset", channel, "V", check.words, conditions=conditions, method=METHOD)
    value = check.reading.value
    common: dict[str, Any] = {"conditions": conditions, "method": METHOD}
    if value is None:
        return Reading(
            quantity="dc_offset", channel=channel, value=None, unit="V", verdict=Verdict.FAIL,
            note="the meter is overloaded before the relay: a rail stands at the output", **common,
        )  # fmt: skip
    figures = from_meter(value, check.reading.budget)
    if check.outcome == "zero":
        return Reading(
            quantity="dc_offset", channel=channel, unit="V", **figures, **common,
            note="zero before the relay as at the terminals: natural for this amplifier",
        )  # fmt: skip
    if check.outcome == "stop":
        note = f"A RAIL OR A LARGE DC STANDS AT THE OUTPUT before relay and fuse: {check.words}. Nothing is driven."
        return Reading(
            quantity="dc_offset", channel=channel, unit="V", verdict=Verdict.FAIL, note=note, **figures, **common
        )
    why = (
        f"OPEN CIRCUIT: {1000 * value:.1f} mV before relay and fuse, exactly 0 V at the terminals. Check the relay "
        "contact, the speaker fuse and the joints between them."
    )
    bench.never_drive(channel, f"{OPEN}: DC before the relay, zero at the terminals", path_open=True)
    return Reading(quantity="dc_offset", channel=channel, unit="V", verdict=Verdict.FAIL, note=why, **figures, **common)


def is_zero(reading: Reading) -> bool:
    """Whether a DC reading was exactly zero and is still unexplained."""
    return reading.quantity == "dc_offset" and bool(reading.conditions.get("zero"))


def _other(channel: str) -> str:
    return "right" if channel == "left" else "left"


def _reading(bench: GuardedBench, check: DcCheck, other: DcCheck, at: str) -> Reading:
    conditions = bench.conditions(at=at)
    if check.reading is None:
        return not_measured("dc_offset", check.channel, "V", check.words, conditions=conditions, method=METHOD)
    load = bench.load_ohm[check.channel] if conditions["load"] in LOADS else None
    value = check.reading.value
    if value is None:
        return Reading(
            quantity="dc_offset", channel=check.channel, value=None, unit="V", verdict=Verdict.FAIL, method=METHOD,
            conditions=conditions, note="the meter is overloaded: a rail stands at the output",
        )  # fmt: skip
    figures = from_meter(value, check.reading.budget)
    verdict, note = Verdict.INFORMATION, "" if check.outcome in ("good",) else check.words
    if check.outcome == "zero":
        conditions["zero"] = True
        beside = other.reading.value if other.reading is not None else None
        if bench.refusal(check.channel).startswith(OPEN):
            verdict, note = Verdict.FAIL, "exactly 0 V: the path is open, as found before"
            del conditions["zero"]
        elif other.outcome == "stop":
            verdict = Verdict.INCONCLUSIVE
            note = "exactly zero: with that DC at the other channel the protection holds the relay open"
            del conditions["zero"]
        elif beside is not None and abs(beside) > ZERO_OTHER_V:
            verdict, note = Verdict.FAIL, OPEN_CIRCUIT.format(other=1000 * abs(beside))
            bench.never_drive(
                check.channel, f"{OPEN}: exactly 0 V at its terminals, {1000 * abs(beside):.0f} mV at the other",
                path_open=True,
            )  # fmt: skip
        else:
            verdict, note = Verdict.INCONCLUSIVE, "exactly zero: look before relay and fuse"
    elif check.outcome == "stop":
        verdict = Verdict.FAIL
    return Reading(
        quantity="dc_offset", channel=check.channel, unit="V", verdict=verdict, method=METHOD, load_ohm=load,
        conditions=conditions, note=note, **figures,
    )  # fmt: skip


def loaded_difference(bench: GuardedBench, unloaded: dict[str, float], loaded: dict[str, float]) -> list[Reading]:
    """Loaded against unloaded offset; more than 20 mV is a stop (common practice)."""
    found = []
    for channel in bench.channels:
        if channel not in unloaded or channel not in loaded:
            continue
        change = loaded[channel] - unloaded[channel]
        found.append(
            Reading(
                quantity="dc_offset_loaded_difference",
                channel=channel,
                value=change,
                unit="V",
                expanded_uncertainty=COVERAGE * BETWEEN_V,
                budget={"drift between the two": BETWEEN_V},
                method="offset with the load less offset with 1 kilohm",
                load_ohm=bench.load_ohm[channel],
                conditions=bench.conditions(),
            )
        )
    return found


def warm_up(bench: GuardedBench, times_s: tuple[float, ...]) -> tuple[list[Reading], Curve]:
    """Offset at the given times from now (bench clock): the drift between the first and the last, and the curve.

    Where a meter sits on both outputs every time is used. One movable meter is carried from output to output (outside
    points, moved live), so it is read at the start, at two minutes and at the end only; a channel that no meter reaches
    is not measured. Drift of more than 30 mV in 10 minutes, or 2 mV a minute at 15 minutes, is a fault (common
    practice). The rate is looked at where the times reach ten minutes: an offset that settles slows down, so one that is
    slow enough by then passes, and only for one that is not the warm-up goes on to 15 minutes. What stands at two minutes
    is a reading of its own, unless it is a zero: only the DC check, which looks at both channels, can judge that. DC above
    the stop limit ends it there, so that the DC check that follows stops the run.
    """
    points = {channel: f"{channel}_output" for channel in bench.channels}
    reached = [channel for channel in bench.channels if bench.reaches(points[channel])]
    if not all(bench.sits_on(points[channel]) for channel in reached):
        times_s = tuple(sorted({times_s[0], *(t for t in times_s if t == CARRIED_S), times_s[-1]}))
    start = bench.now()
    taken: dict[str, list[float]] = {channel: [] for channel in bench.channels}
    spread: dict[str, list[float]] = {channel: [] for channel in bench.channels}
    late: dict[str, list[float]] = {channel: [] for channel in bench.channels}
    meter_u: dict[str, float] = {}
    when: list[float] = []
    at_two_minutes: list[Reading] = []
    too_high: list[str] = []

    def look(target: float) -> None:
        bench.sleep(max(0.0, start + target - bench.now()), why="offset settles")
        begun = bench.now()
        when.append(begun - start)
        for channel in sorted(reached, key=lambda c: not bench.sits_on(points[c])):  # where the meter is already, first
            carry_meter(bench, points[channel])
            asked = bench.now()
            seen = bench.dc_volts(points[channel], repeats=1)
            late[channel].append(0.5 * (asked + bench.now()) - begun)
            taken[channel].append(float("nan") if seen.value is None else seen.value)
            spread[channel].append(COVERAGE * seen.standard_uncertainty)
            meter_u[channel] = max(meter_u.get(channel, 0.0), seen.standard_uncertainty)
            zero = seen.value is not None and dc_outcome(seen, bench.amplifier.output_stage)[0] == "zero"
            if target == CARRIED_S and seen.value is not None and not zero:
                at_two_minutes.append(
                    Reading(
                        quantity="dc_offset", channel=channel, unit="V", conditions=bench.conditions(at="2 min"),
                        method=METHOD, **from_meter(seen.value, seen.budget),
                    )
                )  # fmt: skip
        too_high.extend(channel for channel in reached if not abs(taken[channel][-1]) <= DC_STOP_V)

    for target in times_s:
        look(target)
        if too_high:
            break
    looked = len(when)  # the drift is that of the warm-up proper, whether or not it is made longer
    whole = times_s[-1] - times_s[0] >= WARM_S and not too_high
    if whole and any(not _slow(_rate(when, taken[channel])) for channel in reached):
        bench.tell(
            f"The offset still walks, by more than {1000 * RATE_LIMIT_V:.0f} mV a minute: it is watched to 15 minutes.",
            severity="warning",
        )
        carried = not all(bench.sits_on(points[channel]) for channel in reached)
        for target in (LONGER_S[0], LONGER_S[-1]) if carried else LONGER_S:
            look(target)
            if too_high:
                break
    curve = Curve(
        "offset_warmup",
        "Offset while warming up",
        {
            "time_s": np.array(when),
            **{f"{c}_v": np.array(taken[c]) for c in reached},
            **{f"{c}_uncertainty_v": np.array(spread[c]) for c in reached},
        },
        {"time_s": "s", **{f"{c}_v": "V" for c in reached}, **{f"{c}_uncertainty_v": "V" for c in reached}},
        {"coverage_factor": COVERAGE},
    )
    minutes = (when[looked - 1] - when[0]) / 60.0
    conditions = bench.conditions(minutes=round(minutes, 2), at="warm-up")
    common: dict[str, Any] = {"conditions": conditions, "method": DRIFT_METHOD}
    readings = []
    for channel in bench.channels:
        values = taken[channel][:looked]
        if channel not in reached:
            why = f"no meter of this bench sits on {points[channel]} or can be moved there"
            readings.append(not_measured("offset_drift", channel, "V", why, **common))
        elif too_high:
            why = f"stopped: DC above {1000 * DC_STOP_V:.0f} mV, {' and '.join(too_high)}"
            readings.append(not_measured("offset_drift", channel, "V", why, **common))
        elif not np.isfinite(values).all():
            readings.append(not_measured("offset_drift", channel, "V", "the meter was overloaded", **common))
        else:
            moved, moment_u = _moment(values, when[:looked], late[channel][:looked])
            change = values[-1] - values[0] + moved
            largest = max(abs(v) for v in values)
            parts = {
                # one meter on one range: its zero cancels, its gain error stays in proportion
                "meter accuracy": meter_u[channel] * (abs(change) / largest if largest > 0.0 else 1.0),
                "moment of reading": moment_u,
                "scatter": SCATTER_V,
            }
            readings.append(
                Reading(
                    quantity="offset_drift", channel=channel, unit="V", **common, **from_meter(change, parts),
                )
            )  # fmt: skip
            if whole:
                rate, rate_u = _rate(when, taken[channel])
                at = bench.conditions(at=f"{when[-1] / 60.0:.0f} min")
                readings.append(
                    Reading(
                        quantity="offset_drift_rate", channel=channel, unit="V/min", conditions=at,
                        method=DRIFT_RATE_METHOD, **from_meter(rate, {"scatter about the line": rate_u}),
                    )
                )  # fmt: skip
    return at_two_minutes + readings, curve


def _rate(when: list[float], values: list[float]) -> tuple[float, float]:
    """Volts a minute at the end: a straight line through what was read in the last RATE_OVER_S, through two readings at
    least; and its standard uncertainty, from the scatter about the line and that of a meter.

    >>> _rate([0.0, 300.0, 600.0], [0.0, 0.030, 0.060])[0]
    0.006
    """
    first = min(sum(t < when[-1] - RATE_OVER_S - 1.0 for t in when), len(when) - 2)
    t, v = np.array(when[first:]) / 60.0, np.array(values[first:])
    t = t - np.mean(t)
    width = float(t @ t)
    slope = float(t @ v) / width
    rest = v - np.mean(v) - slope * t
    scatter = math.sqrt(float(rest @ rest) / (len(t) - 2)) if len(t) > 2 else 0.0
    return round(slope, 9), math.hypot(scatter, SCATTER_V) / math.sqrt(width)


def _slow(rate: tuple[float, float]) -> bool:
    """Whether an offset surely walks slower than it may; what is not a number does not."""
    return abs(rate[0]) + COVERAGE * rate[1] <= RATE_LIMIT_V


def _moment(values: list[float], when: list[float], late: list[float]) -> tuple[float, float]:
    """What to add to a drift for readings that come ``late`` seconds after their time, and its standard uncertainty.

    A reading takes its while, and the second channel waits for the first, when the offset walks fastest: it is carried back
    by the slope at either end, that of a parabola through three readings. How far a straight line through two would have
    carried it instead bounds what the parabola leaves: rectangular.
    """
    if len(values) < 2:
        return 0.0, 0.0
    first, first_straight = _slope(values[:3], when[:3])
    last, last_straight = _slope(values[:-4:-1], when[:-4:-1])
    carried = first * late[0] - last * late[-1]
    bound = math.hypot((first - first_straight) * late[0], (last - last_straight) * late[-1])
    return carried, bound / math.sqrt(3.0)


def _slope(values: list[float], when: list[float]) -> tuple[float, float]:
    """Slope at the first of up to three points: by a parabola, and by a straight line through the first two.

    >>> _slope([0.0, 1.0, 4.0], [0.0, 1.0, 2.0])
    (0.0, 1.0)
    """
    straight = (values[1] - values[0]) / (when[1] - when[0])
    if len(values) < 3:
        return straight, straight
    further = (values[2] - values[1]) / (when[2] - when[1])
    return straight - (further - straight) / (when[2] - when[0]) * (when[1] - when[0]), straight
