"""Files that people write: TOML text to a checked model, with all faults at once.

Every fault says the file, the line, the key, what was found, what was expected and what to do. The models (bench file,
amplifier file, published sets) say what is expected of each key; the reading and the wording are here, once.

Rules that every later change must keep:

* No key is ignored. One that is not known is a fault, with the nearest known one named.
* NaN, infinity, a number in quotes and true/false in place of a number are refused.
* Checks between keys (``CrossCheck``) look at the raw data, so that they also speak when other keys are wrong.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path as FilePath
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from benchtest.errors import FileError
from benchtest.file_faults import Fault, FaultyFile, KeyFault, Says, as_toml, key_fault, model_faults, nearest
from benchtest.toml_lines import key_lines

__all__ = [
    "CrossCheck", "Fault", "FaultyFile", "FileModel", "KeyFault", "Says", "as_toml", "model_from_text", "nearest",
    "read_text",
]  # fmt: skip

MAX_SYNTAX_FAULTS = 50


class FileModel(BaseModel):
    """Base of every section of a file that people write: strict, frozen, no unknown keys, finite numbers only."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


CrossCheck = Callable[[Mapping[str, Any]], Iterable[KeyFault]]


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
        faults += model_faults(error, model, data, lines, name, broken_keys)
    if cross_check is not None:
        already = {(fault.line, fault.key) for fault in faults}
        for each in cross_check(data):
            fault = key_fault(each, data, lines, name)
            if (fault.line, fault.key) not in already:
                faults.append(fault)
    if faults or found is None:
        raise FaultyFile(faults)
    return found


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
