"""Input sensitivity: the input voltage for rated output, and for 1 W, volume full.

Connected and played: as for ``gain``. Computed: the output voltage in question over the gain that was measured; nothing is
driven that high for it.
Method: IEC 60268-3 (rated source e.m.f.: that which gives rated output) and IHF-A-202 (sensitivity: input for 1 W into
8 ohm); departure: from the gain at a lower level, so compression near full power (some hundredths of a decibel) is left out.
"""

from __future__ import annotations

from collections.abc import Iterable

from benchtest.measurements.budget import DB_PER_NEPER, expanded, part
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.safety import GuardedBench

METHOD = "output voltage over gain, 1 kHz, volume full (after IEC 60268-3, IHF-A-202)"


def input_sensitivity(bench: GuardedBench, gains: Iterable[Reading]) -> list[Reading]:
    """input_sensitivity for rated power (where it is known) and for 1 W, V rms, from ``gain`` readings."""
    limits = bench.drive_limits()
    targets = {"1 W": limits.one_watt_v()}
    rated = limits.rated_v()
    if rated is not None:
        targets = {"rated power": rated, **targets}
    found = []
    for reading in gains:
        if reading.quantity != "gain":
            continue
        for at, volts in targets.items():
            conditions = {**reading.conditions, "at": at}
            if reading.value is None or reading.expanded_uncertainty is None:
                why = f"the gain was not measured: {reading.note}"
                found.append(
                    not_measured("input_sensitivity", reading.channel, "V", why, conditions=conditions, method=METHOD)
                )
                continue
            relative = reading.expanded_uncertainty / 2.0 / DB_PER_NEPER
            ratio = 10 ** (reading.value / 20.0)
            found.append(
                Reading(
                    quantity="input_sensitivity", channel=reading.channel, unit="V", frequency_hz=reading.frequency_hz,
                    level=volts, level_unit="V", load_ohm=reading.load_ohm, conditions=conditions, method=METHOD,
                    **expanded(volts / part(ratio, ratio * relative, "gain")),
                )
            )  # fmt: skip
    return found
