"""SCPI command and reply text for a multimeter: what to send, how to read what comes back. Pure, no input or output.

After SCPI-1999 and IEEE 488.2. Instruments that deviate are met by overrides (see `COMMANDS`), never by guessing.
What is transported, and how, is left to ``visa_link``; what is measured, to ``multimeter``.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from benchtest.errors import FileError, GarbledReply
from benchtest.instruments.protocols import Function

OVERLOAD_LIMIT = 9.9e37
"""From here up a magnitude is not a reading. SCPI-1999: 9.9E+37 is infinity, which meters report for an overload;
9.91E+37 is "not a number", which some meters report for an overload as well."""

COMMANDS: dict[str, str] = {
    "identity": "*IDN?",
    "clear": "*CLS",
    "error": "SYST:ERR?",
    "remote": "",
    "dc_volts": "VOLT:DC",
    "ac_volts": "VOLT:AC",
    "resistance": "RES",
    "resistance_4w": "FRES",
    "dc_current": "CURR:DC",
    "diode": "DIOD",
    "configure": "CONF:{function} {range}",
    "configure_auto": "CONF:{function}",
    "line_cycles": "{function}:NPLC {line_cycles}",
    "bandwidth": "VOLT:AC:BAND {bandwidth}",
    "read": "READ?",
    "range": "{function}:RANG?",
    "joined": "auto",
    "baud_rate": "9600",
    "termination": "LF",
}
"""Every text that an instrument may need otherwise, with its default; the keys are those of a bench file's overrides.

``remote`` is sent after opening (serial meters often want SYST:REM). ``joined``: whether queries may be joined with
";" in one message: yes, no, or auto, which asks the instrument once. ``baud_rate`` is for serial resources.
``termination`` is LF, CR or CRLF, sent after each message where the transport has no end mark. Empty text: the
instrument has no such command, nothing is sent."""

HAS_LINE_CYCLES = frozenset({Function.DC_VOLTS, Function.RESISTANCE, Function.RESISTANCE_4W, Function.DC_CURRENT})
HAS_RANGE = frozenset(Function) - {Function.DIODE}
TERMINATIONS = {"LF": "\n", "CR": "\r", "CRLF": "\r\n"}

_PLACEHOLDERS = frozenset({"function", "range", "line_cycles", "bandwidth"})
_OVERLOAD_WORDS = frozenset({"INF", "INFINITY", "OL", "OVLD", "OVERLOAD", "OVER"})
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_NUMBERS = re.compile(r"[0-9eE+\-.,;\s]*")
_DATA_WORDS = _OVERLOAD_WORDS | {"NAN"}
_ERROR = re.compile(r'([+-]?\d{1,5})\s*,\s*"((?:[^"]|"")*)"', re.ASCII)


def commands(overrides: Mapping[str, str], *, meter: str = "") -> dict[str, str]:
    """The commands of one instrument: the defaults with its overrides.

    Raises
    ------
    FileError
        If a key is unknown or a text holds a placeholder that nothing fills; all faults are listed.

    Examples
    --------
    >>> commands({"error": "STAT:QUE?"})["error"]
    'STAT:QUE?'
    """
    faults = []
    for key, text in overrides.items():
        if key not in COMMANDS:
            near = difflib.get_close_matches(key, COMMANDS, n=1)
            hint = f"Did you mean '{near[0]}'?" if near else f"Known: {', '.join(COMMANDS)}."
            faults.append(f"no command is called '{key}'. {hint}")
            continue
        unknown = set(re.findall(r"\{(.*?)\}", text)) - _PLACEHOLDERS
        if unknown or text.count("{") != text.count("}"):
            faults.append(f"'{key}' = {text!r} has a placeholder that is not one of {sorted(_PLACEHOLDERS)}.")
        if not text.isascii() or "\n" in text or "\r" in text:
            faults.append(f"'{key}' = {text!r} is not one line of plain ASCII.")
        if key == "termination" and text not in TERMINATIONS:
            faults.append(f"'termination' = {text!r}. Expected LF, CR or CRLF.")
        if key == "joined" and text not in ("auto", "yes", "no"):
            faults.append(f"'joined' = {text!r}. Expected auto, yes or no.")
        if key == "baud_rate" and not text.isdigit():
            faults.append(f"'baud_rate' = {text!r}. Expected a whole number such as 9600.")
        if key in ("read", "identity") and not text:
            faults.append(f"'{key}' is empty, but nothing can be measured without it.")
    if faults:
        raise FileError(f"Multimeter '{meter}', overrides: " + " ".join(faults))
    return {**COMMANDS, **overrides}


def number_text(value: float) -> str:
    """A number as an instrument takes it: NR3, no more digits than it holds.

    >>> number_text(0.1), number_text(10), number_text(1e6)
    ('0.1', '10', '1000000')
    """
    return f"{value:.9G}"


def bandwidth_for(frequency_hz: float | None) -> int | None:
    """The AC filter (lower corner in Hz: 3, 20 or 200) for a signal; None leaves the instrument's own.

    >>> bandwidth_for(1000.0), bandwidth_for(50.0), bandwidth_for(10.0), bandwidth_for(None)
    (200, 20, 3, None)
    """
    if frequency_hz is None:
        return None
    return 200 if frequency_hz >= 400 else 20 if frequency_hz >= 40 else 3


def configuration(
    words: Mapping[str, str],
    function: Function,
    range: float | None,
    line_cycles: float,
    frequency_hz: float | None,
) -> list[str]:
    """The messages that set a measurement up, in the order in which they are sent.

    Examples
    --------
    >>> configuration(COMMANDS, Function.DC_VOLTS, 0.1, 10, None)
    ['CONF:VOLT:DC 0.1', 'VOLT:DC:NPLC 10']
    >>> configuration(COMMANDS, Function.AC_VOLTS, None, 10, 1000.0)
    ['CONF:VOLT:AC', 'VOLT:AC:BAND 200']
    """
    node = words[function.value]
    if range is not None and function in HAS_RANGE:
        messages = [words["configure"].format(function=node, range=number_text(range))]
    else:
        messages = [words["configure_auto"].format(function=node)]
    if function in HAS_LINE_CYCLES:
        messages.append(words["line_cycles"].format(function=node, line_cycles=number_text(line_cycles)))
    bandwidth = bandwidth_for(frequency_hz)
    if function is Function.AC_VOLTS and bandwidth is not None:
        messages.append(words["bandwidth"].format(function=node, bandwidth=bandwidth))
    return [message for message in messages if message]


@dataclass(frozen=True)
class Number:
    """A number that an instrument sent; value is None for an overload, and text is what it sent."""

    value: float | None
    text: str

    @property
    def overload(self) -> bool:
        return self.value is None


def parse_number(text: str, *, command: str = "", instrument: str = "") -> Number:
    """Read one number. A magnitude of 9.9E+37 or more, or a word such as OVLD, is an overload, never a number.

    Raises
    ------
    GarbledReply
        If the text is not exactly one number (NaN and empty text are not numbers).

    Examples
    --------
    >>> parse_number("-1.23456789E-03").value
    -0.00123456789
    >>> parse_number("+9.90000000E+37").overload
    True
    """
    bare = text.strip()
    if _NUMBER.fullmatch(bare):
        value = float(bare)
        return Number(value if math.isfinite(value) and abs(value) < OVERLOAD_LIMIT else None, bare)
    if bare.upper().lstrip("+-") in _OVERLOAD_WORDS:
        return Number(None, bare)
    raise GarbledReply(
        f"{instrument or 'The instrument'} answered {shown(text)}{f' to {command!r}' if command else ''}. "
        f"Expected one number, such as '+1.2E-03'. Check cable, terminator and baud rate, and that no other program "
        f"talks to it."
    )


@dataclass(frozen=True)
class QueuedError:
    """One entry of an instrument's error queue."""

    number: int
    text: str

    def __str__(self) -> str:
        return f'{self.number},"{self.text}"'


