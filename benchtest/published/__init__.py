"""Published requirement sets and test conditions, and the defaults of the bench, as data files beside this one.

One TOML file a set. ``[set]`` says what it is and how far to trust it, ``[[limits]]`` what it requires (rows as in an
amplifier file), ``[[conditions]]`` under which conditions a figure must be taken to be quoted by that method. Each row
has its source and how that source was read; "from memory" is shown with that mark wherever the value is.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache
from importlib import resources
from typing import Annotated, Any

from pydantic import Field

from benchtest.amplifier_checks import limits_faults, where_faults
from benchtest.amplifier_file import LimitRow
from benchtest.config import FileModel, KeyFault, Says, model_from_text, nearest
from benchtest.errors import FileError

__all__ = ["CONFIDENCES", "DEFAULTS", "MethodCondition", "RequirementSet", "SetSection", "names", "requirement_set"]

DEFAULTS = "defaults-at-the-bench"
"""The set that judges where an amplifier file says nothing."""

CONFIDENCES: tuple[str, ...] = (
    "read at source", "read at secondary", "two secondary sources agree", "from memory", "computed",
    "common practice, no source", "judgement, no source",
)  # fmt: skip
"""How a value was read, best first. "judgement" is ours: no table says it."""


class SetSection(FileModel):
    """[set]: what this set is."""

    name: Annotated[str, Field(min_length=1)]
    title: str
    about: str
    in_force: str = ""


class MethodCondition(FileModel):
    """[[conditions]]: one condition of a method, for one figure or (quantity "") for all of its figures.

    ``where`` is what a reading must state to have met it; empty where the tool cannot tell. ``instead`` says what is
    done here where it is not met. A condition that is not ``decisive`` moves a figure little, or in a known way.
    """

    quantity: str = ""
    item: Annotated[str, Field(min_length=1)]
    words: Annotated[str, Field(min_length=1)]
    where: dict[str, Any] = Field(default_factory=dict)
    instead: str = ""
    decisive: bool = True
    source: Annotated[str, Field(min_length=1)]
    confidence: Annotated[str, Field(min_length=1)]


class RequirementSet(FileModel):
    """A whole set."""

    set: SetSection
    limits: tuple[LimitRow, ...] = ()
    conditions: Annotated[
        tuple[MethodCondition, ...], Says("sections [[conditions]]", "Write the header in double brackets.")
    ] = ()


@cache
def requirement_set(name: str) -> RequirementSet:
    """A set by its name.

    Raises
    ------
    FileError
        If there is none of that name; the message lists them.

    Examples
    --------
    >>> requirement_set("defaults-at-the-bench").set.name
    'defaults-at-the-bench'
    """
    file = _files().get(name)
    if file is None:
        near = nearest(name, names())
        hint = f"Did you mean {near}?" if near else "Choose one of them."
        raise FileError(f"no requirement set is called '{name}'. Expected one of {', '.join(names())}. {hint}")
    text = (resources.files(__package__) / file).read_text(encoding="utf-8")
    return model_from_text(text, RequirementSet, name=file, cross_check=_between_keys)


def names() -> tuple[str, ...]:
    """The names of all sets, the defaults included."""
    return tuple(sorted(_files()))


@cache
def _files() -> dict[str, str]:
    """Set name to file name: hifi_din45500.toml holds the set hifi-din45500."""
    there = (each.name for each in resources.files(__package__).iterdir())
    return {file.removesuffix(".toml").replace("_", "-"): file for file in there if file.endswith(".toml")}


def _between_keys(data: Mapping[str, Any]) -> Iterator[KeyFault]:
    yield from limits_faults(data.get("limits"), "limits")
    for header in ("limits", "conditions"):
        rows = data.get(header)
        for i, row in enumerate(rows if isinstance(rows, list) else []):
            if header == "conditions":
                yield from where_faults(row.get("where"), (header, i, "where"))
            if row.get("confidence") not in CONFIDENCES:
                yield KeyFault(
                    (header, i, "confidence"), f"one of {', '.join(CONFIDENCES)}", "Say how the source was read."
                )
            if not row.get("source"):
                yield KeyFault((header, i, "source"), "where the value comes from", "Name the source.")
