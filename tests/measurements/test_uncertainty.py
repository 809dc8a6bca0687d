"""Are the stated uncertainties true? Errors over many drawn benches, in units of the stated uncertainty; see ``coverage``.

Two hundred seeds, every measurement that has an uncertainty of its own. Errors over combined standard uncertainty have an
rms between 0.85 and 1.15, and the truth lies within U in at least 92 %. ``CAREFUL`` names what is held to the upper bound and
the coverage only, because its budget holds a judgement about real benches of something that the simulated one has not.

The seeds are played in parts where BENCHTEST_KEPT names a file of ``kept_trials``: what it holds already is not played again.
"""

from __future__ import annotations

import math
import os
from pathlib import Path

import pytest

from tests.measurements.coverage import Summary, Trial, summaries, trials
from tests.measurements.kept_trials import kept, played, table, written

FIRST, SEEDS = 1000, 200
CAREFUL = {
    "dc_offset_loaded_difference": "how far an offset walks between two hook-ups; here it is as warm in both",
    "idle_current_drift": "two readings of any meter over one another; the simulated one repeats itself",
    "soak_thd": "the highest of the minutes of a soak, with the noise of one; of the four here it scatters less than one",
    "soak_level_change": "how far a sound card's scales walk in minutes; the simulated one's do not",
}


def off(found: dict[str, Summary], lowest: float, highest: float, covered: float) -> dict[str, str]:
    """What is out of bounds, in words."""
    wrong = {}
    for name, s in found.items():
        low = 0.0 if name in CAREFUL else lowest
        if not low <= s.rms <= highest or not s.covered >= covered:
            wrong[name] = f"rms {s.rms:.2f}, mean {s.mean:+.2f}, {100 * s.covered:.0f} % of {s.count}"
    return wrong


@pytest.mark.slow
@pytest.mark.timeout(14400)
def test_uncertainties_of_two_hundred_benches(tmp_path):
    path = Path(os.environ.get("BENCHTEST_KEPT") or tmp_path / "kept.jsonl")
    seeds = range(FIRST, FIRST + SEEDS)
    list(played(path, seeds))
    every = kept(path)
    assert off(summaries(trial for seed in seeds for trial in every[seed]), 0.85, 1.15, 0.92) == {}


@pytest.mark.slow
def test_what_is_named_as_careful_is_measured():
    """A name that no trial has would excuse nothing, and hide a quantity that was renamed."""
    names = set(summaries(trials(0, power=True)))
    assert set(CAREFUL) <= names


# ------------------------------------------------------------------------------------------ the keeping itself


def one(value: float) -> Trial:
    return Trial("gain", value, 1.0, 0.2, 0.1, False, {"calibration": 0.1})


def test_lines_are_read_as_they_were_written_and_a_cut_one_is_not(tmp_path):
    path = tmp_path / "kept"
    whole = written(3, [one(1.1)]) + "\n" + written(4, [one(0.9)])
    path.write_text(whole[:-5])
    assert kept(path) == {3: [one(1.1)]}
    path.write_text(whole)
    assert kept(path) == {3: [one(1.1)], 4: [one(0.9)]}
    assert kept(tmp_path / "nothing") == {}


def test_seeds_go_on_where_they_were_ended(tmp_path, monkeypatch):
    asked = []
    monkeypatch.setattr("tests.measurements.kept_trials.trials", lambda seed, power: asked.append(seed) or [one(seed)])
    path = tmp_path / "kept"
    path.write_text(written(1, [one(7.0)]) + "\n" + '{"seed": 2, "tri')
    assert list(played(path, range(1, 4))) == [2, 3]
    assert asked == [2, 3]
    assert kept(path) == {1: [one(7.0)], 2: [one(2.0)], 3: [one(3.0)]}


def test_a_row_out_of_bounds_is_pointed_at_and_judged():
    found = {1: [one(1.1), one(0.9)], 2: [one(1.1)]}  # one standard uncertainty off each: rms 1
    assert "<--" not in table(found)
    assert off(summaries(found[1] + found[2]), 0.85, 1.15, 0.92) == {}
    wrong = {1: [one(1.3), one(0.9)]}  # 3 and 1 of it: rms sqrt 5, half of them inside U
    assert "<--" in table(wrong)
    assert off(summaries(wrong[1]), 0.85, 1.15, 0.92) == {"gain": f"rms {math.sqrt(5):.2f}, mean +1.00, 50 % of 2"}
