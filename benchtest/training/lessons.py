"""The ten lessons, what is easy and what is hard, and the drawing of a case from a seed."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from benchtest.amplifier_file import AmplifierSpec, load_amplifier
from benchtest.errors import FileError

DIFFICULTIES = ("easy", "medium", "hard")
OUTPUT_STAGES = {
    "healthy-dc-servo": "dc_servo", "healthy-capacitor-coupled": "capacitor_coupled", "healthy-bridged": "bridged",
    "bridged-half-dead": "bridged",
}  # fmt: skip
"""Scenarios of another kind of output stage, which its amplifier file says."""


@dataclass(frozen=True)
class Lesson:
    """One of the first ten cases."""

    number: int
    title: str
    scenarios: tuple[str, ...]
    before: str
    learned: str


@dataclass(frozen=True)
class CaseToPlay:
    """What is hidden: a scenario with its seed. told is what the trainee hears before; learned what is said after."""

    scenario: str
    seed: int
    title: str
    told: str
    learned: str = ""
    level: str = ""
    channel: str | None = None

    @property
    def output_stage(self) -> str:
        """The kind of output stage that the amplifier file states."""
        return OUTPUT_STAGES.get(self.scenario, "direct_coupled")

    def amplifier(self, demo: Path) -> AmplifierSpec:
        """The amplifier file that belongs to the set."""
        return amplifier_for(self.scenario, demo)


def amplifier_for(scenario: str, demo: Path) -> AmplifierSpec:
    """The amplifier file of a scenario's set: the demo amplifier's, or the one beside it with its kind of output stage.

    Raises FileError where the file is missing.
    """
    stage = OUTPUT_STAGES.get(scenario)
    return load_amplifier(demo if stage is None else demo.with_name(f"demo_{stage}.toml"))


@cache
def _data() -> Mapping[str, Any]:
    text = (resources.files(__package__) / "lessons.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@cache
def lessons() -> dict[int, Lesson]:
    """The lessons by number.

    >>> [lessons()[n].title for n in (1, 4)]
    ['A zero that is normal', 'The zero that is too perfect']
    """
    found = {}
    for raw in _data()["lessons"]:
        names = raw["scenario"] if isinstance(raw["scenario"], list) else [raw["scenario"]]
        found[raw["number"]] = Lesson(raw["number"], raw["title"], tuple(names), raw["before"], raw["learned"])
    return found


def danger(scenario: str) -> Mapping[str, Any]:
    """What handing it back would do, and whether to stop is right; empty where it is only a pity."""
    found: Mapping[str, Any] = _data()["dangerous"].get(scenario, {})
    return found


def all_played() -> set[str]:
    """Every scenario that a lesson or a difficulty names."""
    data = _data()
    named = {s for lesson in lessons().values() for s in lesson.scenarios}
    return named | {s for level in DIFFICULTIES for s in data["difficulty"][level]} | set(data["healthy"]["kinds"])


def lesson_case(number: int, seed: int) -> CaseToPlay:
    """A lesson as a case. Raises FileError where there is no such lesson."""
    found = lessons().get(number)
    if found is None:
        raise FileError(f"there is no lesson {number}. Expected 1 to {len(lessons())}: 'benchtest train --list'.")
    rng = np.random.default_rng([seed, number])
    scenario = str(rng.choice(found.scenarios))
    return CaseToPlay(
        scenario, seed, f"Lesson {number}: {found.title}", found.before, found.learned, f"lesson {number}"
    )


def draw_case(level: str, seed: int) -> CaseToPlay:
    """A case of a difficulty from a seed: one in five is healthy.

    >>> cases = [draw_case("medium", seed) for seed in range(1000)]
    >>> 150 < sum(case.scenario.startswith("healthy") for case in cases) < 250
    True
    """
    if level not in DIFFICULTIES:
        raise FileError(f"'{level}' is no difficulty. Expected one of {', '.join(DIFFICULTIES)}.")
    rng = np.random.default_rng([seed, DIFFICULTIES.index(level), 77])
    data = _data()
    healthy = rng.random() < 1.0 / data["healthy"]["one_in"]
    scenario = str(rng.choice(data["healthy"]["kinds"] if healthy else data["difficulty"][level]))
    told = (
        "An integrated amplifier, forty years old, stands on your bench. Its owner said little. Perhaps it is healthy."
    )
    return CaseToPlay(scenario, seed, f"A case, {level}", told, level=level)
