"""THD and THD+N from the top down to 10 mW: noise, crossover and curvature told apart by how they go with level.

Connected: sound card into both inputs, dummy load on, one channel driven, volume full. Played: 1 kHz in steps down to 10 mW
into the rated load. Computed: THD (harmonics, noise taken off) and THD+N, relative to the fundamental, 20 Hz to 20 kHz.
Method: IEC 60268-3 14.12.3 (distortion against output) and AES17 (THD+N against level), both carried on below -20 dB;
departures: steps of 6.7 dB, 0.5 s each and 2.7 s for the last, 1 kHz only.
Reading it: noise rises by 1 dB where the level falls by 1 dB; crossover rises more slowly, in THD; curvature falls with
the level. ``character`` says which of them leads at the bottom.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.distortion import estimates, near_the_floor
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.records import Curve
from benchtest.safety import GuardedBench, NotCleared

METHOD = (
    "1 kHz, steps from the top down to 10 mW, sine fit and residual, 20 Hz to 20 kHz (after IEC 60268-3 14.12.3, AES17)"
)
LOWEST_W = 0.01
STEP_DB = 6.7
WINDOW_S = 0.3
LOWEST_WINDOW_S = 2.5
"""Noise leads at the bottom: in 20 kHz of band a record of T seconds tells its level within 1 / (2 sqrt(20 000 T)), here
0.02 dB, and more where the bench's own noise is taken off."""


def steps_down_v(top_v: float, rated_load_ohm: float, *, step_db: float = STEP_DB) -> list[float]:
    """Levels from ``top_v`` down to 10 mW into the rated load, evenly in decibels, ``step_db`` apart at most.

    >>> [round(v, 3) for v in steps_down_v(8**0.5, 8.0)]
    [2.828, 1.313, 0.609, 0.283]
    """
    lowest = math.sqrt(LOWEST_W * rated_load_ohm)
    count = max(1, math.ceil(20.0 * math.log10(top_v / lowest) / step_db - 1e-9))
    return [float(v) for v in np.geomspace(top_v, lowest, count + 1)]


def thd_vs_level(bench: GuardedBench, channel: str, *, top_v: float | None = None) -> list[object]:
    """THD and THD+N at 10 mW, and both against level from ``top_v`` down (None: 1 W; what is above is in the ramp)."""
    limits = bench.drive_limits()
    top = top_v if top_v is not None else limits.one_watt_v()
    conditions = bench.conditions(at="10 mW", driven="one")
    rows: list[tuple[float, float, float]] = []
    spreads: list[tuple[float, float]] = []
    last: dict[str, Any] = {}
    readings: list[object] = []
    levels = steps_down_v(top, limits.rated_load_ohm)
    for level in levels:
        window_s = LOWEST_WINDOW_S if level == levels[-1] else WINDOW_S
        try:
            capture = bench.tone(level, [channel], hold_s=window_s + 0.2, window_s=window_s)
        except (NotCleared, NotReachable, NotAllowed) as why:
            return [
                not_measured(quantity, channel, "%", why, conditions=conditions, method=METHOD)
                for quantity in ("thd", "thd_n")
            ]
        figures = capture.figures[channel]
        if not (math.isfinite(figures.thd) and figures.level_v > 0.0):
            break
        pair = estimates(bench, capture, channel)
        rows.append((figures.level_v, pair[0].value, pair[1].value))
        spreads.append(
            (near_the_floor(pair[0])["expanded_uncertainty"], near_the_floor(pair[1])["expanded_uncertainty"])
        )
        last = {"pair": pair, "level_v": figures.level_v}
    if len(rows) < 2:
        why_not = "no tone was found"
        return [not_measured("thd", channel, "%", why_not, conditions=conditions, method=METHOD)]
    for quantity, estimate in zip(("thd", "thd_n"), last["pair"], strict=True):
        kept = near_the_floor(estimate, note=character(rows) if quantity == "thd_n" else "")
        readings.append(
            Reading(
                quantity=quantity, channel=channel, unit="%", frequency_hz=1000.0, level=last["level_v"], level_unit="V",
                load_ohm=bench.load_ohm[channel], bandwidth_hz="20:20000", conditions=conditions, method=METHOD, **kept,
            )
        )  # fmt: skip
    readings.append(_curve(bench, channel, rows, spreads))
    return readings


def character(rows: list[tuple[float, float, float]]) -> str:
    """What leads at the bottom, from (level, THD, THD+N) with falling level: noise, crossover or curvature.

    >>> character([(2.8, 1e-5, 1e-4), (0.28, 1e-5, 1e-3)])
    'noise leads at the bottom: THD+N rises as the level falls'
    >>> character([(2.8, 2e-3, 2.1e-3), (0.28, 1e-2, 1.1e-2)])
    'THD rises as the level falls, as crossover does'
    >>> character([(2.8, 1e-2, 1e-2), (0.28, 1e-3, 1.5e-3)])
    'THD falls with the level, as curvature does'
    """
    (top_v, top_thd, _), (low_v, low_thd, low_n) = rows[0], rows[-1]
    down_db = 20.0 * math.log10(top_v / low_v)
    rise_db = 20.0 * math.log10(max(low_thd, 1e-9) / max(top_thd, 1e-9))
    if low_thd > 0.5 * low_n:
        return "THD rises as the level falls, as crossover does" if rise_db > 0.1 * down_db else _falling(rise_db)
    return "noise leads at the bottom: THD+N rises as the level falls"


def _falling(rise_db: float) -> str:
    return "THD falls with the level, as curvature does" if rise_db < -3.0 else "THD is alike at all low levels"


def _curve(
    bench: GuardedBench, channel: str, rows: list[tuple[float, float, float]], spreads: list[tuple[float, float]]
) -> Curve:
    """spreads: expanded uncertainties of THD and THD+N, percent."""
    both = sorted((*row, *spread) for row, spread in zip(rows, spreads, strict=True))
    level, thd, thd_n, thd_u, thd_n_u = (np.array(column) for column in zip(*both, strict=True))
    return Curve(
        f"thd_vs_low_level_{channel}",
        f"THD and THD+N down to 10 mW, {channel}, one channel driven, 1 kHz",
        {
            "output_power_w": level**2 / bench.load_ohm[channel], "output_v": level,
            "thd_percent": 100.0 * thd, "thd_n_percent": 100.0 * thd_n,
            "thd_uncertainty_percent": thd_u, "thd_n_uncertainty_percent": thd_n_u,
        },
        {
            "output_power_w": "W", "output_v": "V", "thd_percent": "%", "thd_n_percent": "%",
            "thd_uncertainty_percent": "%", "thd_n_uncertainty_percent": "%",
        },
        {"channel": channel, "load_ohm": bench.load_ohm[channel], "frequency_hz": 1000.0, "coverage_factor": 2.0},
    )  # fmt: skip
