"""What is wrong with a procedure before it meets an amplifier: its form, its order, its levels, its limits.

The form is read off the script; order and levels come out of a rehearsal on the simulated bench, where the safety limits
refuse what they would refuse on a real one; limits are looked at with the uncertainty that the rehearsal's readings had.
"""

from __future__ import annotations

import inspect
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from benchtest.amplifier_file import AmplifierSpec
from benchtest.durations import in_words
from benchtest.limits import limit_table
from benchtest.procedure import Procedure
from benchtest.quantities import near_names
from benchtest.reading import from_row
from benchtest.rehearsal import Rehearsal
from benchtest.safety.interlock import Clearance

MOST_HOOK_UPS = 8
NOT_CLEARED = (
    "is not driven",
    str(Clearance.NONE),
    "Nothing was driven",
    "was asked for",
    "mains is on",
    "mains is off",
    "have not all been",
)
"""Words of the safety limits' refusals: a reading that was not measured for one of these was asked for too early."""


@dataclass(frozen=True)
class Found:
    """One thing that a check has to say. step is "" where it is the whole procedure's."""

    weight: Literal["error", "note"]
    step: str
    words: str

    @property
    def line(self) -> str:
        return f"{self.weight}: {self.step + ': ' if self.step else ''}{self.words}"


def form(procedure: Procedure) -> Iterator[Found]:
    """What the script itself shows, without going through it."""
    if not procedure.steps:
        yield Found("error", "", "no steps. Decorate each with '@test.step(...)'.")
    if not procedure.kit:
        yield Found("note", "", "no kit list. Say what is needed before the first step: Procedure(..., kit=[...]).")
    for name, count in Counter(step.name for step in procedure.steps).items():
        if count > 1:
            yield Found("error", name, f"{count} steps have this name. Readings are told apart by it: rename one.")
    for step in procedure.steps:
        if not inspect.isgeneratorfunction(step.body):
            yield Found("error", step.name, "yields nothing. Write 'yield' before each measurement.")
        if len(inspect.signature(step.body).parameters) not in (2, 3):
            yield Found("error", step.name, "expected (bench, amplifier) or (bench, amplifier, so_far).")
        if not step.why.strip():
            yield Found("error", step.name, "no reason is given. Say why in one line.")
        if step.seconds is None:
            words = f'takes = \'{step.takes}\'. Expected how long it takes, such as "40 s" or "1 h 20 min".'
            yield Found("note", step.name, words)


def gone_through(procedure: Procedure, rehearsal: Rehearsal) -> Iterator[Found]:
    """What the rehearsal ran into: a wrong order, a level above the safety limits, a script's own fault."""
    summary = rehearsal.result.summary
    last = next((s for s in rehearsal.steps if not s.ended), None)
    where = last.name if last is not None else ""
    if summary["result"] in ("stopped", "error"):
        what = summary["stop"] or summary["error"]
        yield Found("error", where, f"the rehearsal ended here: {what}{_meant(rehearsal.result.error)}")
    told: set[str] = set()
    for row in rehearsal.result.rows:
        refused = row["verdict"] == "not_measured" and any(words in row["note"] for words in NOT_CLEARED)
        if refused and row["note"] not in told:
            told.add(row["note"])
            yield Found("error", row["step"], f"{row['quantity']} {row['channel']} was refused: {row['note']}")
    for done, step in zip(rehearsal.steps, procedure.steps, strict=True):
        if done.ended and step.required and not done.quantities:
            yield Found("error", step.name, "is required and takes no reading: it can never fail.")
        stated = step.seconds
        if done.ended and stated is not None and not 0.5 * stated - 10.0 <= done.seconds <= 1.5 * stated + 10.0:
            yield Found("note", step.name, f"says {step.takes}, took {in_words(done.seconds)} in the rehearsal.")
    if rehearsal.hook_ups > MOST_HOOK_UPS:
        words = f"{rehearsal.hook_ups} hook-ups with these meters; more than {MOST_HOOK_UPS} tire a person."
        yield Found("note", "", words)
    if "STILL ON" in summary["ending"] and summary["result"] not in ("stopped", "error"):
        yield Found("error", where, "leaves the amplifier on. Switch the mains off in the last step.")


def _meant(error: BaseException | None) -> str:
    """For a name that a script takes from a module (``measure``) and that is not there: those near it."""
    module = getattr(error, "obj", None)
    if not isinstance(error, AttributeError) or not inspect.ismodule(module):
        return ""
    near = near_names(str(error.name), getattr(module, "__all__", dir(module)))
    return f". Near it: {', '.join(near)}" if near else ""


def limits_reached(amplifier: AmplifierSpec, rehearsal: Rehearsal, *, require: str | None = None) -> Iterator[Found]:
    """Limits that no reading can meet, and rows of the amplifier file that no reading was held to."""
    rows: Sequence[Mapping[str, Any]] = rehearsal.result.rows
    seen: set[tuple[str, float | None, float | None]] = set()
    for row in rows:
        lower, upper, u = row["lower_limit"], row["upper_limit"], row["expanded_uncertainty"]
        key = (row["quantity"], lower, upper)
        if key in seen or row["value"] is None or u is None:
            continue
        if lower is not None and upper is not None and upper - lower <= 2.0 * u:
            seen.add(key)
            words = f"{row['quantity']}: {lower:g} to {upper:g} {row['unit']} leaves nothing beside +-{u:.3g}: it never passes"
            yield Found("error", row["step"], words)
        ceiling = rehearsal.ceiling_v
        load = row["load_ohm"] or amplifier.rated_load_ohm
        most = {"output_power": ceiling**2 / load, "output_voltage": ceiling}.get(row["quantity"])
        if most is not None and lower is not None and lower > most:
            seen.add(key)
            words = (
                f"{row['quantity']} of at least {lower:g} {row['unit']}, {most:.3g} is the most that may be driven here"
            )
            yield Found("error", row["step"], words)
    table = limit_table(amplifier, require=require)
    taken = {row["quantity"] for row in rows}
    for unused in table.unused(from_row(row) for row in rows):
        if unused.quantity in taken:
            yield Found(
                "note",
                "",
                f"no reading is held to the amplifier file's {unused.quantity} {unused.where or ''}".rstrip(),
            )