def parse_error(text: str, *, instrument: str = "") -> QueuedError | None:
    """Read one reply to SYSTem:ERRor?; None when the queue is empty.

    Raises
    ------
    GarbledReply
        If it is not a number, a comma and a quoted text.

    Examples
    --------
    >>> str(parse_error('-113,"Undefined header"'))
    '-113,"Undefined header"'
    >>> parse_error('+0,"No error"') is None
    True
    """
    found = _ERROR.fullmatch(text.strip())
    if found is None:
        raise GarbledReply(
            f"{instrument or 'The instrument'} answered {shown(text)} when asked for its errors. "
            f"Expected a number and a text, such as '0,\"No error\"'. Check cable and terminator, or write the command "
            f"it uses as override 'error'."
        )
    number = int(found[1])
    return None if number == 0 else QueuedError(number, found[2].replace('""', '"'))


def parse_identity(text: str, *, instrument: str = "") -> str:
    """The reply to *IDN?, checked as far as instruments agree: one line, printable, and no answer to another question.

    >>> parse_identity(" Maker,Model,0,1.0 ")
    'Maker,Model,0,1.0'
    """
    bare = text.strip()
    is_data = _NUMBERS.fullmatch(bare) or _ERROR.fullmatch(bare) or bare.upper().lstrip("+-") in _DATA_WORDS
    if bare and bare.isprintable() and bare.isascii() and not is_data:
        return bare
    raise GarbledReply(
        f"{instrument or 'The instrument'} answered {shown(text)} when asked who it is. "
        f"Expected a line such as 'maker,model,serial,firmware'. Check baud rate and terminator, and that it is an "
        f"instrument."
    )


def shown(text: str, limit: int = 60) -> str:
    """A reply as a message quotes it: escapes visible, and not too long.

    >>> shown("12\\r")
    "'12\\\\r'"
    """
    return repr(text if len(text) <= limit else text[:limit] + "...")


ERROR_TEXTS: dict[int, str] = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -130: "Suffix error",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -140: "Character data error",
    -141: "Invalid character data",
    -148: "Character data not allowed",
    -150: "String data error",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -200: "Execution error",
    -203: "Command protected",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -220: "Parameter error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -231: "Data questionable",
    -240: "Hardware error",
    -241: "Hardware missing",
    -300: "Device-specific error",
    -310: "System error",
    -313: "Calibration memory lost",
    -315: "Configuration memory lost",
    -330: "Self-test failed",
    -340: "Calibration failed",
    -350: "Queue overflow",
    -360: "Communication error",
    -361: "Parity error in program message",
    -362: "Framing error in program message",
    -363: "Input buffer overrun",
    -365: "Time out error",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}
"""Numbers and texts of SCPI-1999, volume 2, chapter 21.8 (read at second hand, in two public sources)."""


def event_bit(number: int) -> int:
    """The bit of the event status register that an error of this number sets (SCPI-1999, 21.8); 0 for none.

    >>> [event_bit(n) for n in (-113, -222, -350, 531, -420, -500, -600, -700, -800, 0)]
    [32, 16, 8, 8, 4, 128, 64, 2, 1, 0]
    """
    if number > 0:
        return 8
    classes = {1: 32, 2: 16, 3: 8, 4: 4, 5: 128, 6: 64, 7: 2, 8: 1}
    return classes.get(-number // 100, 0)
