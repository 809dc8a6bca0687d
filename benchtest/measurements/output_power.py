"""Output power at a stated THD: the ramp with its fades and rests, then bisection to 0.02 dB.

Connected: sound card into the inputs, the measured dummy load on both channels, volume full. Played: 1 kHz, rising by the
rungs of the safety limits (50 mV, 0.3 V, 1 W, 3 dB steps to half power, 1 dB to 1 dB below rated, 0.25 dB to the end),
1 s a step, 0.5 s near clipping. Computed: V squared over the measured load, at the level where THD (20 Hz to 20 kHz,
relative to the fundamental) crosses the rated THD, or 1 %.
Method: IEC 60268-3 distortion-limited output at 1 kHz, and the US power rule 16 CFR 432 in its level range; departures:
seconds instead of 60 s (IEC) or 5 min (16 CFR 432), no preconditioning at 1/8 power, mains as it is, 1 kHz only, THD without
noise. So it is a short-form figure and says so.
What may go wrong: the gain falls, THD stands at a low level, a rail sags, no response: the ramp ends and says why.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.budget import COVERAGE, expanded, part
from benchtest.measurements.distortion import estimates, near_the_floor
from benchtest.measurements.keeping import to_keep
from benchtest.measurements.output_impedance import load_relative
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import AT_LEAST, Reading, Verdict
from benchtest.records import Curve, Waveform
from benchtest.safety import Capture, GuardedBench, NotCleared
from benchtest.safety.limits import next_rung

METHOD = (
    "1 kHz, V^2/R at the stated THD, short form (after IEC 60268-3 distortion-limited output and 16 CFR 432; seconds, "
    "no preconditioning)"
)
HIGHEST_THD = 0.03
"""A ramp never goes on above this (common practice)."""
RESOLUTION_DB = 0.02
LEVEL_TOLERANCE = 0.9


@dataclass(frozen=True)
class Point:
    """One step of a ramp: input volts asked as output volts, and per channel what came out."""

    asked_v: float
    level_v: dict[str, float]
    thd: dict[str, float]
    thd_n: dict[str, float]
    spread: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Expanded uncertainties of THD and THD+N, percent."""
    capture: Capture | None = None


@dataclass
class Ramp:
    """The steps of a ramp in the order of rising level, why it ended, and the loudest capture."""

    channels: tuple[str, ...]
    points: list[Point] = field(default_factory=list)
    ended: str = ""
    cut_short: bool = False
    """By the bench's limits, not by the amplifier."""
    loudest: Capture | None = None
    rails: tuple[float, float] | None = None

    def bracket(self, channel: str, target: float) -> tuple[Point, Point] | None:
        """The neighbouring points between which this channel's THD crosses the target for good."""
        ordered = sorted(self.points, key=lambda p: p.asked_v)
        for low, high in zip(reversed(ordered[:-1]), reversed(ordered[1:]), strict=True):
            if low.thd[channel] < target <= high.thd[channel]:
                return low, high
        return None


