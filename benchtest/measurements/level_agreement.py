"""Multimeter against sound card on one tone at the speaker terminals: is it the amplifier, or is it the bench?

Connected: a meter on each pair of terminals, the sound card through its dividers on the same, dummy load on. Played:
1 kHz (or the highest of 400, 200 and 100 Hz that the meter's AC statement holds for), 1 W, one channel driven. Computed:
the sound card's level over the meter's, in decibels. Zero, within both uncertainties, says that divider and calibration
are what they were; anything else is the bench's own fault (a wrong divider, a stale calibration, leads exchanged),
whatever the amplifier does. Method: common practice, no published standard.
"""

from __future__ import annotations

from benchtest.calibration import FREQUENCY_HZ
from benchtest.errors import InstrumentError, NotAllowed, NotReachable
from benchtest.measurements.budget import in_db, part
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.safety import GuardedBench, NotCleared
from benchtest.safety.limits import SECOND_V

METHOD = "sound card against multimeter at the terminals, 1 kHz, 1 W (common practice)"


def level_agreement(bench: GuardedBench) -> list[Reading]:
    """How far the sound card's level is from the meter's, each channel, dB. Rises to 1 W from a verified 50 mV."""
    conditions = bench.conditions(at="1 W", driven="one")
    found = []
    for channel in bench.channels:
        point = f"{channel}_output"
        try:
            if not bench.sits_on(point):
                raise NotReachable(f"no meter sits on {point}")
            bench.tone(SECOND_V, [channel], hold_s=0.2, window_s=0.1)
            frequency_hz = bench.ac_frequency(point)
            one_watt = bench.drive_limits().one_watt_v()
            if frequency_hz != FREQUENCY_HZ:
                bench.tone(one_watt, [channel], hold_s=0.2, window_s=0.1)  # 1 W is seen to respond at 1 kHz first
            capture = bench.tone(
                one_watt, [channel], frequency_hz=frequency_hz, hold_s=1.4, also_ac=((point, frequency_hz),)
            )
        except (NotCleared, NotReachable, NotAllowed, InstrumentError) as why:
            found.append(not_measured("level_agreement", channel, "dB", why, conditions=conditions, method=METHOD))
            continue
        meter = capture.meters.get(point)
        level = capture.figures[channel].level_v
        if meter is None or meter.value is None or not (meter.value > 0.0 and level > 0.0):
            why_not = capture.refused.get(point, "no meter that is read without a person saw the tone")
            found.append(not_measured("level_agreement", channel, "dB", why_not, conditions=conditions, method=METHOD))
            continue
        calibration = bench.calibration
        ratio = part(level, level * calibration.volts_relative(), "calibration") / part(
            meter.value, meter.standard_uncertainty, "meter accuracy"
        )
        found.append(
            Reading(
                quantity="level_agreement", channel=channel, unit="dB", frequency_hz=frequency_hz, method=METHOD,
                level=meter.value, level_unit="V", **in_db(ratio),
                load_ohm=bench.load_ohm[channel], conditions=conditions,
            )
        )  # fmt: skip
    return found
