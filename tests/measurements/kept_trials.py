"""Trials of many benches, seed by seed, kept as lines of a file: ended anywhere, it goes on where it was.

    python -m tests.measurements.kept_trials KEPT --first 1000 --seeds 200 [--until HH:MM]

plays the seeds that KEPT has not, and prints the table of all that it has; ``--table`` prints only. A line holds one seed,
so two processes with other seeds may write two files, and ``cat`` pools them. What a line was played with is not kept: begin
a new file after a change to a measurement, an analysis or the simulated bench.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from tests.measurements.coverage import Trial, summaries, trials


def written(seed: int, found: list[Trial]) -> str:
    """One seed as a line."""
    return json.dumps({"seed": seed, "trials": [dataclasses.asdict(trial) for trial in found]})


def kept(path: Path) -> dict[int, list[Trial]]:
    """Seed -> its trials. A last line that was cut off is played again; a seed that stands there twice counts once."""
    found: dict[int, list[Trial]] = {}
    for line in path.read_text().splitlines() if path.exists() else ():
        try:
            row = json.loads(line)
        except json.JSONDecodeError:
            continue
        found[int(row["seed"])] = [Trial(**trial) for trial in row["trials"]]
    return found


def played(path: Path, seeds: range, *, until: datetime | None = None) -> Iterator[int]:
    """Play the seeds that are not kept yet, one line each; yields each seed as it is written."""
    have = kept(path)
    whole = not path.exists() or path.read_text().endswith("\n") or not path.read_text()
    with path.open("a") as file:
        if not whole:
            file.write("\n")
        for seed in seeds:
            if seed in have:
                continue
            if until is not None and datetime.now() >= until:
                return
            file.write(written(seed, trials(seed, power=True)) + "\n")
            file.flush()
            yield seed


def table(all_trials: dict[int, list[Trial]]) -> str:
    """A line a quantity: how many, rms of error over u and its own scatter, mean, share covered, share near the bench's."""
    found = summaries(trial for one in all_trials.values() for trial in one)
    lines = [f"{len(all_trials)} benches", f"{'':40}{'n':>5}{'rms':>8}{'+-':>6}{'mean':>8}{'in U':>7}{'near':>6}"]
    for name, s in sorted(found.items()):
        out = "" if 0.85 <= s.rms <= 1.15 and s.covered >= 0.92 else "  <--"
        scatter = s.rms / (2.0 * s.count) ** 0.5
        lines.append(
            f"{name:40}{s.count:5}{s.rms:8.2f}{scatter:6.2f}{s.mean:+8.2f}{100 * s.covered:6.0f}%{100 * s.near:5.0f}%{out}"
        )
    return "\n".join(lines)


def main() -> None:
    """See the module."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("kept", type=Path)
    options.add_argument("--first", type=int, default=1000)
    options.add_argument("--seeds", type=int, default=200)
    options.add_argument("--until", help="HH:MM, after which no further seed is begun")
    options.add_argument("--table", action="store_true", help="print what is kept, play nothing")
    asked = options.parse_args()
    until = None
    if asked.until:
        hour, minute = map(int, asked.until.split(":"))
        until = datetime.now().replace(hour=hour, minute=minute, second=0)
    if not asked.table:
        began = time.monotonic()
        for count, seed in enumerate(played(asked.kept, range(asked.first, asked.first + asked.seeds), until=until), 1):
            print(f"{seed}: {(time.monotonic() - began) / count:.1f} s a bench", flush=True)
    print(table(kept(asked.kept)))


if __name__ == "__main__":
    main()
