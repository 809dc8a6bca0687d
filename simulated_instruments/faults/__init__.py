"""Scenarios: what may be wrong with the amplifier or the bench, as changes of components.

A scenario's name never says which channel; ``apply`` is told, and draws its severity from the generator it is given,
above what can be detected. One file per place where a technician would look.
"""

from __future__ import annotations

from . import bench_faults, dc, distortion, heat_and_supply, hum_and_noise, intermittent, level, no_sound, nothing_wrong
from .scenario import NO_CHANGE, BenchChange, Scenario

__all__ = ["NO_CHANGE", "SCENARIOS", "BenchChange", "Scenario"]

_FILES = (nothing_wrong, no_sound, dc, distortion, hum_and_noise, level, intermittent, heat_and_supply, bench_faults)

SCENARIOS: dict[str, Scenario] = {scenario.name: scenario for file in _FILES for scenario in file.SCENARIOS}
"""Every scenario by name, in the order in which they are listed."""