def output_power(
    bench: GuardedBench, channels: tuple[str, ...], *, target_thd: float | None = None, also_thd: tuple[float, ...] = ()
) -> list[object]:
    """Output power and voltage of each driven channel at the target THD (ratio; None: the rated THD, or 1 %).

    ``also_thd``: other THDs in whose terms makers state power (0.1 and 1 %, as ratios); they give ``power_at_thd`` from the
    same ramp, which then rises to the largest of them. Never above HIGHEST_THD.
    Returns readings, the curve THD and THD+N against level (one channel driven), and the waveform at the end.
    """
    stated = bench.amplifier.rated_thd_percent
    target = target_thd if target_thd is not None else (stated / 100.0 if stated is not None else 0.01)
    driven = "one" if len(channels) == 1 else "both"
    at = f"{100 * target:g} % THD"
    conditions = bench.conditions(at=at, driven=driven)
    refused = [f"{c}: {bench.refusal(c)}" for c in channels if bench.refusal(c)]
    if refused:
        return [_nothing(c, "; ".join(refused), conditions) for c in channels]
    try:
        others = [thd for thd in also_thd if not math.isclose(thd, target) and thd < HIGHEST_THD]
        ramp = _rise(bench, channels, max(target, *others, 0.0))
    except (NotCleared, NotReachable) as why:
        return [_nothing(c, why, conditions) for c in channels]
    found: list[object] = []
    for channel in channels:
        _bisect(bench, ramp, channel, target)
        found += _readings(bench, ramp, channel, target, conditions)
        for thd in others:
            _bisect(bench, ramp, channel, thd)
            found.append(_at_another_thd(bench, ramp, channel, thd, driven))
        found += _steps_to_keep(ramp, channel, target, conditions)
    if len(channels) == 1 and any(point.level_v[channels[0]] > 0.0 for point in ramp.points):
        found.append(_curve(bench, ramp, channels[0]))
    if ramp.loudest is not None:
        name = f"at_{100 * target:g}_percent_thd_{'_'.join(channels)}".replace(".", "_")
        found.append(
            Waveform(
                name,
                ramp.loudest.volts,
                ramp.loudest.sample_rate,
                max(ramp.loudest.volts_per_full_scale),
                {"frequency_hz": 1000.0, "driven": driven},
            )
        )
    return found


def _rise(bench: GuardedBench, channels: tuple[str, ...], target: float) -> Ramp:
    ramp = Ramp(channels)
    rated = bench.drive_limits().rated_v()
    half = rated / math.sqrt(2.0) if rated is not None else math.inf
    asked = _start(bench, channels, half)
    while True:
        highest = min(bench.highest_output(channels), next_rung(asked, bench.drive_limits()))
        if highest <= asked * 1.003:
            ramp.ended = "the highest level that load, sound card or rating allow was reached"
            ramp.cut_short = True
            return ramp
        asked = highest
        near = rated is not None and asked > rated * 10 ** (-1.1 / 20)
        _step(bench, ramp, asked, 0.5 if near else 1.0)
        worst = max(_worst(ramp.points[-1].thd[c]) for c in channels)
        ended = [bench.ramp_ended(c) for c in channels if bench.ramp_ended(c)]
        if ended:
            ramp.ended = "; ".join(ended)
            return ramp
        if asked > half * 0.5 and _compressed(ramp, channels):
            ramp.ended = "the output no longer follows the input (1 dB down)"
            return ramp
        if min(_worst(ramp.points[-1].thd[c]) for c in channels) >= target or worst > HIGHEST_THD:
            ramp.ended = f"THD reached {100 * worst:.2g} %"
            return ramp


def _start(bench: GuardedBench, channels: tuple[str, ...], half_v: float) -> float:
    """Below which level a ramp of several channels need not go through the rungs again: each of them was seen there
    alone. A ramp of one channel, whose curve is kept, starts at the bottom."""
    if len(channels) == 1 or not math.isfinite(half_v):
        return 0.0
    seen = bench.highest_output(channels)
    return half_v * 10 ** (-6.0 / 20) if seen > half_v else 0.0


def _worst(thd: float) -> float:
    """NaN (no tone found) counts as the worst, so that it ends a ramp."""
    return thd if math.isfinite(thd) else math.inf


def _compressed(ramp: Ramp, channels: tuple[str, ...]) -> bool:
    last = ramp.points[-1]
    return any(last.level_v[c] < last.asked_v * 10 ** (-1.0 / 20) for c in channels)


def _step(bench: GuardedBench, ramp: Ramp, asked_v: float, hold_s: float) -> None:
    capture = bench.tone(asked_v, ramp.channels, hold_s=hold_s, window_s=0.2)
    ramp.points.append(_point(bench, capture, asked_v, ramp.channels))
    if not capture.clipped and (ramp.loudest is None or asked_v >= max(p.asked_v for p in ramp.points)):
        ramp.loudest = capture
    if capture.rails is not None:
        ramp.rails = capture.rails


