"""Tone controls relative to flat: what bass and treble do at the ends of the band, and whether "flat" is flat.

Connected and played: as for ``sweep``, once with the controls in their middle (or defeated), once with them set as the prompt
says. Computed: the second response less the first, dB, at 100 Hz and 10 kHz.
Method: IEC 60268-3 (tone control characteristics, from memory): response relative to that with the controls flat; departure:
at 1 W at 1 kHz, so a boost of 10 dB drives 10 W at its end: a smaller level is chosen for boosts.
"""

from __future__ import annotations

import math
from typing import Any

from benchtest.measurements.budget import COVERAGE, DB_PER_NEPER
from benchtest.measurements.sweep import Swept
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.records import Curve
from benchtest.safety import GuardedBench

METHOD = "response less that with the controls flat, one sweep each (after IEC 60268-3)"
NAMED_HZ = (100.0, 10e3)


def tone_controls(
    bench: GuardedBench, flat: Swept | str, turned: Swept | str, channel: str, *, setting: str
) -> list[object]:
    """tone_control_range at 100 Hz and 10 kHz re 1 kHz, dB, for a setting in words ("bass full", "defeat")."""
    conditions = bench.conditions(driven="one", setting=setting)
    if isinstance(flat, str) or isinstance(turned, str):
        why = flat if isinstance(flat, str) else turned
        return [not_measured("tone_control_range", channel, "dB", why, conditions=conditions, method=METHOD)]
    difference = turned.relative_db - flat.relative_db
    found: list[object] = []
    common: dict[str, Any] = {"load_ohm": bench.load_ohm[channel], "conditions": conditions, "method": METHOD}
    for frequency in NAMED_HZ:
        k = flat.at(frequency)
        noise = DB_PER_NEPER * math.sqrt(sum(s.noise(f) ** 2 for s in (flat, turned) for f in (frequency, 1000.0)))
        parts = {"noise": noise, "edges of the sweep": 0.003}
        found.append(
            Reading(
                quantity="tone_control_range", channel=channel, value=float(difference[k]), unit="dB",
                frequency_hz=frequency, expanded_uncertainty=COVERAGE * math.hypot(*parts.values()), budget=parts, **common,
            )
        )  # fmt: skip
    name = "".join(c if c.isalnum() else "_" for c in setting)
    found.append(
        Curve(
            f"tone_controls_{name}_{channel}", f"Tone controls, {setting}, {channel}, re flat",
            {"frequency_hz": flat.own.frequencies_hz, "difference_db": difference},
            {"frequency_hz": "Hz", "difference_db": "dB"}, {"channel": channel},
        )
    )  # fmt: skip
    return found
