"""The person at a terminal, through a pseudo-terminal as a real one, and through a pipe."""

from __future__ import annotations

import io
import os
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TextIO

import pytest

from benchtest.errors import InstrumentError
from benchtest.instruments.person import PersonOperator, chosen_from, hook_up_lines
from benchtest.instruments.protocols import Operator

pty = pytest.importorskip("pty", reason="pseudo-terminals are a thing of Unix")


class Screen(io.StringIO):
    """What is printed; lets a test wait for words, as a person waits for the prompt."""

    def wait_for(self, words: str) -> None:
        deadline = time.monotonic() + 10.0
        while words not in self.getvalue():
            assert time.monotonic() < deadline, f"{words!r} was never printed; there is: {self.getvalue()!r}"
            time.sleep(0.005)


@dataclass
class Terminal:
    """Both ends of a pseudo-terminal: the operator reads one, the test types into the other."""

    keys: TextIO
    fingers: int
    screen: Screen = field(default_factory=Screen)
    tone_off: threading.Event = field(default_factory=threading.Event)

    def type(self, text: str) -> None:
        os.write(self.fingers, text.encode())

    def type_after(self, words: str, text: str) -> threading.Thread:
        """Type as soon as the words are on the screen, from another thread."""

        def run() -> None:
            self.screen.wait_for(words)
            time.sleep(0.05)  # from the print to the moment in which answers are taken
            self.type(text)

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        return thread


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    fingers, person = pty.openpty()
    with os.fdopen(person, "r") as keys:
        yield Terminal(keys, fingers)
    os.close(fingers)


@pytest.fixture
def operator(terminal: Terminal) -> Iterator[PersonOperator]:
    person = PersonOperator(["meter"], keys=terminal.keys, screen=terminal.screen, tone_off=terminal.tone_off.set)
    yield person
    person.close()


def piped(text: str, *meters: str) -> tuple[PersonOperator, Screen]:
    screen = Screen()
    return PersonOperator(meters, keys=io.StringIO(text), screen=screen), screen


def test_is_an_operator() -> None:
    assert isinstance(piped("")[0], Operator)


def test_any_key_is_next(terminal: Terminal, operator: PersonOperator) -> None:
    terminal.type_after("any key", "x")
    operator.set({"mains": "off", "meter": "left_output"}, say="Meter to the left output.")
    printed = terminal.screen.getvalue()
    assert "Meter to the left output." in printed
    assert "AT THE WALL" in printed
    assert "red on plus" in printed
    assert not terminal.tone_off.is_set()


def test_space_at_a_prompt_is_tone_off_and_not_next(terminal: Terminal, operator: PersonOperator) -> None:
    def person() -> None:
        terminal.screen.wait_for("any key")
        terminal.type(" ")
        terminal.screen.wait_for("TONE OFF")
        time.sleep(0.05)
        returned_early.append(done.is_set())
        terminal.type("\n")

    done, returned_early = threading.Event(), []
    thread = threading.Thread(target=person, daemon=True)
    thread.start()
    operator.set({"volume": "full"}, say="Volume full.")
    done.set()
    thread.join()
    assert terminal.tone_off.is_set()
    assert returned_early == [False]


def test_space_without_a_prompt_is_tone_off(terminal: Terminal, operator: PersonOperator) -> None:
    terminal.type(" ")
    assert terminal.tone_off.wait(5.0)


def test_key_before_the_prompt_answers_nothing(terminal: Terminal, operator: PersonOperator) -> None:
    terminal.type("\n\n\n")
    time.sleep(0.3)  # longer than the keyboard's own pace: the keys have been read by now
    terminal.type_after("[1]", "2")
    assert operator.ask("Is the lamp dark?", ["dark", "bright"], about="lamp") == "bright"


def test_choice_by_its_first_letter(terminal: Terminal, operator: PersonOperator) -> None:
    terminal.type_after("[1]", "di")
    assert operator.ask("How is the lamp?", ["dark", "dim", "bright"], about="lamp") == "dim"


