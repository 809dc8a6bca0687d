"""Ohms with the power off: speaker fuses and dummy load, less the resistance of the meter's leads.

Connected: amplifier unplugged, reservoirs measured empty, the meter's leads moved from point to point. The lead
resistance is nulled first: 0.2 ohm is 2.5 % of 8 ohm. Method: two-wire ohms (common practice). A fuse found open cold is
a failed reading: ask what blew it, and that channel is never driven.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.budget import expanded, from_meter, part
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading, Verdict
from benchtest.safety import GuardedBench, MeterValue

LEAD_OFF = "the meter's leads read open when held together: a lead is off. That is your bench, not the amplifier"
HEATED = 0.02
"""Change of a dummy load from which it is noted."""
PROBE_CONTACT_OHM = 0.01
"""What the probes' contact changes by from one touch to the next, two touches together; standard uncertainty (judgement)."""
METHOD = "two-wire ohms less the leads (common practice)"


def lead_resistance(bench: GuardedBench) -> Reading:
    """The meter's two leads together; taken off every later ohms reading of this run."""
    try:
        value = bench.ohms("leads_shorted")
    except (NotReachable, NotAllowed) as why:
        return not_measured("lead_resistance", "none", "ohm", why, method="leads together")
    if value.value is None or value.value > 2.0:
        bench.lead_ohm = math.inf if value.value is None else bench.lead_ohm
        shown = "open" if value.value is None else f"{value.value:.2f} ohm"
        return Reading(
            quantity="lead_resistance", channel="none", value=value.value, unit="ohm", verdict=Verdict.INCONCLUSIVE,
            method="leads together", note=f"the leads read {shown} together: clean the tips, check the leads",
        )  # fmt: skip
    bench.lead_ohm = value.value
    return Reading(
        quantity="lead_resistance", channel="none", unit="ohm", method="leads together",
        **from_meter(value.value, value.budget),
    )  # fmt: skip


def less_the_leads(value: MeterValue, leads: float) -> dict[str, Any]:
    """Value, uncertainty and budget of a two-wire resistance less that of the leads, as keywords for a Reading.

    The meter's zero error is in both readings and cancels, but its statement does not part it from the rest: all of the
    statement is taken.
    """
    assert value.value is not None
    of_the_meter = part(value.value, value.standard_uncertainty, "meter accuracy")
    return expanded(of_the_meter - part(leads, PROBE_CONTACT_OHM, "contact of the probes"))


def fuse_resistance(bench: GuardedBench, channel: str) -> Reading:
    """One speaker fuse, cold, in its holder. Open is a fail, and the channel is never driven."""
    point = f"{channel}_speaker_fuse"
    try:
        value = bench.ohms(point)
    except (NotReachable, NotAllowed) as why:
        return not_measured("fuse_resistance", channel, "ohm", why, method=METHOD)
    if bench.lead_ohm == math.inf:
        return not_measured("fuse_resistance", channel, "ohm", LEAD_OFF, method=METHOD)
    leads = bench.lead_ohm or 0.0
    if value.value is None or value.value - leads > 100.0:
        bench.never_drive(channel, "its speaker fuse is open", path_open=True)
        return Reading(
            quantity="fuse_resistance", channel=channel, value=None, unit="ohm", verdict=Verdict.FAIL, method=METHOD,
            note="SPEAKER FUSE OPEN. A blown fuse is a symptom: ask what blew it (a shorted cable, a loudspeaker, DC "
            "from the output stage) before fitting another of the same rating. This channel is not driven.",
        )  # fmt: skip
    return Reading(
        quantity="fuse_resistance", channel=channel, unit="ohm", method=METHOD,
        **less_the_leads(value, leads),
    )  # fmt: skip


def load_resistance(bench: GuardedBench, channel: str, name: str = "load", *, at: str = "") -> Reading:
    """One resistor of a dummy load ("load" or "second load"), disconnected.

    Every later power of this run uses it. ``at``: measured once more, such as after heating; what is used stays as it is,
    and a change of more than 2 % is noted (common practice).
    """
    point = f"{channel}_{name.replace(' ', '_')}"
    try:
        value = bench.ohms(point)
    except (NotReachable, NotAllowed) as why:
        return not_measured("load_resistance", channel, "ohm", why, method=METHOD)
    if bench.lead_ohm == math.inf:
        return not_measured("load_resistance", channel, "ohm", LEAD_OFF, method=METHOD)
    if value.value is None:
        bench.never_drive(channel, "its dummy load is open")
        return Reading(
            quantity="load_resistance", channel=channel, value=None, unit="ohm", verdict=Verdict.FAIL, method=METHOD,
            note="the dummy load is open: check its leads",
        )  # fmt: skip
    leads = bench.lead_ohm or 0.0
    stated = bench.file.second_load if name == "second load" else bench.file.load
    assert stated is not None
    which = {key: word for key, word in (("load", name), ("at", at)) if word not in ("load", "")}
    reading = Reading(
        quantity="load_resistance", channel=channel, unit="ohm", method=METHOD,
        conditions={"stated_ohm": stated.ohm(channel), **which},
        **less_the_leads(value, leads),
    )  # fmt: skip
    assert reading.value is not None
    if not at:
        bench.use_load(channel, reading.value, name)
        return reading
    before = bench.ohm_of(name)[channel]
    change = reading.value / before - 1.0
    if abs(change) > HEATED:
        note = f"changed by {100 * change:+.1f} %, {before:.3g} ohm before: power was worked out with that"
        bench.tell(f"{channel} {name.replace('load', 'dummy load')}: {note}.", severity="warning")
        return replace(reading, note=note)
    return reading
