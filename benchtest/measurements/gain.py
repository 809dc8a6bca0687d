"""Gain, channel balance and polarity at a low level, the first thing that is ever driven.

Connected: sound card into both inputs, dummy load on, volume full. Played: 1 kHz, 50 mV at the output. Computed: the
fundamental by a least-squares sine fit (IEEE 1057), output over input; both scales come from one calibration, so the
multimeter's error cancels. Method: IHF-A-202 and IEC 60268-3 measure gain at 1 kHz under reference conditions at a higher
output; here the level is 50 mV, so that a fault shows before it is driven hard. Departure: source impedance is the sound
card's own.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.budget import in_db, part
from benchtest.measurements.estimates import level_u
from benchtest.measurements.keeping import to_keep
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading, Verdict
from benchtest.records import Waveform
from benchtest.safety import Capture, GuardedBench, NotCleared
from benchtest.safety.interlock import CHANNELS
from benchtest.safety.limits import FIRST_V

METHOD = "1 kHz, sine fit, output over input (after IEC 60268-3 and IHF-A-202, at a lower level)"
POLARITY_METHOD = "asymmetric two-tone 200 + 400 Hz: sign of the third moment of output against input"


def gain(bench: GuardedBench, *, output_v: float = FIRST_V, at: str = "50 mV") -> list[Reading]:
    """Gain of both channels in dB, one driven at a time, and channel_balance (right relative to left) in dB."""
    found: list[Reading] = []
    ratios: dict[str, Any] = {}
    for channel in bench.channels:
        conditions = bench.conditions(at=at, driven="one")
        try:
            # twice: the first tone learns the gain, the second stands at the level that was asked for
            bench.tone(output_v, [channel], hold_s=0.4, window_s=0.2)
            capture = bench.tone(output_v, [channel], hold_s=0.8, window_s=0.5)
        except (NotCleared, NotReachable) as why:
            found.append(not_measured("gain", channel, "dB", why, conditions=conditions, method=METHOD))
            continue
        found.append(_gain_reading(bench, capture, channel, conditions, ratios))
    conditions = bench.conditions(at=at, driven="one")
    if len(ratios) == 2:
        found.append(
            Reading(
                quantity="channel_balance",
                channel="both",
                unit="dB",
                frequency_hz=1000.0,
                conditions=conditions,
                method=METHOD,
                level=output_v,
                level_unit="V",
                load_ohm=bench.load_ohm["left"],
                note="right relative to left",
                **in_db(ratios["right"] / ratios["left"]),
            )
        )
    else:
        reason = "both channels are needed, one was not measured"
        found.append(not_measured("channel_balance", "both", "dB", reason, conditions=conditions, method=METHOD))
    return found


def gain_captures(bench: GuardedBench, *, at: str = "50 mV") -> list[Waveform]:
    """The two captures behind the gain that has just been measured, with the level that was sent: to be kept, so that gain
    and channel balance can be computed again."""
    taken = {channel: bench.last_tone(channel) for channel in bench.channels}
    return [to_keep(c, f"gain_{name}", "gain", channel=name, at=at) for name, c in taken.items() if c is not None]


def _gain_reading(
    bench: GuardedBench, capture: Capture, channel: str, conditions: dict[str, Any], ratios: dict[str, Any]
) -> Reading:
    i = CHANNELS.index(channel)
    figures = capture.figures[channel]
    load = bench.load_ohm[channel]
    ended = bench.ramp_ended(channel)
    if ended.startswith("no response"):
        other = capture.figures["right" if channel == "left" else "left"].level_v
        crossed = other > 0.25 * FIRST_V
        note = (
            f"{ended}. The tone comes out of the other channel: channels crossed, or leads swapped."
            if crossed
            else ended
        )
        return Reading(
            quantity="gain", channel=channel, value=None, unit="dB", verdict=Verdict.FAIL, method=METHOD, note=note,
            frequency_hz=1000.0, load_ohm=load, conditions={**conditions, "other_channel_v": round(other, 6)},
        )  # fmt: skip
    calibration = bench.calibration
    scales = calibration.ratio_relative()
    noise = level_u(figures.noise_v, len(capture.volts) / capture.sample_rate)
    ratio = part(figures.level_v, noise, f"noise of the capture, {channel}") * part(
        1.0, scales / math.sqrt(2.0), f"calibration, {channel}"
    )
    ratio = ratio / capture.input_v[i]
    ratios[channel] = ratio
    return Reading(
        quantity="gain", channel=channel, unit="dB", frequency_hz=1000.0, method=METHOD, conditions=conditions,
        level=figures.level_v, level_unit="V", load_ohm=load, note=ended, **in_db(ratio),
    )  # fmt: skip


def polarity(bench: GuardedBench, channel: str) -> Reading:
    """+1 where the output rises with the input, -1 where it falls.

    Played: 200 Hz and its octave in such a phase that the wave is taller on its positive side; the third moment keeps
    its sign under any delay, so the latency need not be known.
    """
    conditions = bench.conditions(driven="one")
    rate = 96000
    t = np.arange(round(0.4 * rate)) / rate
    shape = (np.cos(2 * np.pi * 200.0 * t) + 0.5 * np.cos(2 * np.pi * 400.0 * t)) / 1.5
    try:
        capture = bench.waveform(shape, rate, [channel], output_peak_v=0.1)
    except (NotCleared, NotReachable, NotAllowed) as why:
        return not_measured("polarity", channel, "1", why, conditions=conditions, method=POLARITY_METHOD)
    x = capture.channel(channel)
    x = x - np.mean(x)
    rms = float(np.sqrt(np.mean(x**2)))
    skew = float(np.mean(x**3)) / rms**3 if rms > 0 else 0.0
    # the stimulus itself: mean of (cos a + 0.5 cos 2a)^3 over its rms^3 is 0.375 / (0.625)^1.5 = 0.76
    if rms < 0.01 or abs(skew) < 0.3:
        return Reading(
            quantity="polarity", channel=channel, value=None, unit="1", verdict=Verdict.INCONCLUSIVE,
            method=POLARITY_METHOD, conditions=conditions, note=f"no clear response ({rms:.2g} V, skewness {skew:.2f})",
        )  # fmt: skip
    return Reading(
        quantity="polarity", channel=channel, value=math.copysign(1.0, skew), unit="1", method=POLARITY_METHOD,
        conditions=conditions, frequency_hz=200.0, level=0.1, level_unit="V peak", load_ohm=bench.load_ohm[channel],
    )  # fmt: skip
