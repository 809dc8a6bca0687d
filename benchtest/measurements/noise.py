"""Noise and hum at the terminals with nothing played, and the signal-to-noise ratio re 1 W.

Connected: dummy load on, inputs shorted first; once more with the sound card plugged in, where the difference is the
cable. Computed over 20 Hz to 20 kHz: the whole (noise, what a meter would show), A-weighted after IEC 61672-1, and the
mains lines of 50 or 60 Hz and their multiples to the tenth.
Method: IEC 60268-3 14.13 and 14.14, IHF-A-202 for the reference of 1 W into the rated load; departures: the band is
20 Hz to 20 kHz brick-wall, not 22.4 Hz to 22.4 kHz; shorted inputs, not 1 kilohm (IHF).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchtest.analysis.noise import noise
from benchtest.errors import NotReachable
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.records import Waveform
from benchtest.safety import GuardedBench

METHOD = "rms over 20 Hz to 20 kHz, inputs as stated (after IEC 60268-3 14.13, IHF-A-202 reference of 1 W)"
HUM_METHOD = "largest mains line, multiples 1 to 10, by fit (after IEC 60268-3 14.14)"


def noise_and_hum(bench: GuardedBench, at: str, *, seconds: float = 1.0, keep: bool = False) -> list[object]:
    """noise (V), noise_a_weighted (V), signal_to_noise (dB re 1 W) and hum (V, the largest line) of both channels."""
    conditions = bench.conditions(at=at)
    try:
        capture = bench.record(seconds)
    except NotReachable as why:
        return [not_measured("noise", c, "V", why, conditions=conditions, method=METHOD) for c in bench.channels]
    floor = bench.calibration.noise_v
    reference = bench.drive_limits().one_watt_v()
    relative = bench.calibration.volts_relative()
    readings: list[object] = []
    for i, channel in enumerate(bench.channels):
        figures = noise(capture.channel(channel), capture.sample_rate, band_hz=(20.0, 20000.0))
        lines = [(line.frequency_hz, line.level_v) for line in figures.hum if line.level_v is not None]
        total = figures.total_v
        own = floor[i] if floor is not None else 0.0
        note = ""
        if own and total < own * math.sqrt(10.0):
            note = f"within 10 dB of the bench's own noise ({1e6 * own:.0f} uV)"
        # the bench's own noise adds in power: it can only make the reading too large, by this much at most
        excess = total - math.sqrt(max(total**2 - own**2, 0.0))
        spread = total / math.sqrt(2.0 * 20e3 * seconds)
        u = 2.0 * math.sqrt((total * relative) ** 2 + spread**2 + excess**2 / 3.0)
        common: dict[str, Any] = {
            "channel": channel, "load_ohm": bench.load_ohm[channel], "bandwidth_hz": "20:20000",
            "conditions": conditions,
        }  # fmt: skip
        readings.append(
            Reading(quantity="noise", value=total, unit="V", expanded_uncertainty=u, method=METHOD, note=note, **common)
        )
        readings.append(
            Reading(
                quantity="noise_a_weighted",
                value=figures.noise_a_weighted_v,
                unit="V",
                expanded_uncertainty=u,
                method=METHOD + ", A-weighted (IEC 61672-1)",
                **common,
            )
        )
        ratio_db = 20.0 * math.log10(reference / total) if total > 0 else None
        readings.append(
            Reading(
                quantity="signal_to_noise",
                value=ratio_db,
                unit="dB",
                method=METHOD + ", re 1 W",
                note=note,
                expanded_uncertainty=20.0 / math.log(10.0) * u / total if total > 0 else None,
                **common,
            )
        )
        strongest = max(lines, key=lambda line: line[1], default=(None, 0.0))
        readings.append(
            Reading(
                quantity="hum",
                value=strongest[1],
                unit="V",
                method=HUM_METHOD,
                frequency_hz=strongest[0],
                expanded_uncertainty=2.0 * math.hypot(strongest[1] * relative, own / 100.0),
                note="; ".join(f"{f:.0f} Hz {1e6 * v:.0f} uV" for f, v in lines[:4] if v > 1e-6),
                **common,
            )
        )
    if keep:
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