def _point(bench: GuardedBench, capture: Capture, asked_v: float, channels: tuple[str, ...]) -> Point:
    figures = {c: capture.figures[c] for c in channels}
    return Point(
        asked_v,
        {c: f.level_v for c, f in figures.items()},
        {c: f.thd for c, f in figures.items()},
        {c: f.thd_n for c, f in figures.items()},
        {c: _spread(bench, capture, c) for c in channels},
        capture,
    )


def power_between(
    bench: GuardedBench,
    low: tuple[float, Capture],
    high: tuple[float, Capture],
    channel: str,
    target: float,
    conditions: dict[str, object],
) -> list[Reading]:
    """Output power and voltage from the two steps of a ramp between which THD crosses the target, each as (volts asked
    for, capture): for a run that is analysed again. [] where it does not cross there."""
    ramp = Ramp((channel,), [_point(bench, capture, asked, (channel,)) for asked, capture in (low, high)])
    return _readings(bench, ramp, channel, target, conditions) if ramp.bracket(channel, target) else []


def _spread(bench: GuardedBench, capture: Capture, channel: str) -> tuple[float, float]:
    figures = capture.figures[channel]
    if not (math.isfinite(figures.thd) and math.isfinite(figures.thd_n) and figures.level_v > 0.0):
        return math.nan, math.nan
    thd, thd_n = (near_the_floor(e)["expanded_uncertainty"] for e in estimates(bench, capture, channel))
    return float(thd), float(thd_n)


def _bisect(bench: GuardedBench, ramp: Ramp, channel: str, target: float) -> None:
    """Narrow the crossing of the target down to RESOLUTION_DB; never above what was reached already.

    The next level is where a straight line in log THD against log level crosses, moved by a little less than half the
    resolution towards the farther end of the bracket: two good guesses close it from both sides.
    """
    for _ in range(8):
        bracket = ramp.bracket(channel, target)
        if bracket is None or bench.ramp_ended(channel):
            return
        low, high = bracket
        width_db = 20.0 * math.log10(high.asked_v / low.asked_v)
        if width_db <= RESOLUTION_DB:
            return
        guess_db = width_db * _share(low, high, channel, target)
        guess_db += math.copysign(0.45 * RESOLUTION_DB, width_db - 2.0 * guess_db)
        guess_db = min(max(guess_db, 0.4 * RESOLUTION_DB), width_db - 0.4 * RESOLUTION_DB)
        try:
            _step(bench, ramp, low.asked_v * 10 ** (guess_db / 20.0), 0.5)
        except NotAllowed:
            return


def _share(low: Point, high: Point, channel: str, target: float) -> float:
    """Where between two points the target is crossed, 0 to 1: straight in log THD against log level."""
    thd = [math.log(max(p.thd[channel], 1e-9)) for p in (low, high)]
    return (math.log(target) - thd[0]) / (thd[1] - thd[0])


def crossing_v(low: Point, high: Point, channel: str, target: float) -> float:
    """The output (rms) at which THD crosses the target between two points: straight in log THD against log level."""
    level = [math.log(p.level_v[channel]) for p in (low, high)]
    return math.exp(level[0] + _share(low, high, channel, target) * (level[1] - level[0]))


def _at_another_thd(bench: GuardedBench, ramp: Ramp, channel: str, target: float, driven: str) -> Reading:
    """Power at a THD that is not the rated one. Where the ramp ended below it: "at least". Where THD is above it from the
    lowest level on, there is no such power: 0 W, known within the lowest level."""
    power = _readings(bench, ramp, channel, target, bench.conditions(at=f"{100 * target:g} % THD", driven=driven))[0]
    lowest = min(ramp.points, key=lambda p: p.asked_v)
    if ramp.bracket(channel, target) is None and not lowest.thd[channel] < target:
        note = f"THD is {100 * lowest.thd[channel]:.2g} % at the lowest level already"
        uncertainty = lowest.level_v[channel] ** 2 / bench.load_ohm[channel]
        power = replace(power, value=0.0, expanded_uncertainty=uncertainty, budget={}, note=note)
    return replace(power, quantity="power_at_thd", verdict=Verdict.INFORMATION)


