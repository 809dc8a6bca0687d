"""Faults of a file that people write: where, what was found, what was expected, what to do; and how that is worded.

Pure. ``config`` reads the text and finds the faults; here they get their words, their line and the nearest known key.
"""

from __future__ import annotations

import difflib
import math
import re
import typing
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ValidationError

from benchtest.errors import FileError
from benchtest.toml_lines import Path


@dataclass(frozen=True)
class Says:
    """What a fault in this key says, and what stands beside it as a comment in a written file.

    Put it in the annotation: ``left_ohm: Annotated[float, Field(gt=0), Says("a resistance above 0 ohm", "Write ..")]``.
    """

    expected: str
    remedy: str
    comment: str = ""


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with a file."""

    file: str
    line: int | None
    key: str
    found: str
    expected: str
    remedy: str

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file}, line {self.line}"
        what = f"{self.key} {self.found}".strip()
        return f"{where}: {what}. Expected {self.expected}. {self.remedy}"


@dataclass(frozen=True)
class KeyFault:
    """What a check between keys found, before file and line are known. ``found`` None: the value itself is shown."""

    path: Path
    expected: str
    remedy: str
    found: str | None = None


class FaultyFile(FileError):
    """A file with faults; ``faults`` holds them all, in the order of their lines."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(sorted(faults, key=lambda fault: (fault.line or 0, fault.key)))
        super().__init__("\n".join(str(fault) for fault in self.faults))


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that was probably meant.

    >>> nearest("left_omh", ["left_ohm", "right_ohm"])
    'left_ohm'
    """
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return close[0] if close else None


def as_toml(value: Any) -> str:
    """A value as it is written in TOML.

    >>> as_toml((20.0, 20000.0)), as_toml("1 W"), as_toml(True)
    ('[20.0, 20000.0]', '"1 W"', 'true')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{"".join(_escaped(character) for character in value)}"'
    if isinstance(value, int | float):
        return str(value) if isinstance(value, int) else repr(float(value))
    if isinstance(value, Mapping):
        inside = ", ".join(f"{_toml_key(k)} = {as_toml(v)}" for k, v in value.items())
        return f"{{{inside}}}" if not inside else f"{{ {inside} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(as_toml(each) for each in value)}]"
    return str(value)


def _escaped(character: str) -> str:
    if character in '"\\':
        return "\\" + character
    if ord(character) < 0x20 or ord(character) == 0x7F:
        return f"\\u{ord(character):04x}"
    return character


def _toml_key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else as_toml(key)


def model_faults(
    error: ValidationError,
    model: type[BaseModel],
    data: Mapping[str, Any],
    lines: Mapping[Path, int],
    name: str,
    broken_keys: set[str],
) -> list[Fault]:
    details = error.errors(include_url=False, include_context=True)
    meant = set()
    for each in details:
        if each["type"] == "extra_forbidden":
            siblings = _keys_beside(model, each["loc"])
            near = nearest(str(each["loc"][-1]), siblings)
            if near:
                meant.add((*each["loc"][:-1], near))
    faults = []
    for each in details:
        path = tuple(each["loc"])
        if each["type"] == "missing" and (path in meant or str(path[-1]) in broken_keys):
            continue  # the misspelt or unreadable key has its own fault already
        faults.append(_model_fault(each["type"], path, each["msg"], model, data, lines, name))
    return faults


def _model_fault(
    kind: str,
    path: Path,
    message: str,
    model: type[BaseModel],
    data: Mapping[str, Any],
    lines: Mapping[Path, int],
    name: str,
) -> Fault:
    line = _line_of(path, lines)
    key = key_in_words(path, data)
    says = _says(model, path)
    value = _value_at(data, path)
    if kind == "extra_forbidden":
        known = _keys_beside(model, path)
        return Fault(name, line, key, "is not known", _known_keys(known, path), _unknown_remedy(model, path, known))
    if kind == "missing":
        expected = says.expected if says else "a value"
        return Fault(name, line, key, "is missing", expected, says.remedy if says else f"Add it: {_example(path)}")
    found = f"= {as_toml(value)}" if not isinstance(value, Mapping) else "is a section"
    expected, remedy = _wrong_value(kind, value, message, says)
    return Fault(name, line, key, found, expected, remedy)


