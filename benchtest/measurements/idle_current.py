"""Idle current of the output pairs: millivolts across the emitter resistors, no signal.

Connected: the movable meter across one emitter resistor after the other (inside: touched with the amplifier off, then on,
hands off), 1 kilohm or nothing across the outputs, inputs shorted. Computed: volts over the resistor's stated value.
Method: common practice, no published standard. Departure: the resistor is taken at its print (5 % parts), since it cannot
be measured in circuit better than that with the transistors beside it.
What may go wrong: +20 % in a minute, or 50 mV across one resistor, is runaway: mains off at once (``idle_current`` stops).
"""

from __future__ import annotations

import math
from typing import Any

from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.budget import expanded, part
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading, Verdict
from benchtest.safety import GuardedBench

METHOD = "DC across the emitter resistor over its stated value (common practice)"
RESISTOR_RELATIVE = 0.05
RUNAWAY_V = 0.050


def idle_current(bench: GuardedBench, channel: str, number: int = 1, *, at: str = "warm") -> Reading:
    """idle_current through emitter resistor ``number`` of a channel, A. Stops the run on runaway."""
    point = f"{channel}_emitter_resistor_{number}"
    conditions = bench.conditions(at=at, resistor=number)
    nothing: dict[str, Any] = {"conditions": conditions, "method": METHOD}
    ohm = bench.amplifier.emitter_resistor_ohm
    if ohm is None:
        return not_measured("idle_current", channel, "A", "no emitter resistor is stated (amplifier file)", **nothing)
    try:
        value = bench.dc_volts(point, repeats=3)
    except (NotReachable, NotAllowed) as why:
        return not_measured("idle_current", channel, "A", why, **nothing)
    if value.value is None or not abs(value.value) <= RUNAWAY_V:
        shown = "an overload" if value.value is None else f"{1000 * value.value:.0f} mV"
        bench.stop(f"idle current: {shown} across emitter resistor {number} of the {channel} channel")
    volts = abs(value.value or 0.0)
    target = bench.amplifier.idle_current_ma
    note = ""
    if target is not None and volts / ohm > 2.0 * target / 1000.0:
        note = "twice the target: switch off, and look at the bias circuit before any power"
    figures = expanded(
        part(volts, value.standard_uncertainty, "meter accuracy")
        / part(ohm, ohm * RESISTOR_RELATIVE / math.sqrt(3.0), "emitter resistor")
    )
    return Reading(
        quantity="idle_current", channel=channel, unit="A", note=note, verdict=Verdict.INFORMATION, **nothing, **figures
    )
