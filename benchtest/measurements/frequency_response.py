"""Frequency response at 1 W: the points that limits and makers name, the -3 dB points, the widest deviation.

Connected and played: see ``sweep``. Computed: level re 1 kHz, the bench's own response taken off.
Method: IEC 60268-3 14.11 (gain-limited effective frequency range, -3 dB) and IHF-A-202 (response re 1 kHz at 1 W); kept:
1 W, reference 1 kHz; departures: a sweep instead of stepped tones, the source impedance is the sound card's own.
What may go wrong: a tone control or filter that is on bends it; the inductance of the dummy load behind that of the output
coil lifts the top (3 and 1.5 uH at 20 kHz on 8 ohm: 0.01 dB). Above 20 kHz nothing is read.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchtest.instruments.protocols import FloatArray
from benchtest.measurements.budget import COVERAGE, DB_PER_NEPER
from benchtest.measurements.sweep import Swept
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.records import Curve, Waveform
from benchtest.safety import GuardedBench

METHOD = "level re 1 kHz at 1 W, one sweep, the bench's own response taken off (after IEC 60268-3 14.11, IHF-A-202)"
NAMED_HZ = (20.0, 40.0, 16e3, 20e3)
EDGE_U_DB = 0.008
"""What the lower edge of the sweep's band leaves at 20 Hz (found with known filters), rectangular; a tenth at 20 kHz."""
COIL_H = 2e-6
"""An output coil, of some ten turns (judgement)."""
LOAD_H = 5e-6
"""A wire-wound dummy load whose inductance nobody has stated: up to this (judgement)."""
NO_LOOPBACK_DB = 0.3
"""A sound card whose own response was not measured: within so much of flat from 20 Hz to 20 kHz (a guess)."""


def frequency_response(bench: GuardedBench, swept: Swept | str, channel: str, *, at: str = "1 W") -> list[object]:
    """Level at 20 Hz, 40 Hz, 16 kHz and 20 kHz re 1 kHz, the band's edges at -3 dB where they are
    within the sweep, the curve, and the sweep itself."""
    conditions = bench.conditions(at=at, driven="one")
    if isinstance(swept, str):
        return [not_measured("frequency_response", channel, "dB", swept, conditions=conditions, method=METHOD)]
    frequencies = swept.own.frequencies_hz
    common: dict[str, Any] = {
        "channel": channel, "method": METHOD, "level": swept.level_v, "level_unit": "V",
        "load_ohm": bench.load_ohm[channel],
    }  # fmt: skip
    found: list[object] = []
    for frequency in NAMED_HZ:
        if frequency > frequencies[-1] * 1.001:
            continue
        k = swept.at(frequency)
        parts = budget(bench, swept, k)
        found.append(
            Reading(
                quantity="frequency_response", value=float(swept.relative_db[k]), unit="dB", frequency_hz=frequency,
                expanded_uncertainty=COVERAGE * math.hypot(*parts.values()), budget=parts, conditions=conditions,
                **common,
            )
        )  # fmt: skip
    found += [reading for side in ("low", "high") if (reading := _edge(swept, side, conditions, common)) is not None]
    found.append(_curve(bench, swept))
    found += _kept(bench, swept)
    return found


def _kept(bench: GuardedBench, swept: Swept) -> list[object]:
    """The sweep as it was heard: response, separation and distortion at high frequency can be made of it again."""
    capture = swept.capture
    if capture is None:
        return []
    meta = {
        "sweep": swept.channel, "input_v": list(capture.input_v), "load_inductance_uh": bench.file.load.inductance_uh,
    }  # fmt: skip
    scale = max(capture.volts_per_full_scale)
    return [Waveform(f"sweep_{swept.channel}", np.asarray(capture.volts), capture.sample_rate, scale, meta)]


