"""Which pair of terminals does a tone come out of? By the meters on the terminals, past the sound card's own leads.

Connected: a meter on each pair of terminals, sound card into both inputs, dummy load on. Played: 1 kHz into the left input
only, 50 mV at the output. Read: AC volts at both pairs. Where the sound card hears the tone in the other channel and the
meter sees it in its own, the leads to the sound card are exchanged; where the meter agrees, it is the set, or the input
leads. Method: common practice, no published standard.
"""

from __future__ import annotations

from benchtest.errors import InstrumentError, NotAllowed, NotReachable
from benchtest.measurements.budget import expanded, part
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.safety import GuardedBench, NotCleared
from benchtest.safety.interlock import CHANNELS
from benchtest.safety.limits import FIRST_V

METHOD = "multimeter, AC volts at both pairs of terminals, 1 kHz into the left input (common practice)"


def which_terminals(bench: GuardedBench) -> list[Reading]:
    """AC volts at each pair of terminals while a tone goes into the left input."""
    conditions = bench.conditions(at="50 mV into the left input", driven="one")
    try:
        for channel in CHANNELS:
            if not bench.sits_on(f"{channel}_output"):
                raise NotReachable(f"no meter sits on {channel}_output")
        points = tuple((f"{channel}_output", 1000.0) for channel in CHANNELS)
        seen = bench.tone(FIRST_V, ["left"], hold_s=1.4, also_ac=points).meters
    except (NotCleared, NotReachable, NotAllowed, InstrumentError) as why:
        return [
            not_measured("tone_at_terminals", channel, "V", why, conditions=conditions, method=METHOD)
            for channel in CHANNELS
        ]
    found = []
    for channel in CHANNELS:
        meter = seen.get(f"{channel}_output")
        if meter is None or meter.value is None:
            why_not = "no meter that is read without a person saw the tone"
            found.append(not_measured("tone_at_terminals", channel, "V", why_not, conditions=conditions, method=METHOD))
            continue
        figures = expanded(part(meter.value, meter.standard_uncertainty, "meter accuracy"))
        found.append(
            Reading(
                quantity="tone_at_terminals", channel=channel, unit="V", frequency_hz=1000.0, method=METHOD,
                load_ohm=bench.load_ohm[channel], conditions=conditions, **figures,
            )
        )  # fmt: skip
    return found
