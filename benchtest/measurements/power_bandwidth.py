"""Power bandwidth: the band in which half the rated power is made at no more than the rated THD.

Connected: sound card into both inputs, dummy load on, one channel driven. Played: steps in frequency at 3 dB below rated
output, never above what the output network bears at that frequency. Computed: THD at each step, harmonics inside 20 kHz; above
6.7 kHz fewer than two harmonics lie in the band, so there the level is judged instead: no more than 3 dB (of power) lost.
Method: IEC 60268-3 14.11 (distortion-limited effective frequency range) and DIN 45500; departures: 0.5 s a step; the top edge
by level where THD has no harmonic left in the band; steps of a third of a decade or less.
What may go wrong: an output network of 10 ohm and 0.1 uF bears 0.5 W, which is 17.9 V at 20 kHz: below half of 80 W.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading, Verdict
from benchtest.records import Curve
from benchtest.safety import GuardedBench, NotCleared

METHOD = "half rated power at rated THD, stepped tones, band by harmonics inside 20 kHz (after IEC 60268-3 14.11)"
STEPS_HZ = (20.0, 31.5, 63.0, 1000.0, 6300.0, 10e3, 16e3, 20e3)
LOST = 10 ** (-3.0 / 20.0)


def power_bandwidth(bench: GuardedBench, channel: str) -> list[object]:
    """power_bandwidth: the lowest and the highest step at which half rated power is made, Hz, and the curve."""
    conditions = bench.conditions(driven="one", at="half power")
    nothing: dict[str, Any] = {"conditions": conditions, "method": METHOD}
    rated = bench.drive_limits().rated_v()
    if rated is None:
        return [not_measured("power_bandwidth", channel, "Hz", "no rated power is known (amplifier file)", **nothing)]
    stated = bench.amplifier.rated_thd_percent
    target = (stated if stated is not None else 1.0) / 100.0
    rows: list[tuple[float, float, float, bool]] = []
    limited: list[float] = []
    for frequency in STEPS_HZ:
        try:
            level = min(rated / math.sqrt(2.0), bench.highest_output([channel], frequency))
            if level < 0.95 * rated / math.sqrt(2.0):
                limited.append(frequency)
            seconds = max(0.3, 12.0 / frequency)
            capture = bench.tone(level, [channel], frequency_hz=frequency, hold_s=seconds + 0.25, window_s=seconds)
        except (NotCleared, NotReachable, NotAllowed) as why:
            return [not_measured("power_bandwidth", channel, "Hz", why, **nothing)]
        figures = capture.figures[channel]
        thd = figures.thd if math.isfinite(figures.thd) else 0.0
        rows.append((frequency, figures.level_v, thd, thd <= target and figures.level_v >= LOST * level))
    met = _band(rows)
    common: dict[str, Any] = {
        "channel": channel, "level": rated / math.sqrt(2.0), "level_unit": "V", "load_ohm": bench.load_ohm[channel],
        "unit": "Hz", "verdict": Verdict.INFORMATION, "method": METHOD,
    }  # fmt: skip
    found: list[object] = []
    for edge, value in (("low", met[0]), ("high", met[1])):
        note = f"at {'or below' if edge == 'low' else 'or above'} this: the last step that was made"
        if value in limited:
            note += "; at a lower level, which the output network bears"
        found.append(
            Reading(
                quantity="power_bandwidth", value=value, conditions={**conditions, "edge": edge}, note=note, **common
            )
        )
    frequency_hz, volts, thd_values, _ = (np.array(column, dtype=np.float64) for column in zip(*rows, strict=True))
    found.append(
        Curve(
            f"power_bandwidth_{channel}",
            f"THD at half rated power against frequency, {channel}",
            {"frequency_hz": frequency_hz, "output_v": volts, "thd_percent": 100.0 * thd_values},
            {"frequency_hz": "Hz", "output_v": "V", "thd_percent": "%"},
            {"channel": channel},
        )
    )
    return found


def _band(rows: list[tuple[float, float, float, bool]]) -> tuple[float | None, float | None]:
    """Lowest and highest step around 1 kHz without a gap at which the power was made; None where 1 kHz fails."""
    middle = min(range(len(rows)), key=lambda k: abs(math.log(rows[k][0] / 1000.0)))
    if not rows[middle][3]:
        return None, None
    low = high = middle
    while low > 0 and rows[low - 1][3]:
        low -= 1
    while high < len(rows) - 1 and rows[high + 1][3]:
        high += 1
    return rows[low][0], rows[high][0]
