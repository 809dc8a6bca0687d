"""The resistance of a relay contact or a fuse from a tone of about 1 A through it: millivolts over amperes.

Connected: dummy load on, the movable meter across the contact (inside: touched with the amplifier off). Played: 1 kHz, raised
by rungs to 1 A into the load, or as far as 1.5 dB below rated power. Computed: volts across the contact over the current, which
is the output over the load. Method: common practice, no published standard. What may go wrong: an oxide film
shows at small currents only and burns away at large ones; there the 50 mV gain beside the other channel's tells it.
"""

from __future__ import annotations

import math
from typing import Any

from benchtest.errors import InstrumentError, NotAllowed, NotReachable
from benchtest.measurements.budget import expanded, part
from benchtest.measurements.output_impedance import load_relative
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.safety import Capture, GuardedBench, NotCleared

METHOD = "AC volts across the contact over the current of a 1 kHz tone, about 1 A (common practice)"
AMPERES = 1.0
POOR_OHM = 0.1
"""A contact above this has failed: judgement, no source (good ones are below 50 milliohm)."""


def rise_to(bench: GuardedBench, channels: tuple[str, ...], output_v: float, *, hold_s: float = 0.3) -> Capture | str:
    """Up by rungs to ``output_v``; the last capture, or why the level was not reached."""
    level = 0.0
    capture: Capture | str = "no tone was played"
    try:
        while level < output_v * 0.999:
            highest = min(output_v, bench.highest_output(list(channels)))
            if highest <= level * 1.0001:
                ended = "; ".join(filter(None, (bench.ramp_ended(c) for c in channels)))
                return ended or f"{highest:.3g} V is the highest that may be tried"
            level = highest
            capture = bench.tone(level, list(channels), hold_s=hold_s, window_s=0.1)
    except (NotCleared, NotReachable, NotAllowed) as why:
        return str(why)
    return capture


def contact_resistance(bench: GuardedBench, channel: str, place: str = "relay_contact") -> Reading:
    """contact_resistance of the closed relay contact (or the speaker fuse) of a channel, ohm."""
    point = f"{channel}_{place}"
    conditions = bench.conditions(at=place.replace("_", " "), driven="one")
    nothing: dict[str, Any] = {"conditions": conditions, "method": METHOD}
    load = bench.load_ohm[channel]
    rated = bench.drive_limits().rated_v()
    level = AMPERES * load if rated is None else min(AMPERES * load, rated * 10 ** (-1.5 / 20))
    if not bench.sits_on(point):
        return not_measured("contact_resistance", channel, "ohm", f"no meter sits on {point}", **nothing)
    reached = rise_to(bench, (channel,), level)
    if isinstance(reached, str):
        return not_measured("contact_resistance", channel, "ohm", reached, **nothing)
    try:
        capture = bench.tone(level, [channel], hold_s=1.4, also_ac=((point, 1000.0),))
    except (NotCleared, NotAllowed, NotReachable, InstrumentError) as why:
        return not_measured("contact_resistance", channel, "ohm", why, **nothing)
    meter, output = capture.meters.get(point), capture.figures[channel].level_v
    if meter is None or meter.value is None or not output > 0.0:
        why_not = capture.refused.get(point, "the meter saw no tone across it")
        return not_measured("contact_resistance", channel, "ohm", why_not, **nothing)
    relative = math.hypot(bench.calibration.volts_relative(), load_relative(bench, channel))
    current = part(output / load, output / load * relative, "output over load")
    figures = expanded(part(meter.value, meter.standard_uncertainty, "meter accuracy") / current)
    return Reading(
        quantity="contact_resistance", channel=channel, unit="ohm", frequency_hz=1000.0, upper_limit=POOR_OHM,
        level=output, level_unit="V", load_ohm=load, **nothing, **figures,
    )  # fmt: skip
