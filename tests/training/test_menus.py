"""Menus of the training bench: what arrow keys choose is what typing says."""

from __future__ import annotations

import contextlib
import os
import re
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output import DummyOutput

from benchtest.cli.arrow_keys import choose, typed_lines
from benchtest.training import menus
from tests.training.test_training import play

CAUSES = {"relay-open": "a relay contact does not close", "bias-low": "idle current far too low"}
DOWN, ENTER = "\x1b[B", "\r"


def scripted(*answers):
    """A person who chooses these, by the words shown or by what they stand for; after them goes back to typing."""
    left = list(answers)

    def pick(question, choices):
        if not left:
            return menus.TYPE if any(value == menus.TYPE for _, value in choices) else None
        wanted = left.pop(0)
        (value,) = {v for words, v in choices if wanted in (words, v)}
        return value or None

    return pick


@pytest.mark.parametrize(
    ("answers", "line"),
    [
        (("hands", "Mains", "mains on"), "mains on"),
        (("hands", "Volume", "back", "look"), "look"),
        (("meter", "measure dc", "left_amplifier_output"), "measure dc left_amplifier_output"),
        (("sound card", "gain"), "gain"),
        (("verdict", "faulty", "relay-open", "right"), "verdict relay-open right"),
        (("verdict", "faulty", "back", "verdict healthy"), "verdict healthy"),
        (("verdict", "stop"), "stop"),
        (("type",), ""),
    ],
)
def test_a_walk_through_the_menus_is_a_line(answers, line):
    assert menus.act(scripted(*answers), CAUSES, lambda point: True) == line


def test_every_leaf_of_the_menus_is_understood(tmp_path):
    leaves = [
        line for choices in menus.HANDS.values() for _, line in choices if not line.startswith(("mains", "wait 10"))
    ]
    leaves += [line for _, line in (*menus.METER, *menus.SOUND_CARD) if line not in ("drift", "discharge")]
    leaves = [
        f"{line} left_output" if line.startswith("measure") and " " not in line[8:].strip() else line for line in leaves
    ]
    _, said = play(tmp_path, [*leaves, "verdict healthy"], "--lesson", "1", "--seed", "3")
    assert "is not understood" not in said
    assert "no point" not in said


def test_points_that_no_meter_reaches_are_not_offered():
    offered = [name for _, name in menus.points(lambda point: point == "left_output")]
    assert offered == ["left_output"]


def test_arrow_keys_and_enter_choose():
    with create_pipe_input() as keys:
        keys.send_text(DOWN + DOWN + ENTER)
        assert choose("Which?", (("one", "1"), ("two", "2"), ("three", "3")), keys=keys, screen=DummyOutput()) == "3"


def test_a_long_list_is_searched_by_typing():
    many = [(f"cause {n}", str(n)) for n in range(30)]
    with create_pipe_input() as keys:
        keys.send_text("27" + ENTER)
        assert choose("Which?", many, keys=keys, screen=DummyOutput()) == "27"


def test_control_c_goes_back():
    with create_pipe_input() as keys:
        keys.send_text("\x03")
        assert choose("Which?", (("one", "1"), ("two", "2")), keys=keys, screen=DummyOutput()) is None


def test_the_arrow_up_is_the_line_before():
    with create_pipe_input() as keys:
        line = typed_lines(["rails"], keys=keys, screen=DummyOutput())
        keys.send_text("rails" + ENTER)
        assert line() == "rails"
        keys.send_text("\x1b[A" + ENTER)
        assert line() == "rails"


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is a Unix thing")
def test_a_case_is_played_with_arrow_keys_in_a_terminal(tmp_path):
    import pty

    mine, theirs = pty.openpty()
    game = subprocess.Popen(
        [sys.executable, "-m", "benchtest", "train", "--lesson", "5", "--seed", "3", "--archive", str(tmp_path)],
        stdin=theirs, stdout=subprocess.DEVNULL, stderr=theirs, env={**os.environ, "TERM": "xterm", "COLUMNS": "120"},
        cwd=Path(__file__).parents[2],
    )  # fmt: skip
    os.close(theirs)
    seen = ""

    def until(words: str) -> None:
        nonlocal seen
        end = time.monotonic() + 30.0
        while words not in re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", seen):
            ready, _, _ = select.select([mine], [], [], max(0.0, end - time.monotonic()))
            assert ready, f"'{words}' did not appear in {seen[-2000:]!r}"
            data = os.read(mine, 4096).decode(errors="ignore")
            if "\x1b[6n" in data:  # a terminal is asked where its cursor stands
                os.write(mine, b"\x1b[1;1R")
            seen += data

    def press(keys: str, words: str) -> None:
        nonlocal seen
        seen = ""
        os.write(mine, keys.encode())
        until(words)

    with contextlib.ExitStack() as done:
        done.callback(game.wait)
        done.callback(game.kill)
        until("for menus")
        press("\r", "What next?")
        press(DOWN * 7 + "\r", "Your verdict:")
        press(DOWN * 2 + "\r", "Score: 100 of 100")
        game.wait(timeout=30.0)
    os.close(mine)
    assert game.returncode == 0