@pytest.mark.parametrize(("typed", "meant"), [("no\r", "no"), ("not", "not sure")])
def test_choice_that_begins_another_waits_for_enter(
    terminal: Terminal, operator: PersonOperator, typed: str, meant: str
) -> None:
    terminal.type_after("[1]", typed)
    assert operator.ask("Does it smell?", ["no", "not sure"]) == meant


def test_wrong_choice_is_asked_again(terminal: Terminal, operator: PersonOperator) -> None:
    terminal.type_after("[1]", "7")
    terminal.type_after("none of them", "1")
    assert operator.ask("How is the lamp?", ["dark", "bright"]) == "dark"


def test_typed_value_with_space_and_correction(terminal: Terminal, operator: PersonOperator) -> None:
    terminal.type_after("end with Enter", "65\x7f4 mV\r")
    assert operator.enter("What does the meter show?", unit="V") == "64 mV"
    assert not terminal.tone_off.is_set()  # text is asked for with the tone off only, and there space is a character


def test_empty_value_is_asked_again(terminal: Terminal, operator: PersonOperator) -> None:
    terminal.type_after("end with Enter", "\r")
    terminal.type_after("Nothing was typed", "OL\r")
    assert operator.enter("Ohms across the fuse?", unit="ohm") == "OL"


def test_terminal_is_given_back(terminal: Terminal) -> None:
    import termios

    before = termios.tcgetattr(terminal.keys.fileno())
    person = PersonOperator(keys=terminal.keys, screen=terminal.screen)
    assert termios.tcgetattr(terminal.keys.fileno())[3] != before[3]
    person.close()
    person.close()
    assert termios.tcgetattr(terminal.keys.fileno())[3] == before[3]


def test_closed_terminal_is_tone_off_and_an_error() -> None:
    fingers, person_end = pty.openpty()
    tone_off = threading.Event()
    with os.fdopen(person_end, "r") as keys:
        person = PersonOperator(keys=keys, screen=Screen(), tone_off=tone_off.set)
        os.close(fingers)
        assert tone_off.wait(5.0)
        with pytest.raises(InstrumentError, match="Nobody answers"):
            person.set({"mains": "on"}, say="On.")
        person.close()


def test_pipe_answers_line_by_line() -> None:
    person, _ = piped("\nbright\n12.5 mV\n")
    person.set({"lamp": "in"}, say="Lamp in.")
    assert person.ask("Lamp?", ["dark", "bright"]) == "bright"
    assert person.enter("Meter?", unit="V") == "12.5 mV"


def test_pipe_that_ends_is_an_error_not_a_yes() -> None:
    person, _ = piped("")
    with pytest.raises(InstrumentError, match="Nobody answers"):
        person.set({"mains": "on"}, say="On.")


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"mians": "on"}, "Expected one of mains"),
        ({"mains": "maybe"}, "Expected on, off"),
        ({"volume": "+3 dB"}, "decibels below full"),
        ({"volume": "nan dB"}, "decibels below full"),
        ({"meter": "left_outputs"}, "no such test point"),
    ],
)
def test_word_outside_the_vocabulary_is_refused_before_anybody_is_asked(settings: dict[str, str], said: str) -> None:
    person, screen = piped("\n", "meter")
    with pytest.raises(InstrumentError, match=said):
        person.set(settings, say="Do it.")
    assert screen.getvalue() == ""


def test_inside_points_say_that_the_amplifier_is_off_first() -> None:
    assert "INSIDE: amplifier off first" in hook_up_lines({"meter": "rail_positive"}, meters=["meter"])[0]


@pytest.mark.parametrize(
    ("typed", "chosen"),
    [("", None), ("0", None), ("3", None), ("2", "not sure"), ("no", "no"), ("n", None), ("NOT", "not sure")],
)
def test_choice_is_unique_or_none(typed: str, chosen: str | None) -> None:
    assert chosen_from(typed, ["no", "not sure"]) == chosen