def _readings(
    bench: GuardedBench, ramp: Ramp, channel: str, target: float, conditions: dict[str, object]
) -> list[Reading]:
    load = bench.load_ohm[channel]
    common: dict[str, Any] = {"channel": channel, "frequency_hz": 1000.0, "load_ohm": load, "bandwidth_hz": "20:20000"}
    extra = dict(conditions)
    if ramp.rails is not None:
        extra["rails_v"] = [round(v, 2) for v in ramp.rails]
    bracket = ramp.bracket(channel, target)
    calibration = bench.calibration
    if bracket is not None:
        volts = crossing_v(*bracket, channel, target)
        width = 20.0 * math.log10(bracket[1].asked_v / bracket[0].asked_v)
        note = "" if width <= RESOLUTION_DB * 1.01 else f"crossing known within {width:.2f} dB only: {ramp.ended}"
        # within the bracket, likelier where the line crosses than at its ends: triangular, a / sqrt(6) (GUM 4.3.9)
        spread = volts * 0.5 * (10 ** (min(width, 1.0) / 20) - 1.0) / math.sqrt(6.0)
        verdict = Verdict.INFORMATION
    else:
        best = max(ramp.points, key=lambda p: p.level_v[channel])
        volts, spread = best.level_v[channel], 0.0
        note = f"at least this: {100 * target:g} % THD was not reached; {ramp.ended}"
        verdict = Verdict.INFORMATION
        if bench.ramp_ended(channel):
            note = f"ramp ended: {ramp.ended}"
            verdict = Verdict.FAIL
        elif ramp.cut_short:
            extra |= AT_LEAST
    v = part(volts, volts * calibration.volts_relative(), "calibration") + part(0.0, spread, "crossing")
    r = part(load, load * load_relative(bench, channel), "load")
    return [
        Reading(
            quantity="output_power", unit="W", method=METHOD, conditions=extra, note=note, verdict=verdict,
            **common, **expanded(v * v / r),
        ),
        Reading(
            quantity="output_voltage", unit="V", method=METHOD, conditions=extra, note=note, **common, **expanded(v)
        ),
    ]  # fmt: skip


def _steps_to_keep(ramp: Ramp, channel: str, target: float, conditions: dict[str, object]) -> list[Waveform]:
    """The two steps on which the power of a channel rests."""
    bracket = ramp.bracket(channel, target)
    if bracket is None:
        return []
    driven = str(conditions["driven"])
    return [
        to_keep(
            point.capture, f"power_{driven}_{channel}_{side}", "power", channel=channel, at=conditions["at"], side=side,
            asked_v=point.asked_v, target_thd=target, of=driven, load=conditions.get("load"),
        )
        for side, point in zip(("below", "above"), bracket, strict=True)
        if point.capture is not None
    ]  # fmt: skip


def _curve(bench: GuardedBench, ramp: Ramp, channel: str) -> Curve:
    points = sorted((p for p in ramp.points if p.level_v[channel] > 0), key=lambda p: p.asked_v)
    volts = np.array([p.level_v[channel] for p in points])
    return Curve(
        f"thd_n_vs_level_{channel}",
        f"THD+N and THD against output power, {channel}, one channel driven, 1 kHz",
        {
            "output_power_w": volts**2 / bench.load_ohm[channel],
            "output_v": volts,
            "thd_percent": np.array([100 * p.thd[channel] for p in points]),
            "thd_n_percent": np.array([100 * p.thd_n[channel] for p in points]),
            "thd_uncertainty_percent": np.array([p.spread[channel][0] for p in points]),
            "thd_n_uncertainty_percent": np.array([p.spread[channel][1] for p in points]),
        },
        {
            "output_power_w": "W", "output_v": "V", "thd_percent": "%", "thd_n_percent": "%",
            "thd_uncertainty_percent": "%", "thd_n_uncertainty_percent": "%",
        },
        {"channel": channel, "load_ohm": bench.load_ohm[channel], "frequency_hz": 1000.0, "coverage_factor": COVERAGE},
    )  # fmt: skip


def _nothing(channel: str, why: object, conditions: dict[str, object]) -> Reading:
    return not_measured("output_power", channel, "W", why, conditions=conditions, method=METHOD)
