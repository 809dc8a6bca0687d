"""Phono equalisation: how far a phono input departs from the standard time constants.

Connected: sound card through an attenuator of some 40 dB into the phono input (moving magnet), dummy load on. Played: the
sweep at a level that keeps the loudest part (bass) below 1 W. Computed: level re 1 kHz less that of the standard curve,
averaged over third octaves, 3180, 318 and 75 us, with or without the roll-off of 7950 us, whichever fits the low end.
Method: IEC 60098 (time constants: two secondary sources; that the standard is IEC 60098: from memory), at 1 kHz reference;
departures: no cartridge in the source, so inductance and loading of a real one are left out.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchtest.instruments.protocols import FloatArray
from benchtest.measurements.budget import COVERAGE
from benchtest.measurements.frequency_response import budget
from benchtest.measurements.sweep import Swept
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.records import Curve
from benchtest.safety import GuardedBench

METHOD = "deviation from 3180, 318, 75 us re 1 kHz, one sweep (after IEC 60098)"
TIMES_S = (3180e-6, 318e-6, 75e-6)
ROLL_OFF_S = 7950e-6
BAND_HZ = (40.0, 16e3)
CHOICE = 0.7
"""What the choice of the widest of some points that are alike adds to the noise of one, of that noise (of a few independent
ones the largest lies 0.6 to 0.8 standard deviations high)."""


def standard_db(frequency_hz: FloatArray, *, roll_off: bool = False) -> FloatArray:
    """The standard replay curve in dB re 1 kHz.

    >>> standard_db(np.array([20.0, 100.0, 10e3])).round(3).tolist()
    [19.274, 13.088, -13.734]
    """

    def level(f: FloatArray) -> FloatArray:
        w = 2.0 * np.pi * f
        t1, t2, t3 = TIMES_S
        db: FloatArray = 10.0 * (
            np.log10(1.0 + (w * t2) ** 2) - np.log10(1.0 + (w * t1) ** 2) - np.log10(1.0 + (w * t3) ** 2)
        )
        if roll_off:
            db = db + 10.0 * np.log10((w * ROLL_OFF_S) ** 2 / (1.0 + (w * ROLL_OFF_S) ** 2))
        return db

    f = np.asarray(frequency_hz, dtype=np.float64)
    result: FloatArray = level(f) - level(np.array([1000.0]))[0]
    return result


def over_third_octaves(frequency_hz: FloatArray, db: FloatArray, u: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A curve and its standard uncertainty averaged over the third octave round each point, each by its certainty.

    The error of an equaliser is a slow curve: noise averages out, and a mains line stays with the point that it blurs.

    >>> f = np.array([1000.0, 1080.0, 1160.0, 4000.0])
    >>> mean, u = over_third_octaves(f, np.array([0.0, 0.3, 0.0, 1.0]), np.array([0.1, 0.1, 0.1, 0.2]))
    >>> mean.round(3).tolist(), u.round(3).tolist()
    ([0.15, 0.1, 0.15, 1.0], [0.071, 0.058, 0.071, 0.2])
    """
    near = np.abs(np.log2(frequency_hz[:, None] / frequency_hz)) <= 1.0 / 6.0
    weights = np.where(near, 1.0 / np.square(np.maximum(u, 1e-9)), 0.0)
    total = np.sum(weights, axis=1)
    return (weights @ db) / total, 1.0 / np.sqrt(total)


def phono_equalisation(bench: GuardedBench, swept: Swept | str, channel: str) -> list[object]:
    """equalisation_error: the widest departure from the standard curve that stands out of its uncertainty, 40 Hz to 16 kHz,
    dB, and the curve of it."""
    conditions = bench.conditions(at="phono", driven="one")
    if isinstance(swept, str):
        return [not_measured("equalisation_error", channel, "dB", swept, conditions=conditions, method=METHOD)]
    frequencies = swept.own.frequencies_hz
    errors = {roll: swept.relative_db - standard_db(frequencies, roll_off=roll) for roll in (False, True)}
    low = np.logical_and(frequencies >= 20.0, frequencies <= 60.0)
    roll = bool(np.sum(errors[True][low] ** 2) < np.sum(errors[False][low] ** 2))
    error = errors[roll]
    inside = np.logical_and(frequencies >= BAND_HZ[0], frequencies <= BAND_HZ[1])
    budgets = [budget(bench, swept, k) for k in range(len(frequencies))]
    error, noise = over_third_octaves(frequencies, error, np.array([parts["noise"] for parts in budgets]))
    for parts, own in zip(budgets, noise, strict=True):
        parts |= {"noise": float(own), "the widest of many points": CHOICE * float(own)}
    spread = COVERAGE * np.array([math.hypot(*parts.values()) for parts in budgets])
    # the widest that stands out: where hum or noise blurs the curve, the widest of all is a choice among accidents
    k = int(np.argmax(np.where(inside, np.abs(error) - spread, -np.inf)))
    parts = budgets[k]
    common: dict[str, Any] = {"load_ohm": bench.load_ohm[channel], "level": swept.level_v, "level_unit": "V"}
    return [
        Reading(
            quantity="equalisation_error", channel=channel, value=float(error[k]), unit="dB", method=METHOD,
            frequency_hz=float(frequencies[k]), expanded_uncertainty=float(spread[k]), budget=parts,
            conditions={**conditions, "roll_off_us": 7950 if roll else 0},
            note="the widest from 40 Hz to 16 kHz, " + ("with" if roll else "without") + " the roll-off of 7950 us", **common,
        ),
        Curve(
            f"equalisation_error_{channel}", f"Departure from the standard phono curve, {channel}",
            {"frequency_hz": frequencies, "error_db": error, "error_uncertainty_db": spread},
            {"frequency_hz": "Hz", "error_db": "dB", "error_uncertainty_db": "dB"},
            {"channel": channel, "coverage_factor": COVERAGE},
        ),
    ]  # fmt: skip
