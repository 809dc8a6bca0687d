"""Exercise files: a teacher sets a case as a file, with or without the answer inside.

[exercise]
title = "Tuesday's amplifier"
told = "One channel is silent."
seed = 41
level = "medium"              # the case is drawn from the seed: the file does not hold the answer
# scenario = "relay-open"     # or this: the answer stands in the file
# channel = "left"
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from pathlib import Path

from benchtest.errors import FileError
from benchtest.training.lessons import CaseToPlay, all_played, draw_case


def read_exercise(path: Path) -> CaseToPlay:
    """The case of an exercise file. Raises FileError with what is wrong."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise FileError(
            f"exercise {path}: {error.strerror}. Write one with 'benchtest train --write {path}'."
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise FileError(f"exercise {path}: {error}. Correct that line.") from error
    page = data.get("exercise")
    if not isinstance(page, dict) or not isinstance(page.get("seed"), int):
        raise FileError(f"exercise {path}: expected a section [exercise] with seed = a whole number.")
    unknown = set(page) - {"title", "told", "seed", "level", "scenario", "channel"}
    if unknown:
        raise FileError(f"exercise {path}: {', '.join(sorted(unknown))} is not known. Expected title, told, seed, level, "
                        "scenario, channel.")  # fmt: skip
    if "scenario" in page:
        if page["scenario"] not in all_played():
            raise FileError(f"exercise {path}: no scenario '{page['scenario']}'. See 'benchtest scenarios'.")
        if page.get("channel", "left") not in ("left", "right"):
            raise FileError(f"exercise {path}: channel = '{page['channel']}'. Expected left or right.")
        case = CaseToPlay(
            page["scenario"], page["seed"], "An exercise", "", level="exercise", channel=page.get("channel")
        )
    else:
        case = replace(draw_case(str(page.get("level", "medium")), page["seed"]), level="exercise")
    return replace(
        case, title=str(page.get("title", "An exercise")), told=str(page.get("told") or case.told or "No word with it.")
    )


def exercise_text(case: CaseToPlay, *, level: str, with_answer: bool) -> str:
    """The text of an exercise file for a case."""
    lines = [
        "# An exercise for 'benchtest train --exercise FILE'. Without scenario the case is drawn from seed and level.",
        "[exercise]",
        f"title = {json.dumps(case.title)}",
        f"told = {json.dumps(case.told)}",
        f"seed = {case.seed}",
    ]
    if with_answer:
        lines.append(f"scenario = {json.dumps(case.scenario)}")
        lines += [f"channel = {json.dumps(case.channel)}"] if case.channel else []
    else:
        lines.append(f"level = {json.dumps(level)}")
    return "\n".join(lines) + "\n"
