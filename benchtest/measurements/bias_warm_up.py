"""Idle current and offset while the set warms up: the live readings of an adjustment, with runaway watched.

Connected: the movable meter across one emitter resistor (inside: touched with the amplifier off), 1 kilohm at the outputs,
inputs shorted, nothing played. Method: common practice, no published standard. Stops at 50 mV across the resistor, at twice
the target, and where the current has grown by 20 % within a minute once the first three minutes are over.
"""

from __future__ import annotations

import numpy as np

from benchtest.errors import NotReachable
from benchtest.measurements.idle_current import idle_current
from benchtest.reading import Reading
from benchtest.records import Curve
from benchtest.safety import GuardedBench

TWO_READINGS_PERCENT = 0.5
"""Standard uncertainty of one meter's two readings over one another, percent; judgement, no source."""
RUNAWAY_PER_MINUTE = 0.20
FIRST_S = 180.0
"""In the first minutes the current of a healthy set moves as fast: only the 50 mV and twice the target stop then."""


def bias_warm_up(
    bench: GuardedBench, channel: str, number: int = 1, *, minutes: float = 10.0, every_s: float = 30.0
) -> tuple[list[Reading], list[Curve]]:
    """Idle current every ``every_s``, said aloud with what to do; the last reading, its drift, and the curve."""
    start = bench.now()
    target = None if bench.amplifier.idle_current_ma is None else bench.amplifier.idle_current_ma / 1000.0
    times: list[float] = []
    amperes: list[float] = []
    offsets: list[float] = []
    reading = idle_current(bench, channel, number, at="cold")
    if reading.value is None:
        return [reading], []
    while True:
        now = bench.now() - start
        reading = idle_current(bench, channel, number, at="warm" if now >= 60.0 * minutes else "warming up")
        if reading.value is None:
            return [reading], []
        times.append(now)
        amperes.append(reading.value)
        offsets.append(_offset(bench, channel))
        _watch(bench, channel, times, amperes, target)
        if now >= 60.0 * minutes:
            break
        bench.tell(f"{channel}: {words(reading.value, target, offsets[-1])}")
        bench.sleep(every_s, why=f"{channel} warms up; hands off the trimmer unless told")
    curve = Curve(
        f"bias_warm_up_{channel}", f"Idle current and offset while warming up, {channel}",
        {"time_s": np.array(times), "idle_a": np.array(amperes), "offset_v": np.array(offsets)},
        {"time_s": "s", "idle_a": "A", "offset_v": "V"}, {"channel": channel},
    )  # fmt: skip
    drift = Reading(
        quantity="idle_current_drift", channel=channel, value=100.0 * (amperes[-1] / max(amperes[0], 1e-6) - 1.0), unit="%",
        expanded_uncertainty=2.0 * TWO_READINGS_PERCENT, budget={"two readings": TWO_READINGS_PERCENT},
        method="idle current at the end over that at the start",
        conditions=reading.conditions,
    )  # fmt: skip
    return [reading, drift], [curve]


def words(amperes: float, target: float | None, offset_v: float) -> str:
    """What stands, and what to do about it.

    >>> words(0.030, 0.050, 0.004)
    '30 mA (target 40 to 60), offset +4 mV: LOW. Turn the idle trimmer up by a little, then wait.'
    >>> words(0.052, 0.050, 0.004)
    '52 mA (target 40 to 60), offset +4 mV: in its band. Wait.'
    """
    offset = "" if offset_v != offset_v else f", offset {1000 * offset_v:+.0f} mV"
    if target is None:
        return f"{1000 * amperes:.0f} mA{offset}; no target is stated (amplifier file)"
    band = f"(target {800 * target:.0f} to {1200 * target:.0f})"
    if amperes < 0.8 * target:
        act = "LOW. Turn the idle trimmer up by a little, then wait."
    elif amperes > 1.2 * target:
        act = "HIGH. Turn the idle trimmer down by a little, then wait."
    else:
        act = "in its band. Wait."
    return f"{1000 * amperes:.0f} mA {band}{offset}: {act}"


def _offset(bench: GuardedBench, channel: str) -> float:
    try:
        value = bench.dc_volts(f"{channel}_output").value
    except NotReachable:
        return float("nan")
    return float("nan") if value is None else value


def _watch(bench: GuardedBench, channel: str, times: list[float], amperes: list[float], target: float | None) -> None:
    now = amperes[-1]
    if target is not None and now > 2.0 * target:
        bench.stop(f"{channel}: idle current {1000 * now:.0f} mA is more than twice the target")
    before = [a for t, a in zip(times, amperes, strict=True) if FIRST_S <= t <= times[-1] - 59.0]
    if before and before[-1] > 0.005 and now > before[-1] * (1.0 + RUNAWAY_PER_MINUTE):
        bench.stop(f"{channel}: idle current has grown from {1000 * before[-1]:.0f} to {1000 * now:.0f} mA in a minute")
