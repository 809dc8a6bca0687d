"""THD at high frequency, 1 W: what is left where the loop gain is small. From the sweep, or by stepped tones.

Connected: as for ``sweep`` and ``distortion``, one channel driven. Computed: from the sweep the second and third
harmonic over the fundamental at 6.3 kHz (both lie inside 20 kHz) and against frequency; by tones, all harmonics up to the
end of the band by the joint fit. Relative to the fundamental.
Method: IEC 60268-3 14.12 (THD against frequency) and AES17's limit of the band at 20 kHz; departures: orders 2 and 3 only
from the sweep, 1 W instead of rated output.
What may go wrong: above 6.7 kHz the third harmonic lies outside the band, above 10 kHz all of them do: such a THD says
nothing, and is not given. Intermodulation of 19 and 20 kHz says it.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.budget import COVERAGE
from benchtest.measurements.distortion import estimates, near_the_floor
from benchtest.measurements.estimates import Estimate, bench_harmonics
from benchtest.measurements.sweep import Swept
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading, Verdict
from benchtest.records import Curve
from benchtest.safety import GuardedBench, NotCleared

METHOD = "orders 2 and 3 of one sweep at 1 W, relative to the fundamental, inside 20 kHz (after IEC 60268-3 14.12)"
TONE_METHOD = "stepped tones, sine fit, 20 Hz to 20 kHz, relative to the fundamental (after IEC 60268-3 14.12, AES17)"
HIGH_HZ = 6300.0
ORDERS = (2, 3)


def thd_high(bench: GuardedBench, swept: Swept | str, channel: str, *, at: str = "1 W, 6.3 kHz") -> list[object]:
    """THD at 6.3 kHz, 1 W, from the sweep of the channel; and orders 2 and 3 against frequency."""
    conditions = bench.conditions(at=at, driven="one", orders=list(ORDERS))
    common: dict[str, Any] = {"channel": channel, "unit": "%", "method": METHOD, "conditions": conditions}
    if isinstance(swept, str):
        return [not_measured("thd", channel, "%", swept, conditions=conditions, method=METHOD)]
    k, i = swept.at(HIGH_HZ), bench.channels.index(channel)
    levels = [float(swept.own.distortion[order][k]) for order in ORDERS]
    value = math.hypot(*levels)
    if not math.isfinite(value):
        return [
            not_measured("thd", channel, "%", "the sweep does not reach so far", conditions=conditions, method=METHOD)
        ]
    own = bench_harmonics(bench.calibration, i, swept.level_v, swept.input_v)
    each = [swept.harmonic_noise(HIGH_HZ, order) for order in ORDERS]
    noise = (
        math.hypot(*(level * u for level, u in zip(levels, each, strict=True))) / value if value > 0.0 else max(each)
    )
    residual = own.u(dict(zip(ORDERS, levels, strict=True)))
    parts = {"noise": noise, "bench residual": residual, "parting of orders": 0.01 * value}
    estimate = Estimate(value, parts, own.whole)
    return [
        Reading(
            quantity="thd", frequency_hz=HIGH_HZ, level=swept.level_v, level_unit="V",
            load_ohm=bench.load_ohm[channel], bandwidth_hz="20:20000", **common, **near_the_floor(estimate),
        ),
        _curve(swept, own.whole),
    ]  # fmt: skip


def _curve(swept: Swept, own: float) -> Curve:
    """own: the bench's own THD at this level, as a ratio."""
    frequencies = swept.own.frequencies_hz
    keep = np.logical_and(frequencies >= 40.0, frequencies <= 10e3)
    columns = {"frequency_hz": frequencies[keep]}
    for order in ORDERS:
        columns[f"order_{order}_percent"] = 100.0 * swept.own.distortion[order][keep]
    for order in ORDERS:
        level = swept.own.distortion[order][keep]
        noise = np.array([swept.harmonic_noise(float(f), order) for f in frequencies[keep]])
        combined = np.sqrt(noise**2 + own**2 / 2.0 + (0.01 * level) ** 2)
        columns[f"order_{order}_uncertainty_percent"] = 100.0 * COVERAGE * combined
    return Curve(
        f"distortion_vs_frequency_{swept.channel}",
        f"Second and third harmonic against frequency, {swept.channel}, 1 W",
        columns,
        {name: "Hz" if name == "frequency_hz" else "%" for name in columns},
        {"channel": swept.channel, "at": "1 W", "coverage_factor": COVERAGE},
    )


