"""What the diagnosis knows: causes, symptoms and likelihoods, read from three data files that a technician can extend."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from benchtest.diagnosis.features import CHANNELS
from benchtest.errors import FileError

FloatArray = np.ndarray[Any, np.dtype[np.float64]]

HEALTHY = "healthy"
UNNAMED = "not-named"
ROLES = ("this", "other", "both", "set")
HOW_OFTEN = {
    "without exception": 0.9999,
    "always": 0.97,
    "usually": 0.85,
    "often": 0.65,
    "sometimes": 0.35,
    "seldom": 0.12,
    "never": 0.02,
}
"""Words of causes.toml -> probability; what "usually" is worth is common practice, no source."""


def role_of(feature_channel: str, hypothesis_channel: str) -> str:
    """In which role a feature's channel stands for a cause in a channel.

    >>> role_of("left", "left"), role_of("right", "left"), role_of("left", "both"), role_of("none", "left")
    ('this', 'other', 'both', 'set')
    """
    if feature_channel == "none":
        return "set"
    if hypothesis_channel in CHANNELS:
        return "this" if feature_channel == hypothesis_channel else "other"
    return "both"


@dataclass(frozen=True)
class Group:
    """Causes that look alike at the terminals, and what tells them apart."""

    name: str
    words: str
    separate: str
    separators: tuple[str, ...] = ()
    """Symptoms that tell its members apart; with any, all others count for the group as a whole."""


@dataclass(frozen=True)
class CauseEntry:
    """One cause as causes.toml describes it. share: how common beside the others, 1 as most."""

    name: str
    words: str
    group: str
    channels: str
    where: str
    share: float
    confirm: str
    caution: str
    provenance: str
    shows: tuple[Mapping[str, Any], ...] = ()

    @property
    def group_name(self) -> str:
        """Its group, or its own name where nothing else looks like it."""
        return self.group or self.name


@dataclass(frozen=True)
class Symptom:
    """A feature in words; cuts are the bounds between its levels, weight is how much it counts (0 to 1)."""

    name: str
    words: str
    unit: str
    cost: float
    danger: int
    of_set: bool
    cuts: tuple[float, ...] = ()
    weight: float = 0.0
    by_hand: bool = False
    """Its weight was written by a person in symptoms.toml: the tuning leaves it alone."""
    written: tuple[float, ...] = ()
    """The cuts that a person wrote in symptoms.toml; the tuning keeps to them."""

    def level(self, value: float) -> int:
        """Which level a value is in: 0 below the first cut."""
        return int(np.searchsorted(np.asarray(self.cuts), value, side="right"))


@dataclass(frozen=True)
class Knowledge:
    """Everything that is known. tables: (cause, role, symptom) -> log probability of each level; where an entry is
    absent, the cause does not touch that symptom and ``normal`` holds."""

    causes: Mapping[str, CauseEntry]
    groups: Mapping[str, Group]
    symptoms: Mapping[str, Symptom]
    normal: Mapping[str, FloatArray]
    tables: Mapping[tuple[str, str, str], FloatArray]
    healthy_share: float
    unnamed_share: float
    provenance: str = ""
    hypotheses: tuple[tuple[str, str], ...] = field(default=())
    """(cause, channel): what is weighed. channel is left, right or both; healthy and not-named: none."""
    _speaks: dict[tuple[str, str], tuple[FloatArray, FloatArray]] = field(
        init=False, repr=False, compare=False, default_factory=dict
    )

    def weight(self, cause: str, symptom: str) -> float:
        """How much a symptom counts for a cause: fully where it tells the members of its group apart."""
        entry = self.causes.get(cause)
        if entry is not None and entry.group and symptom in self.groups[entry.group].separators:
            return 1.0
        return self.symptoms[symptom].weight

    def speaks(self, symptom: str, side: str) -> tuple[FloatArray, FloatArray] | None:
        """Of every hypothesis: the log of how much likelier than in a healthy set each level of a symptom on a side is,
        (hypotheses, levels), and how much the symptom counts for it, (hypotheses,). None for a symptom without a normal."""
        normal = self.normal.get(symptom)
        if normal is None or symptom not in self.symptoms:
            return None
        if (symptom, side) not in self._speaks:
            tables = [self.tables.get((cause, role_of(side, channel), symptom)) for cause, channel in self.hypotheses]
            alone = np.array([np.zeros_like(normal) if table is None else table - normal for table in tables])
            self._speaks[symptom, side] = alone, np.array([self.weight(cause, symptom) for cause, _ in self.hypotheses])
        return self._speaks[symptom, side]

    def log_prior(self) -> FloatArray:
        """Of each hypothesis."""
        shares = []
        named = sum(c.share for c in self.causes.values())
        left = 1.0 - self.healthy_share - self.unnamed_share
        for cause, channel in self.hypotheses:
            if cause == HEALTHY:
                shares.append(self.healthy_share)
            elif cause == UNNAMED:
                shares.append(self.unnamed_share / 3.0)
            else:
                share = left * self.causes[cause].share / named
                shares.append(share / (1.0 if channel == "both" else 2.0))
        return _logs(np.asarray(shares, dtype=np.float64))


@cache
def shipped() -> Knowledge:
    """The knowledge that is shipped. Raises FileError where a data file is wrong."""
    return build(_read("causes"), _read("symptoms"), _read("likelihoods"))


def _read(name: str) -> dict[str, Any]:
    file = resources.files("benchtest.published") / "diagnosis" / f"{name}.toml"
    if not file.is_file():
        return {}
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise FileError(f"{file}: {error}. Correct that line; the file's head says what may stand there.") from error


def build(causes: Mapping[str, Any], symptoms: Mapping[str, Any], likelihoods: Mapping[str, Any]) -> Knowledge:
    """Put the three files together.

    Raises
    ------
    FileError
        Where a cause names a group or symptom that does not exist, or lacks its words.
    """
    groups = {
        g["name"]: Group(g["name"], g["words"], g["separate"], tuple(g.get("separators", ())))
        for g in causes.get("groups", ())
    }
    entries = {}
    for i, raw in enumerate(causes.get("causes", ()), 1):
        missing = [key for key in ("name", "words", "channels", "confirm", "provenance") if not raw.get(key)]
        if missing:
            raise FileError(f"causes.toml: cause {i} lacks {', '.join(missing)}. The file's head says what they are.")
        if raw["channels"] not in ("one", "both"):
            raise FileError(f'causes.toml: {raw["name"]} has channels = "{raw["channels"]}". Expected "one" or "both".')
        if raw.get("group") and raw["group"] not in groups:
            raise FileError(
                f"causes.toml: {raw['name']} is in the group '{raw['group']}', which does not exist. "
                f"Groups: {', '.join(groups)}."
            )
        entries[raw["name"]] = CauseEntry(
            raw["name"], raw["words"], raw.get("group", ""), raw["channels"], raw.get("where", "amplifier"),
            float(raw.get("share", 1.0)), raw["confirm"], raw.get("caution", ""), raw["provenance"],
            tuple(raw.get("shows", ())),
        )  # fmt: skip
    cuts, weights = likelihoods.get("cuts", {}), likelihoods.get("weights", {})
    known = {
        name: Symptom(
            name, raw["words"], raw["unit"], float(raw["cost"]), int(raw["danger"]), part == "set",
            tuple(cuts.get(name, raw.get("cuts", ())) if "weight" not in raw else raw.get("cuts", ())),
            float(raw["weight"] if "weight" in raw else weights.get(name, 0.0)),
            "weight" in raw, tuple(raw.get("cuts", ())),
        )
        for part in ("channel", "set")
        for name, raw in symptoms.get(part, {}).items()
    }  # fmt: skip
    rows = {
        name: raw["normal"]
        for part in ("channel", "set")
        for name, raw in symptoms.get(part, {}).items()
        if "normal" in raw
    }
    rows = likelihoods.get("normal", {}) | rows
    normal = {name: _log(row) for name, row in rows.items() if name in known}
    tables = dict(_tables(likelihoods.get("shows", {}), known))
    for entry in entries.values():
        tables.update(_written(entry, known, normal))
    hypotheses = [(HEALTHY, "none")]
    for entry in entries.values():
        hypotheses += [(entry.name, c) for c in (("both",) if entry.channels == "both" else ("left", "right"))]
    hypotheses += [(UNNAMED, c) for c in ("left", "right", "both")]
    return Knowledge(
        entries, groups, known, normal, tables, float(causes.get("healthy_share", 0.5)),
        float(causes.get("unnamed_share", 0.01)), str(likelihoods.get("provenance", "")), tuple(hypotheses),
    )  # fmt: skip


def _log(row: Sequence[float] | FloatArray) -> FloatArray:
    p = np.maximum(np.asarray(row, dtype=np.float64), 1e-4)
    return _logs(p / np.sum(p))


def _logs(p: FloatArray) -> FloatArray:
    found: FloatArray = np.log(p)
    return found


def _tables(
    shows: Mapping[str, Any], symptoms: Mapping[str, Symptom]
) -> Iterator[tuple[tuple[str, str, str], FloatArray]]:
    for cause, roles in shows.items():
        for role, rows in roles.items():
            for name, row in rows.items():
                if name in symptoms and len(row) == len(symptoms[name].cuts) + 1:
                    yield (cause, role, name), _log(row)


def _written(
    entry: CauseEntry, symptoms: Mapping[str, Symptom], normal: Mapping[str, FloatArray]
) -> Iterator[tuple[tuple[str, str, str], FloatArray]]:
    """What a technician wrote: the levels beyond the stated value share the stated probability, the others the rest."""
    for row in entry.shows:
        symptom = symptoms.get(row.get("symptom", ""))
        how = HOW_OFTEN.get(row.get("how", ""))
        role = row.get("side", "set" if symptom is not None and symptom.of_set else "this")
        if symptom is None or how is None or role not in ROLES or ("above" in row) == ("below" in row):
            raise FileError(
                f"causes.toml: {entry.name} shows {dict(row)}. Expected symptom (a name of symptoms.toml), side "
                f"({', '.join(ROLES)}), one of above and below, and how ({', '.join(HOW_OFTEN)})."
            )
        levels = len(symptom.cuts) + 1
        base = np.exp(normal.get(symptom.name, np.log(np.full(levels, 1.0 / levels))))
        edge = symptom.level(float(row["above"] if "above" in row else row["below"]))
        beyond = np.arange(levels) >= edge if "above" in row else np.arange(levels) <= edge
        if beyond.all() or not beyond.any():
            continue
        inside = np.where(beyond, 1.0 / np.sum(beyond), 0.0) * how
        yield (
            (entry.name, role, symptom.name),
            _log(inside + np.where(beyond, 0.0, base / base[~beyond].sum()) * (1 - how)),
        )
