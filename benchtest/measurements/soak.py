"""A long tone, looked at every minute: THD, level, offset, rails. The DC watch and the limits of the rails stay on.

Connected: dummy load on, sound card in the inputs. Played: 1 kHz into the driven channels at once, in stretches of a minute.
Method: common practice, no published standard. A level that moves by more than 0.5 dB or a THD that trebles (and exceeds 0.1 %)
is a failed reading: something comes and goes.
"""

from __future__ import annotations

import math

import numpy as np

from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.budget import COVERAGE, DB_PER_NEPER
from benchtest.measurements.contact import rise_to
from benchtest.measurements.distortion import estimates, near_the_floor
from benchtest.measurements.estimates import Estimate, level_u
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.records import Curve
from benchtest.safety import GuardedBench

METHOD = "1 kHz, all driven channels, looked at every minute (common practice)"
MOVED_DB = 0.5
"""A level that moves further without a prompt is a fault (common practice, no source)."""
WORSE = 3.0
"""How many times its first value THD may reach in a soak; judgement, no source."""
THD_MATTERS = 0.001
"""Below this THD never fails a soak; judgement, no source."""
WINDOW_S = 0.25
NO_TONE = Estimate(math.nan, {}, 0.0)
DRIFT_DB = 0.01
"""What the bench's own scales walk in a soak, standard uncertainty; judgement, no source."""


def soaked(
    bench: GuardedBench, channels: tuple[str, ...], output_v: float, *, minutes: float, every_s: float, name: str
) -> tuple[list[Reading], list[Curve]]:
    """soak_thd (the highest, %), soak_level_change (the widest, dB) of each channel, and the curve over time."""
    conditions = bench.conditions(at=name.replace("_", " "), driven="both" if len(channels) == 2 else "one")
    reached = rise_to(bench, channels, output_v)
    if isinstance(reached, str):
        return [not_measured("soak_thd", c, "%", reached, conditions=conditions, method=METHOD) for c in channels], []
    start, times = bench.now(), []
    thd: dict[str, list[Estimate]] = {c: [] for c in channels}
    noise: dict[str, list[float]] = {c: [] for c in channels}
    level: dict[str, list[float]] = {c: [] for c in channels}
    why = ""
    while bench.now() - start < 60.0 * minutes and not why:
        try:
            capture = bench.tone(output_v, list(channels), hold_s=every_s, window_s=WINDOW_S)
        except (NotAllowed, NotReachable) as refused:
            why = str(refused)
            break
        times.append(bench.now() - start)
        for c in channels:
            figures = capture.figures[c]
            thd[c].append(estimates(bench, capture, c)[0] if math.isfinite(figures.thd) else NO_TONE)
            noise[c].append(level_u(figures.noise_v, WINDOW_S))
            level[c].append(figures.level_v)
        why = "; ".join(filter(None, (bench.ramp_ended(c) for c in channels)))
    if not times:
        return [not_measured("soak_thd", c, "%", why, conditions=conditions, method=METHOD) for c in channels], []
    found = []
    for c in channels:
        first, worst = thd[c][0], max(thd[c], key=lambda e: (not math.isfinite(e.value), e.value))
        change = [20.0 * math.log10(v / level[c][0]) if v > 0.0 else -math.inf for v in level[c]]
        k = max(range(len(change)), key=lambda i: abs(change[i]))
        widest = change[k]
        found.append(
            Reading(
                quantity="soak_thd", channel=c, unit="%", **near_the_floor(worst, note=why),
                upper_limit=100.0 * max(WORSE * first.value, THD_MATTERS), method=METHOD, conditions=conditions,
                level=level[c][0], level_unit="V", frequency_hz=1000.0, load_ohm=bench.load_ohm[c],
            )
        )  # fmt: skip
        finite = math.isfinite(widest)
        parts = {
            "noise": DB_PER_NEPER * math.hypot(*(noise[c][i] / level[c][i] for i in (0, k) if level[c][i] > 0.0)),
            "drift of the bench (judgement)": DRIFT_DB,
        }
        found.append(
            Reading(
                quantity="soak_level_change", channel=c, value=widest if finite else -99.0, unit="dB",
                expanded_uncertainty=COVERAGE * math.hypot(*parts.values()), budget=parts, lower_limit=-MOVED_DB,
                upper_limit=MOVED_DB, method=METHOD, conditions=conditions, level=level[c][0], level_unit="V",
                frequency_hz=1000.0, load_ohm=bench.load_ohm[c], note=why,
            )
        )  # fmt: skip
    columns = {"time_s": np.array(times)}
    for c in channels:
        columns[f"{c}_thd_percent"] = 100.0 * np.array([one.value for one in thd[c]])
        columns[f"{c}_v"] = np.array(level[c])
    units = {key: "s" if key == "time_s" else "%" if "thd" in key else "V" for key in columns}
    return found, [Curve(name, "Soak: THD and level over time", columns, units)]
