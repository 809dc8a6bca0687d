"""Separation both ways: a channel driven at 1 W, and what of it comes out of the other one.

Connected: sound card into both inputs (so the idle channel's input sees the sound card's own resistance), dummy load on
both, volume full. Played: one sweep a channel (see ``sweep``), or a tone. Computed: the driven channel's level over what
of the same signal is found in the other, 20 lg; the bench's own crosstalk, seen in the loopback, is taken off as a vector.
Method: IEC 60268-3 14.16 (separation, at 1 kHz and against frequency) and IHF-A-202 (separation); kept: selective in the
driven signal, both ways; departures: at 1 W instead of rated output or -20 dB, the idle input terminated by the sound
card's output, not by the rated source impedance.
``crosstalk`` readings carry the channel that leaks: "left" is what of left is heard in right.
What may go wrong: a shared ground makes it alike at all frequencies, capacitance makes it rise by 6 dB an octave.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from benchtest.analysis.tones import fit_tones
from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.budget import COVERAGE, DB_PER_NEPER
from benchtest.measurements.sweep import Swept
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.records import Curve
from benchtest.safety import GuardedBench, NotCleared

METHOD = "driven channel over its part in the other, selective, 1 W, one channel driven (after IEC 60268-3 14.16)"
NAMED_HZ = (1000.0, 10e3)


def crosstalk(
    bench: GuardedBench, channel: str, frequency_hz: float, *, at: str = "1 W", output_v: float | None = None
) -> Reading:
    """Separation at one frequency by a tone: ``channel`` driven, the other one listened to."""
    conditions = bench.conditions(at=at, driven="one")
    level = output_v if output_v is not None else bench.drive_limits().one_watt_v()
    seconds = 0.5
    try:
        capture = bench.tone(level, [channel], frequency_hz=frequency_hz, hold_s=seconds + 0.25, window_s=seconds)
    except (NotCleared, NotReachable, NotAllowed) as why:
        return not_measured("crosstalk", channel, "dB", why, conditions=conditions, method=METHOD)
    i = bench.channels.index(channel)
    own = fit_tones(capture.channel(channel), capture.sample_rate, [frequency_hz])
    other = fit_tones(
        capture.channel(bench.channels[1 - i]), capture.sample_rate, [frequency_hz], clock_ratio=own.clock_ratio
    )
    ratio = complex(other.amplitudes[0] / own.amplitudes[0])
    noise = float(other.floors[0]) / 3.0 / float(own.rms[0])  # of each part of the line, and so of that along it
    return _reading(bench, channel, frequency_hz, ratio, noise, float(own.rms[0]), conditions)


def separation(bench: GuardedBench, sweeps: Mapping[str, Swept | str], *, at: str = "1 W") -> list[object]:
    """Separation at 1 kHz and 10 kHz both ways, from one sweep a channel, and its curves."""
    conditions = bench.conditions(at=at, driven="one")
    found: list[object] = []
    for channel in bench.channels:
        swept = sweeps.get(channel, "not swept")
        if isinstance(swept, str):
            found.append(not_measured("crosstalk", channel, "dB", swept, conditions=conditions, method=METHOD))
            continue
        ratios = swept.leak.response / swept.own.response
        # the delay and best linear phase of each response were taken out separately; put the difference back
        turn = 2.0 * np.pi * swept.own.frequencies_hz * (swept.leak.delay_s - swept.own.delay_s)
        ratios = ratios * np.exp(-1j * turn)
        for frequency in NAMED_HZ:
            k = swept.at(frequency)
            noise = swept.noise(frequency, other=True)
            found.append(_reading(bench, channel, frequency, complex(ratios[k]), noise, swept.level_v, conditions))
        found.append(_curve(bench, swept, ratios))
    return found


def _reading(
    bench: GuardedBench, channel: str, frequency_hz: float, ratio: complex, noise: float, level_v: float,
    conditions: dict[str, Any],
) -> Reading:  # fmt: skip
    i = bench.channels.index(channel)
    response = bench.calibration.response
    note = ""
    own = 0j if response is None else complex(response.leak(i, frequency_hz))
    parts = _budget(bench, i, frequency_hz, ratio, noise)
    ratio -= own
    if response is None:
        note = "the bench's own crosstalk was not measured"
    elif abs(ratio) < abs(own) * math.sqrt(10.0):
        note = f"within 10 dB of the bench's own crosstalk ({20 * math.log10(abs(own)):.0f} dB)"
    size = max(abs(ratio), 1e-9)
    combined = math.hypot(*parts.values())
    return Reading(
        quantity="crosstalk", channel=channel, value=-20.0 * math.log10(size), unit="dB", frequency_hz=frequency_hz,
        expanded_uncertainty=DB_PER_NEPER * COVERAGE * combined / size, level=level_v, level_unit="V",
        load_ohm=bench.load_ohm[channel], conditions={**conditions, "into": bench.channels[1 - i]}, method=METHOD,
        note=note, budget={name: DB_PER_NEPER * u / size for name, u in parts.items()},
    )  # fmt: skip


def _budget(bench: GuardedBench, i: int, frequency_hz: float, ratio: complex, noise: float) -> dict[str, float]:
    """Standard uncertainties of a leak, relative to the driven channel. ratio: with the bench's own still in it."""
    parts = {"noise": noise, "calibration": abs(ratio) * bench.calibration.ratio_relative()}
    if (response := bench.calibration.response) is not None:
        own = complex(response.leak(i, frequency_hz))
        near = abs(ratio - own) < abs(own) * math.sqrt(10.0)
        parts["bench's own crosstalk"] = max(response.leak_u(i, frequency_hz), 0.1 * abs(own) if near else 0.0)
    return parts


def _curve(bench: GuardedBench, swept: Swept, ratios: np.ndarray[Any, np.dtype[np.complex128]]) -> Curve:
    i = bench.channels.index(swept.channel)
    frequencies = swept.own.frequencies_hz
    combined = np.array(
        [
            math.hypot(*_budget(bench, i, float(f), complex(r), swept.noise(float(f), other=True)).values())
            for f, r in zip(frequencies, ratios, strict=True)
        ]
    )
    if bench.calibration.response is not None:
        ratios = ratios - bench.calibration.response.leak(i, frequencies)
    other = bench.channels[1 - i]
    sizes = np.maximum(np.abs(ratios), 1e-9)
    return Curve(
        f"separation_{swept.channel}_into_{other}",
        f"Separation, {swept.channel} into {other}, 1 W",
        {
            "frequency_hz": frequencies, "separation_db": -20.0 * np.log10(sizes),
            "separation_uncertainty_db": DB_PER_NEPER * COVERAGE * combined / sizes,
        },
        {"frequency_hz": "Hz", "separation_db": "dB", "separation_uncertainty_db": "dB"},
        {"channel": swept.channel, "at": "1 W", "coverage_factor": COVERAGE},
    )  # fmt: skip
