"""Slew-limited rise: the steepest slope and the rise time of a square wave, as far as the sound card sees them.

Connected: sound card into both inputs, dummy load on, one channel driven. Played: a square wave of 1 kHz with the peak of
1 W (or of what may be tried). Computed: 10 to 90 % rise and fall time, overshoot, steepest slope.
Method: common practice, no published standard in the references. Departure, and it is a large one: a sound card passes
half its sample rate (48 kHz at 96 kHz), so a rise below about 10 us, a slope above what a full-power sine of that frequency
has, and ringing above it are not seen: the reading is "at least", unless the amplifier is slower than the bench.
What may go wrong: a slew limit shows as a slope that stops growing with the level: take it at two levels.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchtest import signals
from benchtest.analysis.transients import edges
from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.budget import COVERAGE
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading, Verdict
from benchtest.safety import GuardedBench, NotCleared

METHOD = "square wave of 1 kHz, slope and 10 to 90 % rise time, within the sound card's band (common practice)"
BAND_LIMITED_RISE = 0.45
"""10 to 90 % rise of an ideal band limit f: about 0.45 / f (0.35 / f for one pole)."""


def slew_rate(bench: GuardedBench, channel: str, *, output_peak_v: float | None = None) -> list[Reading]:
    """slew_rate (steepest slope seen, V/s) and rise_time (s) of one channel."""
    conditions = bench.conditions(driven="one", at="1 W")
    try:
        rate = bench.sample_rate
        peak = output_peak_v if output_peak_v is not None else math.sqrt(2.0) * bench.drive_limits().one_watt_v()
        # band-limited: odd harmonics up to 0.45 of the sample rate, so that the converter has nothing to fold
        shape = _square(1000.0, 0.4, rate)
        capture = bench.waveform(
            shape, rate, [channel], output_peak_v=peak * 0.95, highest_hz=20e3, window_s=(0.12, 0.32)
        )
    except (NotCleared, NotReachable, NotAllowed) as why:
        return [
            not_measured(q, channel, unit, why, conditions=conditions, method=METHOD)
            for q, unit in (("slew_rate", "V/s"), ("rise_time", "s"))
        ]
    seen = edges(capture.channel(channel), rate)
    fastest = BAND_LIMITED_RISE / (0.45 * rate)
    relative = bench.calibration.volts_relative()
    common: dict[str, Any] = {
        "channel": channel, "frequency_hz": 1000.0, "level": peak * 0.95, "level_unit": "V peak",
        "load_ohm": bench.load_ohm[channel], "conditions": conditions, "method": METHOD,
    }  # fmt: skip
    slow = seen.rise_s is not None and seen.rise_s > 1.5 * fastest
    note = "" if slow else f"at least this: the bench itself rises in {1e6 * fastest:.0f} us"
    parts = {"calibration": seen.slew * relative, "shape of the edge": 0.02 * seen.slew}
    found = [
        Reading(
            quantity="slew_rate", value=seen.slew, unit="V/s", verdict=Verdict.INFORMATION, note=note,
            expanded_uncertainty=COVERAGE * math.hypot(*parts.values()), budget=parts, **common,
        )
    ]  # fmt: skip
    if seen.rise_s is None:
        return [
            *found,
            not_measured("rise_time", channel, "s", "no edge was found", conditions=conditions, method=METHOD),
        ]
    rise = math.sqrt(max(seen.rise_s**2 - fastest**2, 0.0)) if slow else seen.rise_s
    parts = {"shape of the edge": 0.02 * rise, "part of a sample": 0.2 / rate}
    found.append(
        Reading(
            quantity="rise_time", value=rise, unit="s", verdict=Verdict.INFORMATION,
            expanded_uncertainty=COVERAGE * math.hypot(*parts.values()), budget=parts,
            note=f"{note.replace('at least', 'at most')} overshoot {100 * seen.overshoot:.1f} % of the step, band limit's "
            "ringing included".strip(),
            **common,
        )
    )  # fmt: skip
    return found


def _square(frequency_hz: float, seconds: float, sample_rate: int) -> signals.FloatArray:
    """A band-limited square wave, peak 1 with its overshoot: odd harmonics up to 0.45 of the sample rate."""
    t = np.arange(round(seconds * sample_rate)) / sample_rate
    total = np.zeros(len(t))
    for order in range(1, int(0.45 * sample_rate / frequency_hz) + 1, 2):
        total += np.sin(2.0 * np.pi * order * frequency_hz * t) / order
    return np.asarray(total / np.max(np.abs(total)))
