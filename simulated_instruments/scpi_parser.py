"""SCPI as an instrument reads it: messages, headers, parameters, and the tree of commands. Pure and strict.

After SCPI-1999 volume 1 and IEEE 488.2: short and long forms and nothing between, optional nodes, ``;`` keeping the
branch and ``;:`` leaving it, MIN/MAX/DEF, suffixes. Whatever is wrong raises `ScpiError` with the number that the
standard gives it; nothing is guessed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from benchtest.instruments.scpi import ERROR_TEXTS

Handler = Callable[[Any, "list[Parameter]"], "str | None"]

MNEMONIC_LENGTH = 12
_HEADER = re.compile(r"(\*[A-Za-z]+|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\??)")
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))(?:\s*[eE]\s*([+-]?\d+))?\s*([A-Za-z][A-Za-z0-9./]*)?")
_BASES = {"H": 16, "Q": 8, "B": 2}


class ScpiError(Exception):
    """An error for the instrument's queue; the number says which."""

    def __init__(self, number: int) -> None:
        super().__init__(f'{number},"{ERROR_TEXTS[number]}"')
        self.number = number


@dataclass(frozen=True)
class Parameter:
    """One parameter: kind is "number", "string" or "word"; suffix belongs to a number."""

    kind: str
    text: str
    value: float = 0.0
    suffix: str = ""


@dataclass(frozen=True)
class Unit:
    """One program message unit: header without the question mark, and its parameters."""

    header: str
    query: bool
    parameters: list[Parameter]


def is_keyword(text: str, pattern: str) -> bool:
    """Whether text is the short or the long form of a keyword such as "MAXimum", in any letter case.

    >>> [is_keyword(t, "VOLTage") for t in ("volt", "VOLTAGE", "volta")]
    [True, True, False]
    """
    upper = text.upper()
    return upper in (pattern.upper(), short_form(pattern))


def short_form(pattern: str) -> str:
    """The capitals of a keyword: "VOLTage" -> "VOLT"."""
    return "".join(letter for letter in pattern if not letter.islower())


def split_outside_quotes(text: str, separator: str) -> list[str]:
    """Split at a separator that is not inside single or double quotes.

    >>> split_outside_quotes('FUNC "A;B";READ?', ";")
    ['FUNC "A;B"', 'READ?']
    """
    if '"' not in text and "'" not in text:
        return text.split(separator)
    parts, start, quote = [], 0, ""
    for position, letter in enumerate(text):
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter == separator:
            parts.append(text[start:position])
            start = position + 1
    if quote:
        raise ScpiError(-151)
    return [*parts, text[start:]]


def parse_unit(text: str) -> Unit:
    """Read one unit: header, white space, parameters.

    >>> parse_unit("VOLT:RANG 100 mV").parameters[0]
    Parameter(kind='number', text='100 mV', value=100.0, suffix='MV')
    """
    text = text.strip()
    if not text:
        raise ScpiError(-102)
    if not text.isprintable() or not text.isascii():
        raise ScpiError(-101)
    found = _HEADER.match(text)
    if found is None:
        raise ScpiError(-102 if text[0] in ":*?,;" else -101)
    header, mark = found.groups()
    rest = text[found.end() :]
    if rest and not rest[0].isspace():
        raise ScpiError(-102 if rest.startswith((":", "?", "*")) else -103 if rest[0] in ",\"'" else -101)
    for mnemonic in header.lstrip("*:").split(":"):
        if len(mnemonic) > MNEMONIC_LENGTH:
            raise ScpiError(-112)
    rest = rest.strip()
    parameters = [parse_parameter(part) for part in split_outside_quotes(rest, ",")] if rest else []
    return Unit(header, mark == "?", parameters)


def parse_parameter(text: str) -> Parameter:
    """Read one parameter: a number with or without a suffix, a quoted string, or a word."""
    text = text.strip()
    if not text:
        raise ScpiError(-102)
    first = text[0]
    if first in "\"'":
        if len(text) < 2 or text[-1] != first:
            raise ScpiError(-151)
        return Parameter("string", text[1:-1].replace(first * 2, first))
    if first == "#":
        base = _BASES.get(text[1:2].upper())
        try:
            return Parameter("number", text, float(int(text[2:], base or 0)) if base else float("nan"))
        except ValueError:
            raise ScpiError(-121) from None
    if first in "+-.0123456789":
        found = _NUMBER.fullmatch(text)
        if found is None:
            raise ScpiError(-121)
        mantissa, exponent, suffix = found.groups()
        if len(mantissa) > 255:
            raise ScpiError(-124)
        if exponent and abs(int(exponent)) > 32000:
            raise ScpiError(-123)
        return Parameter("number", text, float(f"{mantissa}e{exponent or 0}"), (suffix or "").upper())
    if re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", text):
        if len(text) > MNEMONIC_LENGTH:
            raise ScpiError(-141)
        return Parameter("word", text)
    if re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*\s.*", text):
        raise ScpiError(-103)  # white space where a comma belongs
    raise ScpiError(-101)


