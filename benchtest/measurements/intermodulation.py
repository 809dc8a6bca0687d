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

from benchtest import signals
from benchtest.analysis.intermodulation import difference_distortion, modulation_distortion
from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.budget import COVERAGE
from benchtest.measurements.estimates import bench_thd, line_noise
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
        if two.ratio > 1.0:
            found = modulation_distortion(samples, rate, low_hz=two.low_hz, high_hz=two.high_hz)
            form, value, lost, reference = found.form, found.total, found.lost, found.high_v
            lines = (2.0, 2.0)  # each order is the sum of a pair
            orders = (found.order_2, found.order_3)
        else:
            other = difference_distortion(samples, rate, low_hz=two.low_hz, high_hz=two.high_hz)
            form, value, lost, reference = other.form, other.total, other.lost, 2.0 * other.high_v
            lines = (1.0, 2.0)
            orders = (other.order_2, other.order_3)
    except (NotCleared, NotReachable, NotAllowed, ValueError) as why:
        return not_measured("intermodulation", channel, "%", why, **nothing)
    i = bench.channels.index(channel)
    noise_v = _noise_v(bench, i)
    own = bench_thd(bench.calibration, i, level, capture.input_v[i])
    parts = {
        # along each line lies half of the noise power in it; an order counts by its share of the total
        "noise": line_noise(noise_v, seconds) / reference / math.sqrt(2.0)
        * math.hypot(*(order * math.sqrt(n) for order, n in zip(orders, lines, strict=True))) / max(value, 1e-12),
        "bench residual": own / math.sqrt(2.0),
        "calibration": value * bench.calibration.volts_relative(),
    }  # fmt: skip
    return Reading(
        quantity="intermodulation", channel=channel, value=100.0 * value, unit="%", verdict=Verdict.INFORMATION,
        expanded_uncertainty=100.0 * COVERAGE * math.hypot(*parts.values()), frequency_hz=two.high_hz,
        level=level, level_unit="V", load_ohm=bench.load_ohm[channel], method=two.method,
        conditions={**conditions, "form": form}, budget={name: 100.0 * u for name, u in parts.items()},
        note="the products are below the noise: the figure is the noise's" if lost else "",
    )  # fmt: skip


def _noise_v(bench: GuardedBench, channel: int) -> float:
    """Noise at the terminals as far as it is known without another recording: the bench's, and three times it for the set."""
    own = bench.calibration.noise_v
    return 3.0 * (own[channel] if own is not None else 50e-6)
