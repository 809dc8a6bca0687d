"""Readings -> likely causes, each with its evidence and the next check to make.

It receives nothing but rows of readings.csv and the amplifier file, so it can be asked again years later, of an incomplete
run, or of values typed in by hand. What it knows is data: ``published/diagnosis/causes.toml`` (causes, groups, what to
check next: for people to extend), ``symptoms.toml`` (words), ``likelihoods.toml`` (computed from the model).

A probability is that of a single cause in the sets that come to a bench: half of them healthy, every fault about as
common as the next (common practice, no source). Causes that cannot be told apart at the terminals share theirs; the
first line of their evidence says so, and their next check is what separates them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from benchtest.amplifier_file import AmplifierSpec
from benchtest.diagnosis.belief import Features, Term, posterior, second_faults, terms
from benchtest.diagnosis.features import CHANNELS, Sheet, features
from benchtest.diagnosis.knowledge import HEALTHY, UNNAMED, Knowledge, role_of, shipped
from benchtest.diagnosis.rows import Row, Seen, seen
from benchtest.diagnosis.wording import against_words, for_words, reading_words
from benchtest.quantities import QUANTITIES

__all__ = ["Cause", "diagnose", "unmeasured", "weigh"]

LEAST = 0.02
"""Causes less likely than this are not listed."""
LEAST_BESIDE = 0.1
"""A second fault must be this likely: one that is suspected without reason costs a person an hour."""
MOST_LISTED = 6
NEEDED_FOR_HEALTHY = ("dc_offset", "gain", "noise", "output_power", "thd")
"""What must have been measured on both channels, the lamp out, before "healthy" may be said (common practice, no source)."""
LEAST_OF_FEW = 0.2
"""Where less than that was measured, a cause must be this likely: nothing else speaks for what the prior brought up."""
RULES_OUT = -3.0
"""What speaks so strongly against the rival is quoted even where it is only normal with the cause itself."""
MOST_FOR = 4
MOST_AGAINST = 2
HEALTHY_CHECK = "nothing more to look for here"
UNNAMED_CHECK = (
    "compare left with right at each stage; the first point where they differ is near the fault. Is it the bench? "
    "Exchange the leads left and right: a fault that follows the leads is the bench's"
)


@dataclass(frozen=True)
class Cause:
    """A likely cause. cause is the scenario's name where one exists, "healthy" where nothing is wrong."""

    cause: str
    channel: str
    probability: float
    evidence: tuple[str, ...]
    next_check: str

    def as_dict(self) -> dict[str, Any]:
        return {**asdict(self), "evidence": list(self.evidence)}


def diagnose(rows: Sequence[Row], amplifier: AmplifierSpec) -> list[Cause]:
    """Likely causes, the likeliest group first. [] where too little was measured to say anything; ``unmeasured`` says what."""
    known = shipped()
    readings = seen(rows)
    found = features(Sheet(readings, amplifier))
    weighed = weigh(found, known)
    if not weighed.told:
        return []
    heard = not _lacking(readings)
    listed: list[Cause] = []
    for group, channel in weighed.ranked:
        if group == HEALTHY and not heard:
            continue
        for cause, at, p in weighed.members[(group, channel)]:
            if p >= LEAST and len(listed) < MOST_LISTED:
                listed.append(_cause(cause, at, p, weighed, found, readings, known))
    if listed and listed[0].cause in known.causes:
        listed[1:1] = _beside(listed, weighed, found, readings, known)
        listed = listed[:MOST_LISTED]
    if not heard:
        listed = [c for c in listed if c.probability >= LEAST_OF_FEW]
    return listed


@dataclass(frozen=True)
class Weighed:
    """Belief after the readings: groups in their order, and the members of each with their probabilities."""

    probability: Mapping[tuple[str, str], float]
    """Of a group in a channel."""
    ranked: tuple[tuple[str, str], ...]
    members: Mapping[tuple[str, str], tuple[tuple[str, str, float], ...]]
    told: bool
    """Whether anything that was measured bears on any cause."""


def weigh(found: Features, known: Knowledge) -> Weighed:
    """Probabilities of groups and of their members, from features."""
    p = posterior(found, known)
    probability: dict[tuple[str, str], float] = {}
    members: dict[tuple[str, str], list[tuple[str, str, float]]] = {}
    for (cause, channel), share in zip(known.hypotheses, p, strict=True):
        entry = known.causes.get(cause)
        key = (entry.group_name, channel) if entry else (cause, "none")
        probability[key] = probability.get(key, 0.0) + float(share)
        members.setdefault(key, []).append((cause, channel, float(share)))
    ranked = tuple(sorted(probability, key=lambda key: -probability[key]))
    told = any(s.weight and (f.name in known.normal) for f in found.values() if (s := known.symptoms.get(f.name)))
    return Weighed(
        probability, ranked, {k: tuple(sorted(v, key=lambda m: -m[2])) for k, v in members.items()}, told
    )  # fmt: skip


