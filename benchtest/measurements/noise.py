"""Noise and hum at the terminals with nothing played, and the signal-to-noise ratio re 1 W.

Connected: dummy load on, inputs shorted first; once more with the sound card plugged in, where the difference is the
cable. Computed over 20 Hz to 20 kHz: the whole (noise, what a meter would show), A-weighted after IEC 61672-1, and the
mains lines of 50 or 60 Hz and their multiples to the tenth. The noise of the bench's own input, measured with the
calibration, is taken off as power; within 10 dB of it the reading says so and is as uncertain as that noise is large.
Method: IEC 60268-3 14.13 and 14.14, IHF-A-202 for the reference of 1 W into the rated load; departures: the band is
20 Hz to 20 kHz brick-wall, not 22.4 Hz to 22.4 kHz; shorted inputs, not 1 kilohm (IHF).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchtest.analysis.noise import noise
from benchtest.errors import NotReachable
from benchtest.measurements.budget import COVERAGE, at_least
from benchtest.measurements.distortion import spectrum_curve
from benchtest.measurements.estimates import CALIBRATION_S, bench_noise_v, line_noise, noise_u
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.records import Waveform
from benchtest.safety import GuardedBench

WHITE_A = 10 ** (-2.05 / 20.0)
"""A-weighted over unweighted white noise from 20 Hz to 20 kHz (IEC 61672-1's curve integrated; checked in the tests)."""
METHOD = "rms over 20 Hz to 20 kHz, inputs as stated (after IEC 60268-3 14.13, IHF-A-202 reference of 1 W)"
HUM_METHOD = "largest mains line, multiples 1 to 10, by fit (after IEC 60268-3 14.14)"


def noise_and_hum(bench: GuardedBench, at: str, *, seconds: float = 1.0, keep: bool = False) -> list[object]:
    """noise (V), noise_a_weighted (V), signal_to_noise (dB re 1 W) and hum (V, the largest line) of both channels; with
    ``keep`` their spectra and the waveform as well."""
    conditions = bench.conditions(at=at)
    try:
        capture = bench.record(seconds)
    except NotReachable as why:
        return [not_measured("noise", c, "V", why, conditions=conditions, method=METHOD) for c in bench.channels]
    reference = bench.drive_limits().one_watt_v()
    relative = bench.calibration.volts_relative()
    readings: list[object] = []
    for i, channel in enumerate(bench.channels):
        figures = noise(capture.channel(channel), capture.sample_rate, band_hz=(20.0, 20000.0))
        own = bench_noise_v(bench.calibration, i)
        common: dict[str, Any] = {
            "channel": channel, "load_ohm": bench.load_ohm[channel], "bandwidth_hz": "20:20000",
            "conditions": conditions,
        }  # fmt: skip
        total = without_the_bench(figures.total_v, figures.total_u, own, relative)
        readings.append(Reading(quantity="noise", unit="V", method=METHOD, **total, **common))
        weighted = without_the_bench(figures.noise_a_weighted_v, figures.noise_a_weighted_u, own * WHITE_A, relative)
        readings.append(
            Reading(
                quantity="noise_a_weighted",
                unit="V",
                method=METHOD + ", A-weighted (IEC 61672-1)",
                **weighted,
                **common,
            )
        )
        value, scale = total["value"], 20.0 / math.log(10.0) / total["value"]
        readings.append(
            Reading(
                quantity="signal_to_noise", value=20.0 * math.log10(reference / value), unit="dB",
                method=METHOD + ", re 1 W", note=total["note"],
                expanded_uncertainty=scale * total["expanded_uncertainty"],
                budget={name: scale * u for name, u in total["budget"].items()}, **common,
            )
        )  # fmt: skip
        lines = [
            (line.frequency_hz, line.level_v, u)
            for line, u in zip(figures.hum, figures.hum_u, strict=True)
            if line.level_v is not None
        ]
        # no line at all: what noise alone would have shown
        nothing = (None, 0.0, line_noise(figures.noise_v, seconds))
        strongest = max(lines, key=lambda line: line[1], default=nothing)
        parts = {"noise": strongest[2], "calibration": strongest[1] * relative}
        readings.append(
            Reading(
                quantity="hum", value=strongest[1], unit="V", method=HUM_METHOD, frequency_hz=strongest[0],
                expanded_uncertainty=COVERAGE * math.hypot(*parts.values()), budget=parts,
                note="; ".join(f"{f:.0f} Hz {1e6 * v:.0f} uV" for f, v, _ in lines[:4] if v > 1e-6), **common,
            )
        )  # fmt: skip
    if keep:
        readings += [
            spectrum_curve(capture, c, f"spectrum_of_noise_{c}", f"Noise and hum, {c}, {at}", at)
            for c in bench.channels
        ]
        readings.append(
            Waveform(
                "noise_" + "".join(c if c.isalnum() else "_" for c in at),
                np.asarray(capture.volts),
                capture.sample_rate,
                max(capture.volts_per_full_scale),
                {"at": at},
            )
        )
    return readings


def without_the_bench(total_v: float, total_u: float, own_v: float, relative: float) -> dict[str, Any]:
    """A noise level with the bench's own taken off, its uncertainty and note, as keywords for a Reading.

    total_u: what one record of such noise scatters by (``analysis.noise``). The bench's own noise is white, and was heard
    for as long as the calibration's record. Both count in proportion to their share of what is left.

    >>> round(1e6 * without_the_bench(125e-6, 1e-6, 75e-6, 0.001)["value"], 3)
    100.0
    """
    value = math.sqrt(max(total_v**2 - own_v**2, (0.1 * total_v) ** 2, 1e-18))
    parts = {
        "noise": total_u * total_v / value,
        "bench noise": noise_u(own_v, CALIBRATION_S) * own_v / value,
        "calibration": value * relative,
    }
    note = ""
    if value < own_v * math.sqrt(10.0):
        note = f"within 10 dB of the bench's own noise ({1e6 * own_v:.0f} uV), which is taken off"
        parts = at_least(parts, own_v)
    return {
        "value": value,
        "expanded_uncertainty": COVERAGE * math.hypot(*parts.values()),
        "budget": parts,
        "note": note,
    }
