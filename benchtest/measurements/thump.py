"""The thump at switch-on and switch-off: the peak at the terminals while the mains goes on or off.

Connected: dummy load on, nothing played, sound card recording at the terminals. Method: common practice, no published
standard; the sound card's input is AC-coupled, so a slow step is seen with its own time constant (about 0.1 s at 2 Hz).
Mute delay: from the mains going on to the moment at which the amplifier's own noise (or the relay's own step) reaches the
terminals: while the relay is open only the bench's noise is there. What may go wrong: an amplifier as quiet as the bench, or
one without a relay: then there is no edge, and no delay is given.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from benchtest.errors import NotReachable
from benchtest.instruments.protocols import FloatArray
from benchtest.measurements.budget import COVERAGE
from benchtest.measurements.estimates import BAND_HZ, bench_noise_v
from benchtest.measurements.keeping import to_keep
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import AT_LEAST, Reading
from benchtest.records import Curve, Waveform
from benchtest.safety import Capture, GuardedBench

DELAY_METHOD = "from mains on to noise or DC step at the terminals, inputs shorted (common practice)"
STANDS_OUT = 1.25
"""The terminals' noise with the relay closed over that with it open, at least."""
BLOCK_S = 0.02
KEPT_S = 0.2
"""Of the record around the largest excursion, kept as a waveform."""
LIFT, SPREAD = 0.75, 1.4
"""The bench's own noise lifts the largest sample by 0.75 of its rms, give or take 1.4: not at all where a peak is sharp, twice
its rms where many samples stand nearly as high (the ends likelier than the middle: arcsine, a / sqrt 2; simulated thumps)."""
METHOD = "peak at the terminals, sound card, input AC-coupled (common practice)"


def turn_off_transient(bench: GuardedBench, *, seconds: float = 2.5) -> list[object]:
    """Peak of the switch-off thump of both channels; switches the mains off."""
    return _thump(bench, "turn_off_transient", bench.mains_off, seconds)


def turn_on_transient(bench: GuardedBench, *, seconds: float = 8.0) -> list[object]:
    """Peak of the switch-on thump of both channels, and mute_delay; switches the mains on."""
    return _thump(bench, "turn_on_transient", bench.mains_on, seconds)


def delay_of_noise(x: FloatArray, sample_rate: float) -> float | None:
    """Seconds from the start of the record until the noise rises for good; None where it does not.

    The record is cut into blocks of 20 ms; their mean squares (differences of neighbouring samples, so that DC and hum do
    not count) are split where the sum of the two parts' log-likelihoods is largest. The middle of the first loud block is
    given: the rise lies anywhere in it.

    >>> rng = np.random.default_rng(0)
    >>> x = 1e-4 * rng.standard_normal(96000); x[48480:] *= 4
    >>> round(delay_of_noise(x, 48000.0), 3)
    1.01
    """
    block = round(BLOCK_S * sample_rate)
    count = len(x) // block
    if count < 8:
        return None
    power = np.mean(np.diff(x[: count * block], prepend=x[0]).reshape(count, block) ** 2, axis=1) + 1e-30
    before = np.cumsum(power)[:-1] / np.arange(1, count)
    after = (np.sum(power) - np.cumsum(power)[:-1]) / np.arange(count - 1, 0, -1)
    likely = -np.arange(1, count) * np.log(before) - np.arange(count - 1, 0, -1) * np.log(after)
    at = int(np.argmax(likely))
    quiet, loud = float(np.median(power[: at + 1])), float(np.median(power[at + 1 :]))
    return (at + 1.5) * BLOCK_S if loud > quiet * STANDS_OUT**2 and at >= 1 else None


def _delay(
    bench: GuardedBench, channel: str, x: FloatArray, sample_rate: int, conditions: dict[str, object]
) -> Reading:
    found = delay_of_noise(x, sample_rate)
    if found is None:
        why = "no moment stands out at which the amplifier reaches the terminals"
        return not_measured("mute_delay", channel, "s", why, conditions=conditions, method=DELAY_METHOD)
    return Reading(
        quantity="mute_delay", channel=channel, value=found, unit="s",
        expanded_uncertainty=COVERAGE * BLOCK_S / math.sqrt(12.0), budget={"length of a block": BLOCK_S / math.sqrt(12.0)},
        conditions=conditions, method=DELAY_METHOD, load_ohm=bench.load_ohm[channel],
    )  # fmt: skip


def _thump(bench: GuardedBench, quantity: str, act: Callable[[], None], seconds: float) -> list[object]:
    conditions = bench.conditions()
    try:
        capture = bench.record(seconds, during=act)
    except NotReachable as why:
        bench.mains_off() if quantity.startswith("turn_off") else bench.mains_on()
        return [not_measured(quantity, c, "V", why, conditions=conditions, method=METHOD) for c in bench.channels]
    found: list[object] = [thump_in(bench, quantity, capture, channel, conditions) for channel in bench.channels]
    if quantity == "turn_on_transient":
        found += [
            _delay(bench, channel, capture.channel(channel), capture.sample_rate, conditions)
            for channel in bench.channels
        ]
    found += [_around_the_peak(quantity, capture, channel) for channel in bench.channels]
    return [*found, _curve(quantity, capture)]


def thump_in(
    bench: GuardedBench, quantity: str, capture: Capture, channel: str, conditions: dict[str, object]
) -> Reading:
    """The largest excursion of one channel in a record, less what the bench's own noise lifts it by."""
    highest = float(np.max(np.abs(capture.channel(channel))))
    own = bench_noise_v(bench.calibration, bench.channels.index(channel)) * math.sqrt(
        capture.sample_rate / 2.0 / BAND_HZ
    )
    peak = max(highest - LIFT * own, 0.5 * highest)
    parts = {
        "calibration": peak * bench.calibration.volts_relative(),
        "noise at the peak": own * math.hypot(1.0, SPREAD / math.sqrt(2.0)),
    }
    return Reading(
        quantity=quantity, channel=channel, value=peak, unit="V", method=METHOD,
        conditions=conditions | (AT_LEAST if capture.clipped else {}),
        expanded_uncertainty=2.0 * math.hypot(*parts.values()), budget=parts, load_ohm=bench.load_ohm[channel],
        note="peak; the capture is clipped: at least this" if capture.clipped else "peak",
    )  # fmt: skip


def _around_the_peak(quantity: str, capture: Capture, channel: str) -> Waveform:
    """The stretch of the record in which the largest excursion of a channel lies."""
    half = round(KEPT_S / 2.0 * capture.sample_rate)
    peak = int(np.argmax(np.abs(capture.channel(channel))))
    first, last = max(0, peak - half), peak + half
    return to_keep(capture, f"{quantity}_{channel}", "thump", first=first, last=last, channel=channel, of=quantity)


def _curve(quantity: str, capture: Capture) -> Curve:
    step = max(1, len(capture.volts) // 1500)
    n = len(capture.volts) // step * step
    blocks = capture.volts[:n].reshape(-1, step, 2)
    pick = np.argmax(np.abs(blocks), axis=1)
    rows = np.arange(len(blocks))
    return Curve(
        f"thump_{quantity.removesuffix('_transient')}",
        "Thump at switch-off" if quantity.startswith("turn_off") else "Thump at switch-on",
        {
            "time_s": rows * step / capture.sample_rate,
            "left_v": blocks[rows, pick[:, 0], 0],
            "right_v": blocks[rows, pick[:, 1], 1],
        },
        {"time_s": "s", "left_v": "V", "right_v": "V"},
    )
