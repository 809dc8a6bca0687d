"""Headroom: how far above rated power it clips, steadily and for 20 ms.

Clipping headroom. Connected and played: the ramp of ``output_power`` at 1 % THD. Computed: 10 lg of that power over the
rated one. Method: IHF-A-202 (clipping headroom), 1 % THD taken for the onset of clipping; departure: seconds, not steady.

Dynamic headroom. Played: 20 ms of 1 kHz every 500 ms, the tone in between 20 dB lower, rising by 0.5 dB. Computed: the
fundamental inside each burst (the first and last 2 ms left out); the level at which its THD crosses 1 %, or where the
fundamental falls 0.1 dB behind the input. Method: IHF-A-202 (dynamic headroom), kept: burst, period, level in between;
departures: 1 % THD instead of the eye on an oscilloscope, at most 3 dB above rated or what the sound card takes: then
"at least".
What may go wrong: with the supply still charged from before a first burst is a little higher: the mean of two is taken.
"""

from __future__ import annotations

import math
from typing import Any

from benchtest.analysis.bursts import burst_levels
from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.budget import expanded, part
from benchtest.measurements.output_impedance import load_relative
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading, Verdict
from benchtest.safety import GuardedBench, NotCleared
from benchtest.safety.limits import BURST_RUNG

CLIPPING_METHOD = "10 lg of the power at 1 % THD over rated power, 1 kHz, short form (after IHF-A-202)"
DYNAMIC_METHOD = "20 ms bursts of 1 kHz every 500 ms, 1 % THD inside the burst, over rated power (after IHF-A-202)"
ONSET_THD = 0.01
DB_OF_POWER = 10.0 / math.log(10.0)


def clipping_headroom(bench: GuardedBench, powers: list[object]) -> list[Reading]:
    """clipping_headroom of each channel from what ``output_power`` gave, dB: the power at 1 % THD, or else the rated THD."""
    rated = bench.amplifier.rated_power_w
    found = []
    for power in _nearest_to_clipping(powers):
        conditions = {**power.conditions}
        common: dict[str, Any] = {"conditions": conditions, "method": CLIPPING_METHOD}
        if rated is None or power.value is None or power.expanded_uncertainty is None or not power.value > 0.0:
            why = "no rated power is known (amplifier file)" if rated is None else f"no power: {power.note}"
            found.append(not_measured("clipping_headroom", power.channel, "dB", why, **common))
            continue
        ratio = power.value / rated
        found.append(
            Reading(
                quantity="clipping_headroom", channel=power.channel, unit="dB", value=10.0 * math.log10(ratio),
                expanded_uncertainty=DB_OF_POWER * power.expanded_uncertainty / power.value,
                budget={name: DB_OF_POWER * u / power.value for name, u in power.budget.items()},
                frequency_hz=power.frequency_hz, load_ohm=power.load_ohm, note=power.note, verdict=power.verdict,
                **common,
            )
        )  # fmt: skip
    return found


def _nearest_to_clipping(powers: list[object]) -> list[Reading]:
    """One reading a channel: at ONSET_THD where it was measured."""
    chosen: dict[str, Reading] = {}
    for power in powers:
        if not isinstance(power, Reading) or power.quantity not in ("output_power", "power_at_thd"):
            continue
        onset = power.conditions.get("at") == f"{100 * ONSET_THD:g} % THD" and power.value is not None
        if onset or (power.quantity == "output_power" and power.channel not in chosen):
            chosen[power.channel] = power
    return list(chosen.values())


def dynamic_headroom(bench: GuardedBench, channel: str) -> Reading:
    """dynamic_headroom of one channel, dB re rated power; the ramp of ``output_power`` must have been near rated before."""
    conditions = bench.conditions(driven="one", burst="20 ms", at="1 % THD")
    nothing: dict[str, Any] = {"conditions": conditions, "method": DYNAMIC_METHOD}
    rated = bench.drive_limits().rated_v()
    if rated is None:
        return not_measured("dynamic_headroom", channel, "dB", "no rated power is known (amplifier file)", **nothing)
    before: tuple[float, float] | None = None
    last: tuple[float, float] | None = None
    try:
        asked = bench.highest_burst([channel]) / BURST_RUNG
        while True:
            highest = bench.highest_burst([channel])
            if not highest > asked * 1.003:
                break
            asked = highest
            capture = bench.bursts(asked, [channel])
            seen = burst_levels(capture.channel(channel), capture.sample_rate, 1000.0)
            if not seen:
                break
            before, last = last, (sum(b.level for b in seen) / len(seen), sum(b.thd for b in seen) / len(seen))
            if last[1] >= ONSET_THD:
                break
    except (NotCleared, NotReachable, NotAllowed) as why:
        if last is None:
            return not_measured("dynamic_headroom", channel, "dB", why, **nothing)
    if last is None:
        return not_measured("dynamic_headroom", channel, "dB", "no burst may be played, or none was seen", **nothing)
    reached = last[1] >= ONSET_THD and before is not None
    volts = _crossing(before, last) if reached and before is not None else last[0]
    spread = 0.25 * abs(last[0] - before[0]) if reached and before is not None else 0.0
    load = bench.load_ohm[channel]
    relative = load_relative(bench, channel)
    power = (
        (part(volts, volts * bench.calibration.volts_relative(), "calibration") + part(0.0, spread, "crossing")) ** 2
        / part(load, load * relative, "load")
    )  # fmt: skip
    figures = expanded(power / float(bench.amplifier.rated_power_w or 1.0))
    return Reading(
        quantity="dynamic_headroom", channel=channel, unit="dB", value=10.0 * math.log10(figures["value"]),
        expanded_uncertainty=DB_OF_POWER * figures["expanded_uncertainty"] / figures["value"],
        budget={name: DB_OF_POWER * u / figures["value"] for name, u in figures["budget"].items()},
        frequency_hz=1000.0, load_ohm=load, verdict=Verdict.INFORMATION, level=volts, level_unit="V",
        note="" if reached else "at least this: 1 % THD was not reached inside the limits", **nothing,
    )  # fmt: skip


def _crossing(low: tuple[float, float], high: tuple[float, float]) -> float:
    """Where THD crosses 1 % between two bursts: straight in log THD against log level."""
    thd = [math.log(max(v[1], 1e-6)) for v in (low, high)]
    level = [math.log(v[0]) for v in (low, high)]
    share = (math.log(ONSET_THD) - thd[0]) / (thd[1] - thd[0]) if thd[1] > thd[0] else 1.0
    return math.exp(level[0] + min(1.0, max(0.0, share)) * (level[1] - level[0]))