def _beside(
    listed: Sequence[Cause], weighed: Weighed, found: Features, readings: Sequence[Seen], known: Knowledge
) -> list[Cause]:
    """A second fault beside the first one listed, where the readings show that too."""
    first = (listed[0].cause, listed[0].channel)
    ((cause, at), p) = second_faults(found, known, first)[0]
    if p < LEAST_BESIDE or any((one.cause, one.channel) == (cause, at) for one in listed):
        return []
    one = _cause(cause, at, p, weighed, found, readings, known)
    return [
        replace(one, evidence=(*one.evidence, "two faults at once: the first one does not explain all that was seen"))
    ]


def unmeasured(rows: Sequence[Row]) -> tuple[str, ...]:
    """What would have to be measured, on both channels, before anything can be called healthy; () where all was.

    Examples
    --------
    >>> unmeasured([{"quantity": "dc_offset", "channel": c, "value": 0.002, "unit": "V"} for c in ("left", "right")])
    ('gain', 'noise', 'output power', 'THD')
    """
    return _lacking(seen(rows))


def _lacking(readings: Sequence[Seen]) -> tuple[str, ...]:
    met = {(r.quantity, r.channel) for r in readings if r.value is not None and r.at() != "on the lamp"}
    return tuple(
        QUANTITIES[quantity].words
        for quantity in NEEDED_FOR_HEALTHY
        if not all((quantity, channel) in met for channel in CHANNELS)
    )


def _cause(
    cause: str, channel: str, p: float, weighed: Weighed, found: Features, readings: Sequence[Seen], known: Knowledge
) -> Cause:
    entry = known.causes.get(cause)
    if entry is None:
        failed = tuple(reading_words(r) for r in readings if r.verdict == "fail")[:4]
        if cause == HEALTHY:
            met = sum(r.verdict in ("pass", "noted") for r in readings)
            first = "every limit that was judged is met" if not failed else "what failed fits none of the faults better"
            return Cause(HEALTHY, "none", round(p, 4), (f"{first} ({met} readings)", *failed), HEALTHY_CHECK)
        evidence = failed or ("the readings fit none of the faults that are known",)
        return Cause(UNNAMED, channel, round(p, 4), evidence, UNNAMED_CHECK)
    key = (entry.group_name, channel)
    like = [m for m in weighed.members[key] if m[0] != cause]
    lines: list[str] = []
    check = entry.confirm
    if entry.group and like:
        others = " or ".join(known.causes[m[0]].words for m in like if m[2] > 0.1 * p)
        if others:
            lines.append(
                f"looks the same at the terminals as: {others}; together {100 * weighed.probability[key]:.0f} %"
            )
            check = f"{known.groups[entry.group].separate}. Then: {entry.confirm}"
    if entry.caution:
        check += f". Caution: {entry.caution}"
    return Cause(cause, channel, round(p, 4), (*_evidence(cause, channel, weighed, found, known), *lines), check)


def _evidence(cause: str, channel: str, weighed: Weighed, found: Features, known: Knowledge) -> tuple[str, ...]:
    """The readings that speak most for and against a cause, each taken alone, beside its strongest rival."""
    rival = _rival(cause, channel, weighed, known)
    theirs = {id(t.feature): t.alone for t in terms(found, known, *rival)} if rival else {}

    entry = known.causes[cause]
    separators = known.groups[entry.group].separators if entry.group else ()

    def speaks(term: Term) -> float:
        telling = 10.0 if term.feature.name in separators else 0.0  # what parts the members of a group comes first
        return telling + term.alone - 0.5 * theirs.get(id(term.feature), 0.0)

    ordered = [t for t in terms(found, known, cause, channel) if t.feature.name != "failures"]
    ordered.sort(key=speaks, reverse=True)
    lines: list[str] = []
    quoted: set[tuple[str, str, str]] = set()
    for term in ordered:
        if len(lines) == MOST_FOR or speaks(term) < 0.7:
            break
        parts = term.feature.name in separators or theirs.get(id(term.feature), 0.0) < RULES_OUT
        if term.alone < (-0.5 if parts else 0.5):
            continue
        sources = {(s.quantity, s.channel, str(s.conditions.get("of", ""))) for s in term.feature.sources}
        if sources <= quoted:
            continue  # the same readings in another guise
        quoted |= sources
        lines.append(for_words(term.feature, known.symptoms[term.feature.name], known.normal[term.feature.name]))
    for term in ordered[::-1][:MOST_AGAINST]:
        if term.alone < -1.0:
            symptom = known.symptoms[term.feature.name]
            table = known.tables[(cause, role_of(term.feature.channel, channel), symptom.name)]
            lines.append(against_words(term.feature, symptom, table))
    return tuple(lines)


def _rival(cause: str, channel: str, weighed: Weighed, known: Knowledge) -> tuple[str, str] | None:
    entry = known.causes[cause]
    for key in weighed.ranked:
        if key != (entry.group_name, channel) and key[0] not in (HEALTHY, UNNAMED):
            name, at, _ = weighed.members[key][0]
            return name, at
    return None
