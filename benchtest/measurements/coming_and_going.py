"""What comes and goes: the share of the time in which a steady DC, or a steady tone, is gone.

Connected: the meter on the speaker terminals, for the tone the sound card as well. Played: nothing, or 1 kHz at the level of
the first rung. Computed: of some 160 quick DC readings those below a quarter of their median; of the tone's envelope, in
stretches of 10 ms, those below half of its median. Where the DC goes, the path to the terminals opens; where only the tone
goes, the path to the amplifier does. Method: common practice (tap, heat, watch), no published standard. What may go wrong:
an offset below 0.3 mV tells nothing; a joint may hold still for the eight seconds of a look.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchtest.errors import LostFrames, NotAllowed, NotReachable
from benchtest.measurements.budget import COVERAGE
from benchtest.measurements.carrying import carry_meter
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.safety import GuardedBench, NotCleared

LOOKS = 160
EVERY_S = 0.03
LEAST_V = 3e-4
GONE_DC, GONE_TONE = 0.25, 0.5
STRETCH_S = 0.01
TONE_S = 8.0
OHM_LOOKS = 100
OHM_METHOD = "100 ohms readings at the terminals, relay held: share above four times the usual (common practice)"
DC_METHOD = "160 quick DC readings at the terminals: share below a quarter of their median (common practice)"
TONE_METHOD = "1 kHz for 8 s: share of 10 ms stretches below half of the median (common practice)"


def dc_dropouts(bench: GuardedBench, channel: str, at: str) -> Reading:
    """dropouts of the offset at a channel's terminals, percent of the looks."""
    point = f"{channel}_output"
    common: dict[str, Any] = {"conditions": bench.conditions(at=f"DC, {at}", of="DC", looks=LOOKS), "method": DC_METHOD}
    try:
        carry_meter(bench, point)
        first = bench.dc_volts(point, repeats=3)
        if bench.read_by_hand(point):
            return not_measured("dropouts", channel, "%", "a person cannot read a meter 160 times", **common)
        reach = None if first.value is None else max(0.1, 2.0 * abs(first.value))
        values = []
        for _ in range(LOOKS):
            seen = bench.dc_volts(point, range=reach, line_cycles=1.0).value
            values.append(math.inf if seen is None else abs(seen))
            bench.sleep(EVERY_S, why="does it come and go?")
    except (NotReachable, NotAllowed) as why:
        return not_measured("dropouts", channel, "%", why, **common)
    usual = float(np.quantile(values, 0.75))  # what stands there while it stands, even if it is gone half of the time
    if not usual >= LEAST_V:
        return not_measured(
            "dropouts", channel, "%", f"only {1e3 * usual:.2f} mV stand there: too little to go", **common
        )
    return _share(channel, np.array(values) < GONE_DC * usual, common)


def ohm_dropouts(bench: GuardedBench, channel: str, at: str) -> Reading:
    """dropouts of the ohms at a channel's terminals, amplifier off and empty, relay held, nothing connected: for an
    offset too small to be missed. What is there while the path holds is the amplifier's feedback resistor."""
    point = f"{channel}_output"
    common: dict[str, Any] = {
        "conditions": bench.conditions(at=f"ohms, {at}", of="ohms", looks=OHM_LOOKS),
        "method": OHM_METHOD,
    }
    try:
        carry_meter(bench, point)
        if bench.read_by_hand(point):
            return not_measured("dropouts", channel, "%", "a person cannot read a meter 100 times", **common)
        values = []
        for _ in range(OHM_LOOKS):
            seen = bench.ohms(point, range=1e5).value
            values.append(math.inf if seen is None else seen)
            bench.sleep(EVERY_S, why="does it come and go?")
    except (NotReachable, NotAllowed) as why:
        return not_measured("dropouts", channel, "%", why, **common)
    usual = float(np.quantile(values, 0.25))
    if not math.isfinite(usual):
        return not_measured("dropouts", channel, "%", "the path is open all the time", **common)
    return _share(channel, np.array(values) > usual / GONE_DC, common)


def tone_dropouts(bench: GuardedBench, channel: str, at: str) -> Reading:
    """dropouts of a steady 1 kHz tone at the level that was last seen to respond, percent of the time."""
    common: dict[str, Any] = {"conditions": bench.conditions(at=f"tone, {at}", of="tone"), "method": TONE_METHOD}
    try:
        level = min(1.0, bench.highest_output([channel]))
        capture = bench.tone(level, [channel], hold_s=TONE_S, window_s=TONE_S - 0.2)
    except (NotReachable, NotAllowed, NotCleared, LostFrames) as why:
        return not_measured("dropouts", channel, "%", why, **common)
    samples = capture.channel(channel)
    frames = round(STRETCH_S * capture.sample_rate)
    stretches = samples[: len(samples) // frames * frames].reshape(-1, frames)
    envelope = np.sqrt(np.mean(np.square(stretches), axis=1))
    usual = float(np.quantile(envelope, 0.75))
    return _share(
        channel, envelope < GONE_TONE * usual, {**common, "frequency_hz": 1000.0, "level": level, "level_unit": "V"}
    )


def _share(channel: str, gone: np.ndarray[Any, np.dtype[np.bool_]], common: dict[str, Any]) -> Reading:
    """A share of looks, with what so few of them scatter by (a binomial share's standard deviation)."""
    n, share = len(gone), float(np.mean(gone))
    scatter = 100.0 * math.sqrt(max(share * (1.0 - share), 1.0 / n) / n)
    times = int(np.count_nonzero(np.diff(gone.astype(np.int8)) == 1))
    note = f"gone {times} times" if times else "steady"
    return Reading(
        quantity="dropouts", channel=channel, value=100.0 * share, unit="%", note=note,
        expanded_uncertainty=COVERAGE * scatter, budget={"so few looks": scatter}, **common,
    )  # fmt: skip
