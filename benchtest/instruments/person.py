"""A person at a terminal as the operator: what to move is printed, one key says that it is done.

Hands are full at a bench, so any key is "next", and the space bar is tone off at any moment, whether a prompt stands
there or not. Prompts go to standard error. Where standard input is no terminal, each line of it is one answer.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import TextIO

from benchtest.errors import InstrumentError
from benchtest.instruments.keyboard import BACKSPACE, ENTER, Keyboard, no_more_input
from benchtest.instruments.test_points import TEST_POINTS

_SETTINGS: dict[str, dict[str, str]] = {
    "mains": {"on": "switch the amplifier on", "off": "switch off AT THE WALL, or pull the plug"},
    "lamp": {"in": "series lamp: in", "out": "series lamp: out"},
    "volume": {"minimum": "volume: minimum", "full": "volume: full"},
    "inputs": {
        "shorted": "inputs: shorting plugs in, both channels",
        "sound_card": "inputs: connected to the sound card's output",
        "open": "inputs: nothing connected",
    },
    "load": {
        "none": "speaker terminals: nothing connected",
        "1 kilohm": "speaker terminals: 1 kilohm, 5 W across each pair",
        "load": "speaker terminals: the dummy load",
        "second load": "speaker terminals: the second dummy load",
    },
    "lid": {"on": "lid: on", "off": "lid: off. Inside is mains, and what the reservoirs hold"},
    "sound_card": {
        "amplifier": "sound card: output to the amplifier, inputs to the speaker dividers",
        "loopback": "sound card: output straight to the far end of the input dividers",
    },
    "tone_controls": {
        "flat": "tone controls: flat, loudness and filters off",
        "defeat": "tone controls: defeat",
        "bass up": "bass: fully up, treble in its middle",
        "bass down": "bass: fully down, treble in its middle",
        "treble up": "treble: fully up, bass in its middle",
        "treble down": "treble: fully down, bass in its middle",
    },
    "balance": {"centre": "balance: centre", "left": "balance: fully left", "right": "balance: fully right"},
    "source": {"line": "selector: the line input", "phono": "selector: phono"},
    "monitor": {"in": "tape monitor: in", "out": "tape monitor: out"},
    "headphones": {"out": "headphone socket: empty", "in": "headphone socket: the plug with 33 ohm a side"},
    "series_resistor": {
        "in": "10 kilohm in each lead from the sound card to the inputs",
        "out": "leads from the sound card to the inputs: without the 10 kilohm",
    },
    "rail_resistors": {
        "in": "22 ohm 5 W in each supply lead of the module",
        "out": "supply leads of the module: without the 22 ohm",
    },
    "relay": {
        "held": "loudspeaker relay: held, its coil on a bench supply of the coil's voltage, the amplifier off",
        "free": "loudspeaker relay: the bench supply off its coil",
    },
}
"""What a person is told for each setting; the vocabulary of ``Operator.set``."""


class PersonOperator:
    """The ``Operator`` protocol, spoken to whoever sits at the terminal.

    Parameters
    ----------
    meters : sequence of str
        Names of the meters that can be moved.
    tone_off : callable, optional
        Called from the reading thread when the space bar is hit; must return at once. It can be set later.
    keys, screen : text streams
        Standard input and standard error where left out.
    """

    def __init__(
        self,
        meters: Sequence[str] = (),
        *,
        tone_off: Callable[[], None] | None = None,
        keys: TextIO | None = None,
        screen: TextIO | None = None,
    ) -> None:
        self.tone_off = tone_off
        self._meters = tuple(meters)
        self._screen = screen if screen is not None else sys.stderr
        stream = keys if keys is not None else sys.stdin
        self._keyboard: Keyboard | None = None
        self._lines: TextIO | None = stream
        if stream is not None and stream.isatty() and Keyboard.possible():
            self._keyboard = Keyboard(stream.fileno(), self._space_was_hit)

    # The protocol --------------------------------------------------------------------------------------------------

    def set(self, settings: Mapping[str, str], *, say: str) -> None:
        """Show one hook-up and wait for a key. Raises InstrumentError for a word outside the vocabulary."""
        lines = hook_up_lines(settings, meters=self._meters)
        self._show("", f">> {say}" if say else ">> Please:", *(f"   - {line}" for line in lines))
        self._show("   any key when done  (space: tone off)")
        self._next()

    def ask(self, question: str, choices: Sequence[str], *, about: str = "") -> str:
        """Show numbered choices; a number, or the choice's first letters, is the answer."""
        if not choices:
            raise InstrumentError(f"'{question}' was asked without choices. Expected at least one.")
        listed = "   ".join(f"[{number}] {choice}" for number, choice in enumerate(choices, start=1))
        self._show("", f"?? {question}", f"   {listed}")
        while True:
            typed = self._choice(choices) if self._keyboard is not None else self._line()
            chosen = chosen_from(typed, choices)
            if chosen is not None:
                self._show(f"   {chosen}")
                return chosen
            if typed:
                self._show(f"   '{typed}' is none of them. Type a number from 1 to {len(choices)}.")

    def enter(self, question: str, *, unit: str) -> str:
        """Ask for what a person reads off; returns it as typed, never empty."""
        self._show("", f"?? {question}  (in {unit}; end with Enter)" if unit else f"?? {question}  (end with Enter)")
        while True:
            typed = (self._typed() if self._keyboard is not None else self._line()).strip()
            if typed:
                return typed
            self._show("   Nothing was typed. Type the value as the meter shows it, such as '64 mV', or 'OL'.")

    def tell(self, text: str) -> None:
        """Show it and go on."""
        self._show(text)

    def close(self) -> None:
        """Give the terminal back as it was. Idempotent."""
        if self._keyboard is not None:
            self._keyboard.close()
            self._keyboard = None
            self._lines = None

    # Inside --------------------------------------------------------------------------------------------------------

    def _space_was_hit(self) -> None:
        if self.tone_off is not None:
            self.tone_off()  # before anything is printed: a terminal can block
            with contextlib.suppress(OSError, ValueError):  # a terminal that has been closed
                self._show("   TONE OFF. DC stays until the mains is off.")

    def _show(self, *lines: str) -> None:
        for line in lines:
            print(line, file=self._screen)
        self._screen.flush()

    def _next(self) -> None:
        if self._keyboard is None:
            self._line()
            return
        with self._keyboard.answering():
            self._keyboard.key()

    def _choice(self, choices: Sequence[str]) -> str:
        """Keys until they say one choice: a digit, or enough first letters."""
        assert self._keyboard is not None
        typed = ""
        with self._keyboard.answering():
            while True:
                key = self._keyboard.key()
                if key in ENTER:
                    return typed
                typed += key
                if _could_become(typed, choices) < 2:  # "no" may still become "not sure": that one ends with Enter
                    return typed

    def _typed(self) -> str:
        """A line, echoed here because the terminal hands over single keys."""
        assert self._keyboard is not None
        typed = ""
        with self._keyboard.answering(text=True):
            while (key := self._keyboard.key()) not in ENTER:
                if key in BACKSPACE:
                    if typed:
                        typed = typed[:-1]
                        self._echo("\b \b")
                elif key.isprintable():
                    typed += key
                    self._echo(key)
        self._show("")
        return typed

    def _echo(self, text: str) -> None:
        self._screen.write(text)
        self._screen.flush()

    def _line(self) -> str:
        line = self._lines.readline() if self._lines is not None else ""
        if not line:
            raise no_more_input()
        return line.strip()


