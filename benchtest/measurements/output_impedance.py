"""Output impedance and damping factor, from the gain with 1 kilohm across the terminals and with the dummy load.

Connected: sound card into both inputs; first 1 kilohm across the terminals, then the dummy load (changed with the mains
off, DC checked again). Played: 1 kHz at one level in both states. Computed: Z = (g1 - g2) / (g2 / R2 - g1 / R1), g the
gain, R the load in that state; the sound card's and the meter's scales cancel, since both gains go through the same
path. Damping factor: rated load over Z.
Method: IEC 60268-3 14.5 (output source impedance by two loads) and IHF-A-202 (damping factor); departures: at 0.3 V, not
at rated output; 1 kilohm, not open.
What may go wrong: 0.05 ohm of load lead counts as output impedance where the sound card's clips sit at the load and not
at the terminals; it is in the budget. A gain that drifts between the two (the set warms) is too.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchtest.errors import NotAllowed, NotReachable
from benchtest.measurements.budget import expanded, part
from benchtest.measurements.cold_ohms import PROBE_CONTACT_OHM
from benchtest.measurements.estimates import level_u
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading, Verdict
from benchtest.safety import GuardedBench, NotCleared
from benchtest.safety.interlock import LOADS
from benchtest.safety.limits import FIRST_V, SECOND_V

METHOD = "gain with 1 kilohm against gain with the dummy load, 1 kHz (after IEC 60268-3 14.5, IHF-A-202)"
KILOHM = 1000.0
KILOHM_RELATIVE = 0.05 / math.sqrt(3.0)
"""A 5 % resistor, rectangular; a thousandth of it reaches the result."""
LEAD_OHM = 0.002
"""Contact and lead between the sound card's clips and the terminals, standard uncertainty; clips at the terminals."""
WARMED = 3e-4
"""Relative, of a load that has taken rated power for ten seconds since it was measured: 3 K at 100 ppm/K (judgement)."""
DRIFT = 2e-5
"""Relative drift of the amplifier's gain between the two states (judgement: feedback resistors of 50 ppm/K, some kelvin)."""


@dataclass(frozen=True)
class Gain:
    """The gain of one channel with what lies across its terminals; relative: of noise only."""

    ratio: float
    relative: float
    load_ohm: float
    load_relative: float


def gains(bench: GuardedBench, *, frequency_hz: float = 1000.0, output_v: float = SECOND_V) -> dict[str, Gain | str]:
    """The gain of each channel in the present load state, by tones of 50 mV and 0.3 V; a reason where it has none."""
    found: dict[str, Gain | str] = {}
    seconds = 0.4
    for channel in bench.channels:
        try:
            if bench.gain(channel) is None:
                bench.tone(FIRST_V, [channel], hold_s=0.3, window_s=0.1)
                bench.tone(FIRST_V, [channel], hold_s=0.3, window_s=0.1)
            capture = bench.tone(
                output_v, [channel], frequency_hz=frequency_hz, hold_s=seconds + 0.25, window_s=seconds
            )
        except (NotCleared, NotReachable, NotAllowed) as why:
            found[channel] = str(why)
            continue
        figures = capture.figures[channel]
        if bench.ramp_ended(channel) or not figures.level_v > 0.0:
            found[channel] = bench.ramp_ended(channel) or "no tone found"
            continue
        i = bench.channels.index(channel)
        loaded = bench.hook_up_now.load in LOADS
        found[channel] = Gain(
            figures.level_v / capture.input_v[i],
            level_u(figures.noise_v, seconds) / figures.level_v,
            bench.load_ohm[channel] if loaded else KILOHM,
            load_relative(bench, channel) if loaded else KILOHM_RELATIVE,
        )
    return found


def load_relative(bench: GuardedBench, channel: str) -> float:
    """Relative standard uncertainty of the dummy load: measured by two probes and warmed a little, or as stated."""
    if bench.load_measured:
        return math.hypot(PROBE_CONTACT_OHM / bench.load_ohm[channel], WARMED)
    return bench.load_tolerance_percent / 100.0 / math.sqrt(3.0)


def output_impedance(
    bench: GuardedBench,
    unloaded: Mapping[str, Gain | str],
    loaded: Mapping[str, Gain | str],
    *,
    frequency_hz: float = 1000.0,
) -> list[Reading]:
    """output_impedance (ohm) and damping_factor of both channels from two sets of ``gains``."""
    conditions = bench.conditions(driven="one", states="1 kilohm, dummy load")
    found: list[Reading] = []
    for channel in bench.channels:
        first, second = unloaded.get(channel, "not measured with 1 kilohm"), loaded.get(channel, "not measured loaded")
        if isinstance(first, str) or isinstance(second, str):
            why = first if isinstance(first, str) else second
            found += [
                not_measured("output_impedance", channel, "ohm", why, conditions=conditions, method=METHOD),
                not_measured("damping_factor", channel, "1", why, conditions=conditions, method=METHOD),
            ]
            continue
        found += _readings(bench, channel, first, second, frequency_hz, conditions)
    return found


def _readings(
    bench: GuardedBench, channel: str, first: Gain, second: Gain, frequency_hz: float, conditions: dict[str, Any]
) -> list[Reading]:
    g1 = part(first.ratio, first.ratio * first.relative, "noise, 1 kilohm")
    g2 = part(second.ratio, second.ratio * second.relative, "noise, loaded")
    drift = part(1.0, DRIFT, "drift of the gain")
    r1 = part(first.load_ohm, first.load_ohm * first.load_relative, "1 kilohm")
    r2 = part(second.load_ohm, second.load_ohm * second.load_relative, "load")
    z = impedance(g1, g2 * drift, r1, r2) + part(0.0, LEAD_OHM, "leads and contacts")
    ohm = expanded(z)
    common: dict[str, Any] = {
        "channel": channel, "frequency_hz": frequency_hz, "load_ohm": second.load_ohm, "method": METHOD,
        "conditions": conditions,
    }  # fmt: skip
    rated = bench.drive_limits().rated_load_ohm
    found = [Reading(quantity="output_impedance", unit="ohm", **common, **ohm)]
    if ohm["value"] > ohm["expanded_uncertainty"]:
        found.append(Reading(quantity="damping_factor", unit="1", **common, **expanded(rated / z)))
    else:
        least = rated / (max(ohm["value"], 0.0) + ohm["expanded_uncertainty"])
        found.append(
            Reading(
                quantity="damping_factor", unit="1", value=None, verdict=Verdict.INFORMATION,
                note=f"above {least:.0f}: the output impedance is below what can be seen", **common,
            )
        )  # fmt: skip
    return found


def impedance(g1: Any, g2: Any, r1: Any, r2: Any) -> Any:
    """Source impedance from the gains into two loads, in the loads' unit: g = e R / (R + Z).

    >>> round(impedance(1000 / 1000.2, 8 / 8.2, 1000.0, 8.0), 9)
    0.2
    """
    return (g1 - g2) / (g2 / r2 - g1 / r1)