def thd_at(
    bench: GuardedBench, channel: str, frequency_hz: float, *, output_v: float | None = None, at: str = ""
) -> list[Reading]:
    """THD and THD+N at one frequency by a tone, 1 W or ``output_v``; harmonics must fit into the band."""
    conditions = bench.conditions(at=at or f"1 W, {frequency_hz / 1000.0:g} kHz", driven="one")
    level = output_v if output_v is not None else bench.drive_limits().one_watt_v()
    if not 2.0 * frequency_hz <= 20e3:
        why = f"no harmonic of {frequency_hz:g} Hz lies inside 20 kHz"
        return [not_measured("thd", channel, "%", why, conditions=conditions, method=TONE_METHOD)]
    seconds = max(0.5, 12.0 / frequency_hz)
    try:
        capture = bench.tone(level, [channel], frequency_hz=frequency_hz, hold_s=seconds + 0.25, window_s=seconds)
    except (NotCleared, NotReachable, NotAllowed) as why_not:
        return [not_measured("thd", channel, "%", why_not, conditions=conditions, method=TONE_METHOD)]
    figures = capture.figures[channel]
    common: dict[str, Any] = {
        "channel": channel, "unit": "%", "method": TONE_METHOD, "conditions": conditions, "frequency_hz": frequency_hz,
        "load_ohm": bench.load_ohm[channel], "bandwidth_hz": "20:20000",
    }  # fmt: skip
    if not (math.isfinite(figures.thd) and figures.level_v > 0.0):
        return [Reading(quantity="thd", value=None, verdict=Verdict.INCONCLUSIVE, note="no tone found", **common)]
    common |= {"level": figures.level_v, "level_unit": "V"}
    return [
        Reading(quantity=quantity, **common, **near_the_floor(estimate))
        for quantity, estimate in zip(("thd", "thd_n"), estimates(bench, capture, channel), strict=True)
    ]


def thd_vs_frequency(
    bench: GuardedBench,
    channel: str,
    frequencies_hz: tuple[float, ...] = (40.0, 125.0, 400.0, 1000.0, 2500.0, 6300.0, 10e3),
) -> list[object]:
    """THD and THD+N at stepped frequencies, 1 W, and their curve."""
    found: list[object] = []
    points: dict[str, list[float]] = {"frequency_hz": [], "thd_percent": [], "thd_n_percent": []}
    points |= {"thd_uncertainty_percent": [], "thd_n_uncertainty_percent": []}
    for frequency in frequencies_hz:
        readings = thd_at(bench, channel, frequency)
        found += readings
        values = {reading.quantity: reading.value for reading in readings}
        if values.get("thd") is not None and values.get("thd_n") is not None:
            points["frequency_hz"].append(frequency)
            points["thd_percent"].append(float(values["thd"] or 0.0))
            points["thd_n_percent"].append(float(values["thd_n"] or 0.0))
            for reading in readings:
                points[f"{reading.quantity}_uncertainty_percent"].append(reading.expanded_uncertainty or math.nan)
    if points["frequency_hz"]:
        found.append(
            Curve(
                f"thd_vs_frequency_{channel}",
                f"THD and THD+N against frequency, {channel}, 1 W",
                {name: np.array(values) for name, values in points.items()},
                {name: "Hz" if name == "frequency_hz" else "%" for name in points},
                {"channel": channel, "at": "1 W", "coverage_factor": COVERAGE},
            )
        )
    return found
