"""Score and feedback: what was there, what gave it away, what was unneeded or unsafe."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchtest.amplifier_file import AmplifierSpec
from benchtest.diagnosis import unmeasured
from benchtest.diagnosis.belief import terms
from benchtest.diagnosis.features import Sheet, features
from benchtest.diagnosis.knowledge import shipped
from benchtest.diagnosis.rows import seen
from benchtest.diagnosis.wording import for_words
from benchtest.training.lessons import danger
from benchtest.training.session import Measured, Session

FREE_MEASUREMENTS = 15
EACH_FURTHER = 1
MOST_FOR_MEASURING = 15
BAD_HABIT = 5
HINT = 10


@dataclass(frozen=True)
class Mark:
    """A case marked: points of 100, the words, and whether the cause was named."""

    score: int
    right: bool
    safe: bool
    lines: tuple[str, ...]


def mark(session: Session, channel: str, causes: Mapping[str, str], learned: str) -> Mark:
    """Mark a case that is over. An unsafe act loses it, whatever the diagnosis; extra measurements cost little."""
    truth = "healthy" if session.scenario.startswith("healthy") else session.scenario
    what = "nothing: it is healthy" if truth == "healthy" else f"{causes.get(truth, truth)}"
    where = f", {channel}" if channel in ("left", "right") and not _in_both(truth) and truth != "healthy" else ""
    lines = [f"What was there: {what}{where}."]
    if session.unsafe:
        lines += [f"UNSAFE, the case is lost: {session.unsafe}"]
        return Mark(0, False, False, (*lines, *_gave_away(session, truth, channel), *([learned] if learned else [])))
    score, right, verdict_lines = _verdict(session, truth, channel)
    lines += verdict_lines
    extra = min(MOST_FOR_MEASURING, EACH_FURTHER * max(0, len(session.measured) - FREE_MEASUREMENTS))
    if extra:
        lines.append(f"{len(session.measured)} measurements, {FREE_MEASUREMENTS} are free: -{extra}.")
    for habit in dict.fromkeys(session.habits):
        lines.append(f"Nothing happened this time, but: {habit}: -{BAD_HABIT}.")
    score -= extra + BAD_HABIT * len(set(session.habits)) + HINT * session.hints
    missing = unmeasured(session.rows)
    if session.verdict is not None and session.verdict[0] == "healthy" and missing:
        lines.append(
            f"Called healthy without a look at: {', '.join(missing)}. Before it goes back, 'run power_on' looks at all."
        )
    away = _gave_away(session, truth, channel)
    lines += [*away, *_unneeded(session, truth, channel)]
    if learned:
        lines.append(learned)
    return Mark(max(0, min(100, score)), right, True, tuple(lines))


def _in_both(cause: str) -> bool:
    entry = shipped().causes.get(cause)
    return entry is not None and entry.channels == "both"


def _verdict(session: Session, truth: str, channel: str) -> tuple[int, bool, list[str]]:
    if session.verdict is None:
        return 0, False, ["You left without a verdict."]
    kind, cause, said = session.verdict
    consequences = danger(session.scenario)
    if kind == "stop":
        if consequences.get("stop_is_right"):
            return 100, True, ["'Stop, this is not for me' was right: this one hurts people."]
        return 40, False, ["To stop is never wrong. This one you could have done."]
    if kind == "healthy":
        if truth == "healthy":
            return 100, True, ["Right: nothing is wrong with it."]
        handed = consequences.get("handed_back")
        return 0, False, [f"You handed it back as healthy: {handed}." if handed else "You handed a faulty one back."]
    if truth == "healthy":
        return 10, False, ["You would have repaired a healthy amplifier."]
    known = shipped()
    mine, theirs = known.causes.get(cause), known.causes.get(truth)
    placed = _in_both(truth) or said == channel
    if cause == truth:
        if placed:
            return 100, True, ["Right: that is the cause."]
        return 85, True, [f"The right cause, but the channel is {channel}" + (f", not {said}." if said else ".")]
    if mine and theirs and mine.group_name == theirs.group_name:
        group = known.groups.get(mine.group_name)
        tell = f" What tells them apart: {group.separate}." if group else ""
        return (80 if placed else 65), False, [f"Close: {mine.words}; at the terminals it looks the same.{tell}"]
    return 30, False, ["It is faulty, but that is not the cause."]


def _readings_of(session: Session, truth: str, channel: str) -> list[tuple[float, str, tuple[int, ...]]]:
    """What each feature says for the truth, best first: (how much, words, numbers of its rows)."""
    known = shipped()
    at = "both" if _in_both(truth) else channel
    if truth not in known.causes:
        return []
    readings = seen(session.rows)
    number = {id(r): i for i, r in enumerate(readings)}
    spec: AmplifierSpec = session.bench.amplifier
    found = []
    for term in terms(features(Sheet(readings, spec)), known, truth, at):
        if term.alone > 0.7 and term.feature.name != "failures":
            words = for_words(term.feature, known.symptoms[term.feature.name], known.normal[term.feature.name])
            found.append((term.alone, words, tuple(number[id(s)] for s in term.feature.sources)))
    return sorted(found, key=lambda one: -one[0])


def _gave_away(session: Session, truth: str, channel: str) -> list[str]:
    if truth == "healthy":
        return []
    said = [words for _, words, _ in _readings_of(session, truth, channel)[:3]]
    if said:
        return ["What gave it away: " + "; ".join(said) + "."]
    entry = shipped().causes.get(truth)
    return [f"Nothing that you measured shows it. What does: {entry.confirm}."] if entry else []


def _unneeded(session: Session, truth: str, channel: str) -> list[str]:
    """Measurements of which no reading bears on the truth; those that safety asks for are never called so."""
    if truth == "healthy" or not session.measured:
        return []
    telling = {n for _, _, numbers in _readings_of(session, truth, channel) for n in numbers}
    told = {_either_side(m.line) for m in session.measured if telling & set(m.rows)}
    idle: Sequence[Measured] = [
        m
        for m in session.measured
        if _either_side(m.line) not in told and not m.line.startswith("watch") and not _for_safety(m.line)
    ]
    if not idle:
        return []
    return ["Told nothing about this fault: " + ", ".join(dict.fromkeys(m.line for m in idle)) + "."]


def _either_side(line: str) -> str:
    """A line without its channel and rail: the good side is measured as well, to have something to compare with.

    >>> _either_side("measure ohms left_relay_contact") == _either_side("measure ohms right_relay_contact")
    True
    """
    for word in ("left", "right", "positive", "negative"):
        line = line.replace(word, "")
    return line


def _for_safety(line: str) -> bool:
    return line.startswith(("rails", "dc", "discharge", "measure dc", "measure ohms leads", "run"))
