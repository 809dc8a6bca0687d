"""What a run prints: what a person was asked on the same terminal is not said twice."""

from __future__ import annotations

import io
from typing import Any

import pytest
from rich.console import Console

from benchtest.cli.terminal import Terminal

EVENTS: list[dict[str, Any]] = [
    {"event": "prompt", "settings": {"lamp": "in"}, "say": "Series lamp in."},
    {"event": "prompt", "settings": {"in turn": "leads_shorted"}, "say": "Touch in turn: the leads."},
    {"event": "question", "question": "Lamp:", "answer": "dull", "about": "lamp"},
    {"event": "note", "text": "Lamp dull: go on.", "severity": "note", "told": True},
    {"event": "note", "text": "capture 1 thrown away", "severity": "warning"},
]


def printed(*, person_is_asked: bool) -> str:
    screen = io.StringIO()
    terminal = Terminal(Console(file=screen, width=120))
    terminal.person_is_asked = person_is_asked
    for event in EVENTS:
        terminal(event)
    terminal.close()
    return screen.getvalue()


def test_without_a_person_everything_is_shown() -> None:
    text = printed(person_is_asked=False)
    for words in ("Series lamp in.", "Touch in turn", "Lamp: dull", "go on", "thrown away"):
        assert text.count(words) == 1


@pytest.mark.parametrize("said_by_the_prompt", ["Series lamp in.", "Lamp: dull", "go on"])
def test_what_the_person_was_told_is_not_said_again(said_by_the_prompt: str) -> None:
    text = printed(person_is_asked=True)
    assert said_by_the_prompt not in text
    assert "Touch in turn" in text  # whose points come one by one
    assert "thrown away" in text  # which nobody told