def hook_up_lines(settings: Mapping[str, str], *, meters: Sequence[str] = ()) -> list[str]:
    """What a person is told for each setting, in the order given.

    Raises InstrumentError for a setting, state or test point that is not in the vocabulary.

    Examples
    --------
    >>> hook_up_lines({"volume": "-20 dB"})
    ['volume: -20 dB, as far below full']
    >>> hook_up_lines({"meter": "left_output"}, meters=["meter"])[0]
    "meter 'meter': left speaker terminals: red on plus, black on minus (outside, may be moved live)"
    """
    lines = []
    for name, state in settings.items():
        if name in meters or (name not in _SETTINGS and not meters):
            lines.append(_meter_line(name, state))
        elif name not in _SETTINGS:
            raise InstrumentError(
                f"'{name}' cannot be set to '{state}': there is no such thing on this bench. Expected one of "
                f"{', '.join([*_SETTINGS, *meters])}."
            )
        elif state in _SETTINGS[name]:
            lines.append(_SETTINGS[name][state])
        elif name == "volume" and _is_decibels(state):
            lines.append(f"volume: {state}, as far below full")
        else:
            also = ', or decibels below full such as "-20 dB"' if name == "volume" else ""
            raise InstrumentError(
                f"{name} cannot be set to '{state}'. Expected {', '.join(_SETTINGS[name])}{also}. Mend the procedure."
            )
    return lines


def _meter_line(meter: str, state: str) -> str:
    point = TEST_POINTS.get(state.replace(" ", "_"))
    if point is None:
        raise InstrumentError(
            f"Meter '{meter}' cannot be put on '{state}': there is no such test point. Expected one of "
            f"{', '.join(TEST_POINTS)}."
        )
    where = "outside, may be moved live" if point.outside else "INSIDE: amplifier off first"
    return f"meter '{meter}': {point.words} ({where})"


def _is_decibels(state: str) -> bool:
    number, _, unit = state.partition(" ")
    with contextlib.suppress(ValueError):
        return unit == "dB" and -120.0 <= float(number) <= 0.0
    return False


def chosen_from(typed: str, choices: Sequence[str]) -> str | None:
    """The choice that a number or first letters mean; None where it is none or not unique.

    Examples
    --------
    >>> chosen_from("2", ["dark", "dim", "bright"]), chosen_from("b", ["dark", "dim", "bright"])
    ('dim', 'bright')
    >>> chosen_from("d", ["dark", "dim", "bright"]) is None
    True
    """
    word = typed.strip().casefold()
    if not word:
        return None
    for choice in choices:
        if choice.casefold() == word:
            return choice
    if word.isdecimal():
        return choices[int(word) - 1] if 1 <= int(word) <= len(choices) else None
    meant = [choice for choice in choices if choice.casefold().startswith(word)]
    return meant[0] if len(meant) == 1 else None


def _could_become(typed: str, choices: Sequence[str]) -> int:
    """How many choices, by name or number, begin with what was typed."""
    word = typed.casefold()
    numbers = [str(number) for number in range(1, len(choices) + 1)]
    return sum(text.casefold().startswith(word) for text in (*choices, *numbers))