def _wrong_value(kind: str, value: Any, message: str, says: Says | None) -> tuple[str, str]:
    expected = says.expected if says else _lower_first(message.removeprefix("Input should be "))
    remedy = says.remedy if says else "Change the value."
    if kind in ("float_type", "int_type") and isinstance(value, str):
        number = re.fullmatch(r"\s*([+-]?\d[\d.eE+-]*)\s*\S*\s*", value)
        remedy = f"Write it without quotes: {number.group(1)}." if number else remedy
        expected = f"a number without quotes, {expected}"
    elif kind in ("float_type", "int_type") and isinstance(value, bool):
        expected = f"a number, not true or false: {expected}"
    elif kind == "int_type" and isinstance(value, float):
        expected = f"a whole number without a decimal point: {expected}"
    elif kind == "finite_number" or (isinstance(value, float) and not math.isfinite(value)):
        expected = f"a finite number: {expected}"
    elif kind == "string_type":
        expected, remedy = f"text in quotes: {expected}", f'Put it in quotes: "{as_toml(value)}".'
    elif kind == "bool_type":
        expected, remedy = f"true or false: {expected}" if says else "true or false", "Write true or false, no quotes."
    elif kind in ("model_type", "dict_type", "model_attributes_type"):
        expected, remedy = "a section", "Write it as a section of its own with a header in brackets."
    elif kind in ("literal_error", "enum") and isinstance(value, str):
        near = nearest(value, re.findall(r"'([^']*)'", message))
        remedy = f'Did you mean "{near}"?' if near else remedy
        if not says:
            expected = message.removeprefix("Input should be ").replace("'", '"')
    elif kind == "tuple_type" and says is None:
        expected = "a list in brackets, or sections with a header in double brackets"
    return expected, remedy


def key_fault(each: KeyFault, data: Mapping[str, Any], lines: Mapping[Path, int], name: str) -> Fault:
    value = _value_at(data, each.path)
    found = each.found
    if found is None:
        found = f"= {as_toml(value)}" if value is not None else "is missing"
    return Fault(name, _line_of(each.path, lines), key_in_words(each.path, data), found, each.expected, each.remedy)


def key_in_words(path: Path, data: Mapping[str, Any]) -> str:
    """A path as a person finds it in the file.

    >>> key_in_words(("load", "left_ohm"), {"load": {}})
    '[load] left_ohm'
    >>> key_in_words(("dmm", 1, "accuracy", 0, "range"), {"dmm": [{}, {}]})
    '[[dmm]] number 2, accuracy row 1, range'
    """
    if not path:
        return "the file"
    top = path[0]
    rest = list(path[1:])
    if len(path) == 1:
        value = data.get(str(top))
        if value is None or isinstance(value, Mapping):
            return f"[{top}]"
        return f"[[{top}]]" if isinstance(value, list) and all(isinstance(v, Mapping) for v in value) else str(top)
    if isinstance(rest[0], int):
        words, separator = f"[[{top}]] number {rest[0] + 1}", ", "
        rest = rest[1:]
    else:
        words, separator = f"[{top}]", " "
    parts: list[str] = []
    for each in rest:
        if isinstance(each, int) and parts:
            parts[-1] += f" row {each + 1}"
        else:
            parts.append(str(each))
    return words + separator + ", ".join(parts) if parts else words


def _known_keys(known: list[str], path: Path) -> str:
    what = "one of the sections" if len(path) == 1 else "one of"
    return f"{what} {', '.join(known)}" if known else "no key here"


def _unknown_remedy(model: type[BaseModel], path: Path, known: list[str]) -> str:
    word = str(path[-1])
    near = nearest(word, known)
    if near:
        return f"Did you mean {near}?"
    homes = [section for section, field in model.model_fields.items() if word in _fields_of(field.annotation)]
    if homes and len(path) > 1:
        return f"It belongs in [{homes[0]}]."
    return "Delete it, or put # before it."


def _example(path: Path) -> str:
    return f"[{path[0]}]" if len(path) == 1 else f"{path[-1]} = ..."


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]


# ------------------------------------------------------------------------------------------- finding things by a path


def _line_of(path: Path, lines: Mapping[Path, int]) -> int | None:
    """The line of the key, or of the nearest thing around it that has one; line 1 for what is not there at all."""
    for end in range(len(path), 0, -1):
        if path[:end] in lines:
            return lines[path[:end]]
    return 1


def _value_at(data: Any, path: Path) -> Any:
    for step in path:
        try:
            data = data[step]
        except (KeyError, IndexError, TypeError):
            return None
    return data


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    """The models inside an annotation such as ``tuple[DmmSection, ...]`` or ``AudioSection | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [found for each in typing.get_args(annotation) for found in _models_in(each)]


def _fields_of(annotation: Any) -> list[str]:
    return [name for model in _models_in(annotation) for name in model.model_fields]


def _says(model: type[BaseModel], path: Path) -> Says | None:
    """What the model says about the key at ``path``; of a row in it, what is said about the whole."""
    here: type[BaseModel] | None = model
    found: Says | None = None
    for step in path:
        if isinstance(step, int):
            continue
        if here is None or step not in here.model_fields:
            break
        field = here.model_fields[step]
        found = next((each for each in field.metadata if isinstance(each, Says)), None)
        inside = _models_in(field.annotation)
        here = inside[0] if inside else None
    return found


def _keys_beside(model: type[BaseModel], path: Path) -> list[str]:
    here = model
    for step in path[:-1]:
        if isinstance(step, int):
            continue
        inside = _models_in(here.model_fields[step].annotation) if step in here.model_fields else []
        if not inside:
            return []
        here = inside[0]
    return list(here.model_fields)
