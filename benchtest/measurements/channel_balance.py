"""Channel difference with the volume turned down, against volume, and against frequency.

Connected: sound card into both inputs, dummy load on, volume where the prompt put it, balance control centred. Played:
1 kHz, 50 mV at the output, one channel after the other. Computed: the gain of right over that of left, 20 lg; both gains
go through scales of one calibration, so the meter's error cancels. How far the volume really is down is told by the gain
against that at full volume.
Method: IEC 60268-3 14.17 (gain difference between channels, over the volume's range) and IHF-A-202; departures: at 50 mV.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from benchtest.measurements.budget import DB_PER_NEPER
from benchtest.measurements.gain import gain
from benchtest.measurements.sweep import Swept
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.records import Curve
from benchtest.safety import GuardedBench

METHOD = "gain of right over left at 1 kHz, 50 mV out, volume as stated (after IEC 60268-3 14.17, at a lower level)"
EDGES_DB = 0.0006
"""What the edges of the sweep's band, and the choice of the widest point, leave in a difference of two responses of one set,
whose own edges are alike (standard uncertainty; what simulated sets show beyond the noise)."""
FREQUENCY_METHOD = "response of right over left, one sweep a channel at 1 W (after IEC 60268-3 14.17)"


def channel_balance(
    bench: GuardedBench, full_gain_db: Mapping[str, float] | None = None, *, at: str = ""
) -> list[Reading]:
    """channel_balance at the present volume position; its note says how far down that is, where the full gain is known.

    full_gain_db: the gain of each channel at full volume, dB.
    """
    position = at or bench.hook_up_now.volume
    readings = gain(bench, at=position)
    balances = [replace(r, method=METHOD) for r in readings if r.quantity == "channel_balance"]
    gains = {r.channel: r.value for r in readings if r.quantity == "gain" and r.value is not None}
    down = [gains[c] - full_gain_db[c] for c in gains if full_gain_db is not None and c in full_gain_db]
    if not down or not balances:
        failed = [r for r in readings if r.quantity == "gain" and r.value is None]
        return balances + failed
    mean = sum(down) / len(down)
    note = f"right relative to left; the volume is {-mean:.1f} dB down"
    conditions = {**balances[0].conditions, "volume_down_db": round(-mean, 2)}
    return [replace(balances[0], note=note, conditions=conditions)]


def balance_vs_frequency(bench: GuardedBench, sweeps: Mapping[str, Swept | str]) -> list[object]:
    """The widest channel difference from 40 Hz to 16 kHz against that at 1 kHz, and the curve."""
    conditions = bench.conditions(at="1 W", driven="one")
    left, right = (sweeps.get(c, "not swept") for c in bench.channels)
    if isinstance(left, str) or isinstance(right, str):
        why = left if isinstance(left, str) else right
        return [not_measured("balance_deviation", "both", "dB", why, conditions=conditions, method=FREQUENCY_METHOD)]
    frequencies = left.own.frequencies_hz
    difference = right.relative_db - left.relative_db
    inside = np.logical_and(frequencies >= 40.0, frequencies <= 16e3)
    k = int(np.argmax(np.where(inside, np.abs(difference), -1.0)))
    frequency = float(frequencies[k])
    budgets = [_parts(bench, left, right, float(f)) for f in frequencies]
    parts, spread = budgets[k], np.array([2.0 * math.hypot(*each.values()) for each in budgets])
    common: dict[str, Any] = {"load_ohm": bench.load_ohm["left"], "level": left.level_v, "level_unit": "V"}
    return [
        Reading(
            quantity="balance_deviation", channel="both", value=float(difference[k]), unit="dB", frequency_hz=frequency,
            expanded_uncertainty=2.0 * math.hypot(*parts.values()), budget=parts,
            conditions=conditions, method=FREQUENCY_METHOD, note="the widest from 40 Hz to 16 kHz, re 1 kHz", **common,
        ),
        Curve(
            "balance_vs_frequency",
            "Channel difference against frequency, right relative to left, re 1 kHz, 1 W",
            {"frequency_hz": frequencies, "difference_db": difference, "difference_uncertainty_db": spread},
            {"frequency_hz": "Hz", "difference_db": "dB", "difference_uncertainty_db": "dB"},
            {"at": "1 W", "coverage_factor": 2.0},
        ),
    ]  # fmt: skip


def _parts(bench: GuardedBench, left: Swept, right: Swept, frequency_hz: float) -> dict[str, float]:
    own = [s.bench_noise(bench.calibration, i, frequency_hz) for i, s in enumerate((left, right))]
    return {
        "noise": _noise(left, right, frequency_hz),
        "noise of the bench's own response": DB_PER_NEPER * math.hypot(*own),
        "edges": EDGES_DB,
    }


def _noise(left: Swept, right: Swept, frequency_hz: float) -> float:
    """Standard uncertainty, from noise, of the difference against that at 1 kHz, dB."""
    return DB_PER_NEPER * math.sqrt(sum(s.noise(f) ** 2 for s in (left, right) for f in (frequency_hz, 1000.0)))
