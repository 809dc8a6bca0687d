"""Intermodulation of two tones, and in which form the figure is stated.

Connected: sound card into both inputs, dummy load on, one channel driven. Played: two tones whose peaks add up to that of
1 W: 60 Hz + 7 kHz and 250 Hz + 8 kHz at 4 to 1, 19 + 20 kHz at 1 to 1. Computed: products by a fit of all lines together,
the clock fitted; the form stands in the reading's conditions (pair sums are 3.01 dB above powers: see
``analysis.intermodulation``).
Method: SMPTE RP 120, DIN 45403, IEC 60268-3 14.12.7 and 14.12.8; departures: 1 W, not rated output.
What may go wrong: products below the noise; the figure is then the noise's, and the note says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchtest import signals
from benchtest.analysis.intermodulation import difference_distortion, modulation_distortion
from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.budget import COVERAGE, DB_PER_NEPER
from benchtest.measurements.estimates import BenchHarmonics, bench_harmonics
from benchtest.measurements.frequency_response import NO_LOOPBACK_DB
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading, Verdict
from benchtest.safety import GuardedBench, NotCleared


@dataclass(frozen=True)
class TwoTone:
    """A two-tone signal: its frequencies, how large the first is against the second, and whose method it is."""

    low_hz: float
    high_hz: float
    ratio: float
    method: str


SIGNALS: dict[str, TwoTone] = {
    "60+7000": TwoTone(60.0, 7000.0, 4.0, "modulation method, 60 Hz + 7 kHz 4:1 (SMPTE RP 120, IEC 60268-3 14.12.7)"),
    "250+8000": TwoTone(250.0, 8000.0, 4.0, "modulation method, 250 Hz + 8 kHz 4:1 (DIN 45403, IEC 60268-3 14.12.7)"),
    "19000+20000": TwoTone(19000.0, 20000.0, 1.0, "difference-frequency method, 19 + 20 kHz 1:1 (IEC 60268-3 14.12.8)"),
}


def intermodulation(
    bench: GuardedBench, channel: str, signal: str, *, output_v: float | None = None, at: str = "1 W"
) -> Reading:
    """intermodulation of one channel with one of ``SIGNALS``, percent, at a peak as high as that of 1 W."""
    two = SIGNALS[signal]
    conditions = bench.conditions(at=at, driven="one", frequencies_hz=[two.low_hz, two.high_hz])
    nothing: dict[str, Any] = {"conditions": conditions, "method": two.method}
    seconds = 1.0
    try:
        rate = bench.sample_rate
        level = output_v if output_v is not None else bench.drive_limits().one_watt_v()
        if bench.ramp_ended(channel):
            raise NotAllowed(bench.ramp_ended(channel))
        shape = signals.two_tone((two.low_hz, two.high_hz), 1.0, seconds + 0.2, rate, ratio=two.ratio, fade_s=0.0)
        capture = bench.waveform(
            shape, rate, [channel], output_peak_v=math.sqrt(2.0) * level, highest_hz=two.high_hz,
            window_s=(0.1, 0.1 + seconds),
        )  # fmt: skip
        samples = capture.channel(channel)
        method = modulation_distortion if two.ratio > 1.0 else difference_distortion
        found = method(samples, rate, low_hz=two.low_hz, high_hz=two.high_hz)
    except (NotCleared, NotReachable, NotAllowed, ValueError) as why:
        return not_measured("intermodulation", channel, "%", why, **nothing)
    i = bench.channels.index(channel)
    peak_input_v = level * capture.input_v[i] / float(np.std(samples))  # of a sine with the same peak
    own = bench_products(bench_harmonics(bench.calibration, i, level, peak_input_v), two)
    parts = {
        "noise": found.total_u,
        "bench residual": own.u({2: found.order_2, 3: found.order_3}),
    }
    if two.ratio == 1.0 and found.total > 0.0:
        # the difference tone lies far below the tones that it is referred to; sidebands lie beside theirs
        parts["bench's own response"] = found.order_2**2 / found.total * _response_relative(bench, i, two)
    return Reading(
        quantity="intermodulation", channel=channel, value=100.0 * found.total, unit="%", verdict=Verdict.INFORMATION,
        expanded_uncertainty=100.0 * COVERAGE * math.hypot(*parts.values()), frequency_hz=two.high_hz,
        level=level, level_unit="V", load_ohm=bench.load_ohm[channel], method=two.method,
        conditions={**conditions, "form": found.form}, budget={name: 100.0 * u for name, u in parts.items()},
        note="the products are below the noise: the figure is the noise's" if found.lost else "",
    )  # fmt: skip


def _response_relative(bench: GuardedBench, channel: int, two: TwoTone) -> float:
    """How far the bench's own response at the difference frequency is from that at the tones; it is not taken off."""
    response = bench.calibration.response
    if response is None:
        return NO_LOOPBACK_DB / DB_PER_NEPER / math.sqrt(3.0)
    low, high = (float(response.level_db(channel, f)) for f in (two.high_hz - two.low_hz, two.high_hz))
    return abs(high - low) / DB_PER_NEPER / math.sqrt(3.0)


def bench_products(own: BenchHarmonics, two: TwoTone) -> BenchHarmonics:
    """The bench's own products of orders 2 and 3 from its harmonics of a sine with the same peak P.

    Of x + a x^2 + b x^3 a sine has the harmonics a P / 2 and b P^2 / 4. Two tones of peaks r P / (1 + r) and P / (1 + r) have
    pairs of sidebands 2 a P r / (1 + r) and 1.5 b (P r / (1 + r))^2 over the upper one; with r = 1 the difference tones are
    a P / 4 and 0.1875 b P^2 over twice it (trigonometric identities).

    >>> own = bench_products(BenchHarmonics((1e-5, 1e-5), 1.4e-5), SIGNALS["60+7000"])
    >>> [round(1e5 * order, 3) for order in own.orders]
    [3.2, 3.84]
    """
    share = two.ratio / (1.0 + two.ratio)
    second, third = (4.0 * share, 6.0 * share**2) if two.ratio > 1.0 else (0.5, 0.75)
    if len(own.orders) < 2:
        return BenchHarmonics((), own.whole * max(second, third))
    orders = (second * own.orders[0], third * own.orders[1])
    return BenchHarmonics(orders, own.whole * max(second, third))
