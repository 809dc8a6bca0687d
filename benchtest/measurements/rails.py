"""The supply rails: voltage against the sheet, alike, and what is left in the reservoirs with the mains off.

Connected: meters on rail_positive and rail_negative, minus lead on ground. With the lid on they are "not measured", and
that does not block a test whose checks are at the terminals. Method: common practice, no published standard.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from typing import Any

from benchtest.errors import NotReachable
from benchtest.measurements.budget import expanded, from_meter, part
from benchtest.measurements.carrying import carry_meter
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.safety import GuardedBench, MeterValue
from benchtest.safety.limits import EMPTY_V

POINTS = {"positive": "rail_positive", "negative": "rail_negative"}
ELSEWHERE = "the meter that is moved is elsewhere, and rails are inside the set: the mains would have to go off for it"
METHOD = "multimeter from rail to ground, 10 line cycles (common practice)"


def rail_voltages(bench: GuardedBench, at: str, *, carry: bool = False) -> list[Reading]:
    """Both rails, and how far they are apart in percent of their mean.

    ``carry``: one movable meter is carried from rail to rail, which is inside the set: off at the wall, moved, on again;
    every DC check is void after it. Otherwise a rail on which no meter sits is not measured.
    """
    found: list[Reading] = []
    values: dict[str, Any] = {}
    for side, point in POINTS.items():
        conditions = bench.conditions(at=at, rail=side)
        try:
            if carry:
                carry_meter(bench, point)
            value = bench.dc_volts(point)
        except NotReachable as why:
            reason = ELSEWHERE if bench.reaches(point) and not bench.sits_on(point) else why
            found.append(not_measured("rail_voltage", "none", "V", reason, conditions=conditions, method=METHOD))
            continue
        if value.value is None:
            found.append(not_measured("rail_voltage", "none", "V", "overload", conditions=conditions, method=METHOD))
            continue
        if side == "negative" and _on_one_rail(bench, values) and abs(value.value) < EMPTY_V:
            found.append(
                Reading(
                    quantity="rail_voltage", channel="none", unit="V", method=METHOD,
                    conditions={**conditions, "rail": "none"}, note="one supply rail: there is no negative one",
                    **from_meter(value.value, value.budget),
                )
            )  # fmt: skip
            continue
        values[side] = part(abs(value.value), value.standard_uncertainty, f"meter on the {side} rail")
        found.append(
            Reading(
                quantity="rail_voltage",
                channel="none",
                unit="V",
                method=METHOD,
                conditions=conditions,
                **from_meter(value.value, value.budget),
            )
        )
    if len(values) == 2:
        plus, minus = values["positive"], values["negative"]
        mean = (plus + minus) / 2
        if mean.nominal_value > EMPTY_V:
            found.append(
                Reading(
                    quantity="rail_difference",
                    channel="none",
                    unit="%",
                    conditions=bench.conditions(at=at),
                    method="positive less negative magnitude, in percent of their mean",
                    **expanded(100.0 * (plus - minus) / mean),
                )
            )
    return found


def _on_one_rail(bench: GuardedBench, values: dict[str, Any]) -> bool:
    """Whether the amplifier's kind has one rail usually, and that one stands."""
    stands = "positive" in values and values["positive"].nominal_value > EMPTY_V
    return stands and bench.amplifier.output_stage in ("capacitor_coupled", "bridged")


def residual_charge(bench: GuardedBench, at: str) -> list[Reading]:
    """What stands on each reservoir with the mains off, and from rail to rail: below 2 V before ohms, hands or soldering.

    Rail to rail is the difference of the two readings to ground.
    """
    found = []
    seen: dict[str, MeterValue] = {}
    for side, point in POINTS.items():
        conditions = bench.conditions(at=at, rail=side)
        try:
            if bench.hook_up_now.mains != "on" and not bench.sits_on(point):
                bench.move_meter(point)  # one movable meter goes from rail to rail
            value = bench.dc_volts(point)
        except NotReachable as why:
            found.append(not_measured("residual_charge", "none", "V", why, conditions=conditions, method=METHOD))
            continue
        if value.value is None:
            found.append(not_measured("residual_charge", "none", "V", "overload", conditions=conditions, method=METHOD))
            continue
        seen[side] = value
        found.append(
            Reading(
                quantity="residual_charge", channel="none", unit="V", method=METHOD, conditions=conditions,
                **from_meter(abs(value.value), value.budget),
            )
        )  # fmt: skip
    if len(seen) == 2:
        plus, minus = seen.values()
        assert plus.value is not None
        assert minus.value is not None
        parts = {f"meter, {side} rail": value.standard_uncertainty for side, value in seen.items()}
        found.append(
            Reading(
                quantity="residual_charge", channel="none", unit="V", method=METHOD + "; difference of the two",
                conditions=bench.conditions(at=at, rail="rail to rail"), **from_meter(abs(plus.value - minus.value), parts),
            )
        )  # fmt: skip
    return found


def is_charged(charge: Sequence[Reading]) -> bool:
    """Whether any of these readings of stored charge is above what may be touched, 2 V."""
    return any(reading.value is not None and reading.value > EMPTY_V for reading in charge)


def emptied(bench: GuardedBench) -> Generator[list[Reading], Sequence[Reading], None]:
    """Stored charge before anything is touched, and where there is some, the discharge: first thing in an open set.

    In a step: ``yield from measure.emptied(bench)``.
    """
    charge = yield residual_charge(bench, "before anything is touched")
    if is_charged(charge):
        bench.tell("The reservoirs are CHARGED. Discharge each through 220 ohm 5 W; nothing is touched until empty.")
        yield discharge(bench)


def discharge(bench: GuardedBench, *, longest_s: float = 600.0, every_s: float = 15.0) -> list[Reading]:
    """Wait, with the mains off, until every rail that a meter reaches is below 2 V; measured, not just waited for."""
    readings = residual_charge(bench, "after switching off")
    waited = 0.0
    if not all(bench.sits_on(point) for point in POINTS.values()):
        every_s = max(every_s, 60.0)  # a person carries the meter each time
    while waited < longest_s and any(r.value is not None and r.value > 0.8 * EMPTY_V for r in readings):
        bench.sleep(every_s, why="the reservoirs discharge")
        waited += every_s
        readings = residual_charge(bench, "after switching off")
    if is_charged(readings):
        bench.tell(
            f"The reservoirs are NOT empty after {waited:.0f} s. Discharge each through 100 to 470 ohm, 5 W or more, with "
            "insulated probes, never a screwdriver; then measure again.",
            severity="warning",
        )
    return readings