def budget(bench: GuardedBench, swept: Swept, k: int) -> dict[str, float]:
    """Standard uncertainties of the level at point ``k`` re 1 kHz, dB."""
    frequency = float(swept.own.frequencies_hz[k])
    edge = EDGE_U_DB if frequency < 1000.0 else 0.1 * EDGE_U_DB
    parts = {"edges of the sweep": edge / math.sqrt(3.0) * _near_an_edge(frequency)}
    if bench.calibration.response is None:
        parts["bench's own response, not measured"] = NO_LOOPBACK_DB / math.sqrt(3.0) * _near_an_edge(frequency)
    # Behind an output coil the load's own inductance lifts the top: |1 + w^2 L_coil L_load / R^2|. Neither is known well.
    load_h = 1e-6 * bench.file.load.inductance_uh or LOAD_H
    lift = (2.0 * math.pi * frequency) ** 2 * COIL_H * load_h / bench.load_ohm[swept.channel] ** 2
    parts["load inductance"] = DB_PER_NEPER * math.log1p(lift) / math.sqrt(3.0)
    parts["noise"] = DB_PER_NEPER * math.hypot(swept.noise(frequency), swept.noise(1000.0))
    i = bench.channels.index(swept.channel)
    parts["noise of the bench's own response"] = DB_PER_NEPER * swept.bench_noise(bench.calibration, i, frequency)
    return parts


def _near_an_edge(frequency_hz: float) -> float:
    """1 at 20 Hz and 20 kHz, falling to a tenth some octaves inside."""
    octaves = min(abs(math.log2(frequency_hz / 20.0)), abs(math.log2(20e3 / frequency_hz)))
    return max(0.1, 1.0 - octaves / 3.0)


def _edge(swept: Swept, side: str, conditions: dict[str, Any], common: dict[str, Any]) -> Reading | None:
    """Where the response is 3 dB down; None where that lies beyond what was swept."""
    edge = minus_3_db(swept.own.frequencies_hz, swept.relative_db, side)
    if edge is None:
        return None
    # a first-order edge falls by about 3 dB an octave where it is 3 dB down
    hz_per_db = edge * math.log(2.0) / 3.0
    parts = {
        "edges of the sweep": hz_per_db * EDGE_U_DB / math.sqrt(3.0),
        "noise": hz_per_db * DB_PER_NEPER * swept.noise(edge),
    }
    return Reading(
        quantity="frequency_limit", value=edge, unit="Hz",
        expanded_uncertainty=COVERAGE * math.hypot(*parts.values()), budget=parts,
        conditions={**conditions, "edge": side}, note=f"{side} edge, -3 dB", **common,
    )  # fmt: skip


def minus_3_db(frequencies_hz: FloatArray, level_db: FloatArray, side: str) -> float | None:
    """The frequency nearest to 1 kHz on one side at which the level has fallen by 3.01 dB; None where it has not.

    >>> f = np.geomspace(10, 20000, 400)
    >>> round(minus_3_db(f, -10 * np.log10(1 + (50 / f) ** 2), "low"), 1)
    50.0
    """
    down = -10.0 * math.log10(2.0)
    middle = int(np.argmin(np.abs(np.log(frequencies_hz / 1000.0))))
    order = range(middle, 0, -1) if side == "low" else range(middle, len(frequencies_hz) - 1)
    step = -1 if side == "low" else 1
    for k in order:
        if level_db[k] >= down > level_db[k + step]:
            share = (down - level_db[k]) / (level_db[k + step] - level_db[k])
            lowest, highest = math.log(frequencies_hz[k]), math.log(frequencies_hz[k + step])
            return math.exp(lowest + float(share) * (highest - lowest))
    return None


def _curve(bench: GuardedBench, swept: Swept) -> Curve:
    points = range(len(swept.own.frequencies_hz))
    spread = np.array([COVERAGE * math.hypot(*budget(bench, swept, k).values()) for k in points])
    return Curve(
        f"frequency_response_{swept.channel}",
        f"Frequency response, {swept.channel}, 1 W",
        {"frequency_hz": swept.own.frequencies_hz, "level_db": swept.relative_db, "level_uncertainty_db": spread},
        {"frequency_hz": "Hz", "level_db": "dB re 1 kHz", "level_uncertainty_db": "dB"},
        {
            "channel": swept.channel, "load_ohm": bench.load_ohm[swept.channel], "at": "1 W", "coverage_factor": COVERAGE,
        },
    )  # fmt: skip
