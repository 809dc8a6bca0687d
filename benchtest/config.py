"""Files that people write: TOML text to a checked model, with all faults at once.

Every fault says the file, the line, the key, what was found, what was expected and what to do. The models (bench file,
amplifier file, published sets) say what is expected of each key; the reading and the wording are here, once.

Rules that every later change must keep:

* No key is ignored. One that is not known is a fault, with the nearest known one named.
* NaN, infinity, a number in quotes and true/false in place of a number are refused.
* Checks between keys (``CrossCheck``) look at the raw data, so that they also speak when other keys are wrong.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
import typing
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from benchtest.errors import FileError
from benchtest.toml_lines import Path, key_lines

MAX_SYNTAX_FAULTS = 50


class FileModel(BaseModel):
    """Base of every section of a file that people write: strict, frozen, no unknown keys, finite numbers only."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


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


CrossCheck = Callable[[Mapping[str, Any]], Iterable[KeyFault]]


class FaultyFile(FileError):
    """A file with faults; ``faults`` holds them all, in the order of their lines."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(sorted(faults, key=lambda fault: (fault.line or 0, fault.key)))
        super().__init__("\n".join(str(fault) for fault in self.faults))


M = TypeVar("M", bound=BaseModel)


def read_text(path: FilePath, *, what: str) -> str:
    """The text of a file that a person wrote. ``what`` is its kind in words, such as "bench file".

    Raises
    ------
    FileError
        If there is none, it cannot be read or is not UTF-8; the message lists the files that could be meant.
    """
    try:
        return FilePath(path).read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise FileError(f"{path}: no such {what}. Expected a TOML file. {_candidates(FilePath(path))}") from error
    except UnicodeDecodeError as error:
        raise FileError(
            f"{path}: byte {error.start} is not UTF-8 text. Expected a TOML file in UTF-8. "
            "Save it again as UTF-8 in the editor."
        ) from error
    except OSError as error:
        raise FileError(
            f"{path}: cannot be read ({error.strerror or error}). Expected a {what}, a TOML file. "
            "Check the name and who may read it."
        ) from error


def model_from_text(text: str, model: type[M], *, name: str, cross_check: CrossCheck | None = None) -> M:
    """Check TOML text against a model.

    Parameters
    ----------
    text : str
        What the file holds.
    model : type
        A ``FileModel`` whose fields are the sections.
    name : str
        The file's name, for messages.
    cross_check : callable, optional
        Gets the raw data and yields what is wrong between keys.

    Raises
    ------
    FaultyFile
        With every fault that was found.
    """
    data, faults, broken_keys, readable = _parsed(text, name)
    if data is None:
        raise FaultyFile(faults)
    lines = key_lines(readable)
    found: M | None = None
    try:
        found = model.model_validate(_tuples(data))
    except ValidationError as error:
        faults += _model_faults(error, model, data, lines, name, broken_keys)
    if cross_check is not None:
        already = {(fault.line, fault.key) for fault in faults}
        for each in cross_check(data):
            fault = _key_fault(each, data, lines, name)
            if (fault.line, fault.key) not in already:
                faults.append(fault)
    if faults or found is None:
        raise FaultyFile(faults)
    return found


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


# ---------------------------------------------------------------------------------------------------- reading the text


def _parsed(text: str, name: str) -> tuple[dict[str, Any] | None, list[Fault], set[str], str]:
    """The data, the faults of syntax, the keys left out because of them, and the text without their lines.

    The standard reader stops at the first fault, so a faulty line is blanked and the rest read again. Where the fault
    is in a header or goes over several lines, what follows would be misread: data is then None.
    """
    rows = text.replace("\r\n", "\n").split("\n")
    faults: list[Fault] = []
    broken: set[str] = set()
    while True:
        readable = "\n".join(rows)
        try:
            return tomllib.loads(readable), faults, broken, readable
        except tomllib.TOMLDecodeError as error:
            at = re.search(r"\(at line (\d+), column \d+\)", str(error))
            line = int(at.group(1)) if at else len(rows)
            row = rows[line - 1] if 0 < line <= len(rows) else ""
            faults.append(_syntax_fault(str(error), row, line, name))
            pair = re.match(r"\s*([\w.-]+|\"[^\"]*\")\s*=", row)
            if at is None or pair is None or len(faults) >= MAX_SYNTAX_FAULTS:
                return None, faults, broken, readable
            broken.add(pair.group(1).strip('"'))
            rows[line - 1] = ""


def _syntax_fault(message: str, row: str, line: int, name: str) -> Fault:
    text = row.strip()
    message = re.sub(r"\s*\(at .*\)$", "", message)
    expected, remedy = f"TOML, and its reader says: {message}", "Write key = value, [section] or # comment on a line."
    value = text.partition("=")[2].strip()
    if re.match(r"[+-]?\d+,\d", value):
        expected, remedy = "a number with a decimal point", "Write 8.2 and not 8,2."
    elif re.match(r"[+-]?\d+(\.\d+)?\s*[A-Za-zµΩ%]", value):
        expected, remedy = "a number without its unit", "The unit stands in the key's name; write the number alone."
    elif re.match(r"[+-]?(NaN|NAN|Inf|INF|Infinity|infinity|None|null)\b", value):
        expected, remedy = "a finite number", "Write the number, or leave the key out where it is not known."
    elif re.match(r"(True|TRUE|False|FALSE|yes|no|on|off)\b", value):
        expected, remedy = "true or false in small letters", "Write true or false."
    elif value and re.match(r"[A-Za-z/]", value):
        expected, remedy = "text in quotes, a number, true or false", f'Put the text in quotes: "{value}".'
    elif not value and "=" in text:
        expected, remedy = "a value after the equals sign", "Write the value, or leave the key out."
    elif "overwrite" in message:
        expected, remedy = "each key once in a section", "Delete one of the two lines."
    elif "declare" in message or "twice" in message:
        expected, remedy = "each section once", "Put the keys of both sections under one header."
    return Fault(name, line, "", f"'{text}' cannot be read" if text else "the file cannot be read", expected, remedy)


def _candidates(path: FilePath) -> str:
    folder = path.parent if path.parent.is_dir() else FilePath(".")
    there = sorted(each.name for each in folder.glob("*.toml"))
    meant = nearest(path.name, there)
    if meant:
        return f"Did you mean {folder / meant}?"
    return f"TOML files in {folder}: {', '.join(there)}." if there else f"There is no TOML file in {folder}."


def _tuples(value: Any) -> Any:
    """Lists as tuples: frozen models hold tuples, and strict checking takes no list for one."""
    if isinstance(value, list):
        return tuple(_tuples(each) for each in value)
    if isinstance(value, dict):
        return {key: _tuples(each) for key, each in value.items()}
    return value


# ------------------------------------------------------------------------------------------------- wording the faults


def _model_faults(
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


def _key_fault(each: KeyFault, data: Mapping[str, Any], lines: Mapping[Path, int], name: str) -> Fault:
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
