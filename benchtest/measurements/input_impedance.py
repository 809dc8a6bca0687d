"""Input impedance: how far the level falls with a known resistor in series with the source.

Connected: sound card into both inputs, dummy load on, volume full; then the same through a series resistor (10 kilohm or as
stated) in each input lead. Played: 1 kHz, 50 mV at the output. Computed: Z = R g2 / (g1 - g2) - Rs, with g1 the gain
straight, g2 through R, Rs the sound card's own resistance (part of both; small).
Method: IEC 60268-3 (input impedance by a series resistor, from memory); kept: 1 kHz; departure: its magnitude taken as
resistance.
What may go wrong: hum picked up by the resistor's lead: a selective fit does not count it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchtest.measurements.budget import expanded, part
from benchtest.measurements.output_impedance import Gain
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.safety import GuardedBench

METHOD = "level with and without a series resistor, 1 kHz (after IEC 60268-3)"
SOURCE_OHM = 100.0
"""The sound card's output resistance, as far as it is not known: 100 ohm, give or take as much."""


def input_impedance(
    bench: GuardedBench,
    straight: Mapping[str, Gain | str],
    through: Mapping[str, Gain | str],
    *,
    series_ohm: float,
    series_relative: float = 0.01,
) -> list[Reading]:
    """input_impedance of both channels, ohm, from two sets of ``output_impedance.gains``."""
    conditions = bench.conditions(driven="one", series_ohm=series_ohm)
    found = []
    for channel in bench.channels:
        first, second = straight.get(channel, "not measured"), through.get(channel, "not measured")
        nothing: dict[str, Any] = {"conditions": conditions, "method": METHOD}
        if isinstance(first, str) or isinstance(second, str):
            why = first if isinstance(first, str) else second
            found.append(not_measured("input_impedance", channel, "ohm", why, **nothing))
            continue
        if not first.ratio > second.ratio * (1.0 + 10.0 * (first.relative + second.relative)):
            why = "the resistor makes no difference: is it in the lead?"
            found.append(not_measured("input_impedance", channel, "ohm", why, **nothing))
            continue
        g1 = part(first.ratio, first.ratio * first.relative, "noise, straight")
        g2 = part(second.ratio, second.ratio * second.relative, "noise, through the resistor")
        series = part(series_ohm, series_ohm * series_relative / 3**0.5, "series resistor")
        source = part(SOURCE_OHM, SOURCE_OHM / 3**0.5, "sound card's output resistance")
        found.append(
            Reading(
                quantity="input_impedance", channel=channel, unit="ohm", frequency_hz=1000.0, method=METHOD,
                conditions=conditions, **expanded(series * g2 / (g1 - g2) - source),
            )
        )  # fmt: skip
    return found