def take(parameters: list[Parameter], least: int, most: int) -> list[Parameter | None]:
    """Exactly ``most`` parameters, the missing ones None, from the right. -109 for too few, -108 for too many."""
    if len(parameters) < least:
        raise ScpiError(-109)
    if len(parameters) > most:
        raise ScpiError(-108)
    return [*parameters, *[None] * (most - len(parameters))]


def number(
    parameter: Parameter, *, low: float, high: float, default: float, units: Mapping[str, float] | None = None
) -> float:
    """A numeric parameter with MIN, MAX and DEF. -222 outside low..high, -131 or -138 for a suffix, -224 for a word."""
    if parameter.kind == "string":
        raise ScpiError(-104)
    if parameter.kind == "word":
        for pattern, value in (("MINimum", low), ("MAXimum", high), ("DEFault", default)):
            if is_keyword(parameter.text, pattern):
                return value
        raise ScpiError(-224)
    value = parameter.value
    if parameter.suffix:
        if not units:
            raise ScpiError(-138)
        if parameter.suffix not in units:
            raise ScpiError(-131)
        value *= units[parameter.suffix]
    if not low <= value <= high:
        raise ScpiError(-222)
    return value


def boolean(parameter: Parameter) -> bool:
    """ON, OFF, or a number that is rounded: 0 is OFF."""
    if parameter.kind == "number":
        if parameter.suffix:
            raise ScpiError(-138)
        return round(parameter.value) != 0
    return word(parameter, "ON", "OFF") == "ON"


def word(parameter: Parameter, *patterns: str) -> str:
    """One keyword out of a list; returns its short form. -224 if it is not in the list, -104 if it is a string."""
    if parameter.kind == "number":
        raise ScpiError(-128)
    if parameter.kind == "string":
        raise ScpiError(-158)
    for pattern in patterns:
        if is_keyword(parameter.text, pattern):
            return short_form(pattern)
    raise ScpiError(-224)


def string(parameter: Parameter) -> str:
    """A quoted string. -128 or -148 for something else."""
    if parameter.kind != "string":
        raise ScpiError(-128 if parameter.kind == "number" else -148)
    return parameter.text


@dataclass
class _Node:
    children: dict[str, _Node] = field(default_factory=dict)
    set: Handler | None = None
    query: Handler | None = None


class CommandTree:
    """Headers to handlers. Patterns are written as in the standard: ``[SENSe:]VOLTage[:DC]:RANGe[:UPPer]?``.

    Examples
    --------
    >>> tree = CommandTree()
    >>> tree.add("MEASure:VOLTage[:DC]?", lambda meter, parameters: "1.0")
    >>> handler, branch = tree.find(parse_unit("meas:voltage?"), tree.root)
    >>> handler(None, [])
    '1.0'
    """

    def __init__(self) -> None:
        self.root = _Node()
        self._common: dict[str, Handler] = {}

    def add(self, pattern: str, handler: Handler) -> None:
        """Add one pattern; a trailing "?" makes it a query."""
        query = pattern.endswith("?")
        if pattern.startswith("*"):
            self._common[pattern.upper()] = handler
            return
        steps = [(bool(mark), name) for mark, name in re.findall(r"(\[?):?([A-Za-z]+):?\]?", pattern.rstrip("?"))]

        def insert(node: _Node, rest: list[tuple[bool, str]]) -> None:
            if not rest:
                if query:
                    node.query = handler
                else:
                    node.set = handler
                return
            (optional, name), after = rest[0], rest[1:]
            if optional:
                insert(node, after)
            child = node.children.get(name.upper()) or _Node()
            node.children[name.upper()] = node.children[short_form(name)] = child
            insert(child, after)

        insert(self.root, steps)

    def find(self, unit: Unit, branch: _Node) -> tuple[Handler, _Node]:
        """The handler of a unit, and the branch for the next one. -113 if there is none, -114 for a wrong suffix."""
        if unit.header.startswith("*"):
            handler = self._common.get(unit.header.upper() + ("?" if unit.query else ""))
            if handler is None:
                raise ScpiError(-113)
            return handler, branch
        absolute = unit.header.startswith(":")
        node = self.root if absolute else branch
        parent, suffix_wrong = node, False
        for mnemonic in unit.header.lstrip(":").upper().split(":"):
            name = mnemonic.rstrip("0123456789")
            suffix = mnemonic[len(name) :]
            if name not in node.children:
                raise ScpiError(-113)
            suffix_wrong = suffix_wrong or suffix not in ("", "1")
            parent, node = node, node.children[name]
        found = node.query if unit.query else node.set
        if found is None:
            raise ScpiError(-113)
        if suffix_wrong:
            raise ScpiError(-114)
        return found, parent
