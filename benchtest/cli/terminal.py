"""What a person sees while a procedure runs, fed by the stream of run events; everything on standard error.

On a terminal: steps, readings with verdicts, and a bar for waits and long steps. Elsewhere: the same as plain lines.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from benchtest.events import Event
from benchtest.report.numbers import Unit, duration, fitting_unit, limits_text, significant, value_text
from benchtest.report.wording import MARK, SERVICEABLE, claim_words, plain_words, quantity_words, told_in_words

_STYLE = {
    "pass": "green",
    "noted": "yellow",
    "fail": "bold red",
    "inconclusive": "magenta",
    "information": "dim",
    "not_measured": "dim",
}


class Terminal:
    """Prints run events as they come; call it with each event, and ``close`` it at the end."""

    def __init__(self, console: Console | None = None) -> None:
        self.console = console or Console(stderr=True, highlight=False)
        self.simulated = False
        self.person_is_asked = False
        """A person is asked on this terminal, by prompts of their own: what they say is not said again."""
        self._bar: Progress | None = None
        self._task: Any = None
        self._steps = 0
        self._warned = False
        self._reason = ""

    def warn_first(self, title: str, cautions: Sequence[str], kit: Sequence[str]) -> None:
        """Cautions and kit list, before anything is opened or asked for; the run then does not say them again."""
        self._warned = True
        self._say(title, "bold")
        for caution in cautions:
            self._say(f"  ! {caution}", "yellow")
        if kit:
            self._say("Needed: " + "; ".join(kit))

    def __call__(self, event: Event) -> None:
        act = getattr(self, f"_on_{event['event']}", None)
        if act is not None:
            act(event)

    def close(self) -> None:
        if self._bar is not None:
            self._bar.stop()
            self._bar = None

    def _say(self, text: str = "", style: str = "") -> None:
        self.console.print(text, style=style or None, markup=False, soft_wrap=True)

    def _tag(self) -> str:
        return "SIMULATED  " if self.simulated else ""

    def _on_run_started(self, event: Event) -> None:
        self.simulated = event["simulated"]
        self._steps = len(event["steps"])
        self._say(f"{self._tag()}{event['title']}: {event['amplifier']}", "bold")
        if event["folder"]:
            self._say(f"kept in {event['folder']}")
        if event.get("judged_by"):
            self._say(event["judged_by"])
        if not self._warned:
            self.warn_first("", event["cautions"], event["kit"])
        if event["calibration_warning"]:
            self._say(event["calibration_warning"], "bold yellow")

    def _on_step_started(self, event: Event) -> None:
        self._end_bar()
        self._reason = ""
        takes = f"  (about {event['takes']})" if event["takes"] else ""
        self._say()
        self._say(f"{event['number']}/{event['of']}  {event['title']}{takes}", "bold")
        self._say(f"      {event['why']}", "dim")

    def _on_prompt(self, event: Event) -> None:
        self._end_bar()
        if self.person_is_asked and list(event["settings"]) != ["in turn"]:
            return
        self._say(f"  > {event['say']}", "cyan")

    def _on_mains(self, event: Event) -> None:
        self._end_bar()
        self._say(f"  > mains {event['state'].upper()} (switched socket)", "cyan")

    def _on_question(self, event: Event) -> None:
        if self.person_is_asked:
            return
        self._say(f"  ? {event['question']} {event['answer']}", "cyan")

    def _on_note(self, event: Event) -> None:
        self._end_bar()
        if self.person_is_asked and event.get("told"):
            return
        style = {"warning": "bold yellow", "error": "bold red"}.get(event["severity"], "")
        self._say(f"    {event['text']}", style)

    def _on_progress(self, event: Event) -> None:
        if not self.console.is_terminal:
            if event.get("state") == "started":
                self._say(f"    {event['what']}: {duration(event['seconds'])}")
            return
        if self._bar is None:
            self._bar = Progress(
                TextColumn("    {task.description}"), BarColumn(bar_width=30), TimeRemainingColumn(),
                console=self.console, transient=True,
            )  # fmt: skip
            self._bar.start()
            self._task = self._bar.add_task(event["what"], total=event["seconds"])
        self._bar.update(self._task, completed=event.get("done", 0.0))
        if event.get("done", 0.0) >= event["seconds"]:
            self._end_bar()

    def _end_bar(self) -> None:
        self.close()

    def _on_reading(self, event: Event) -> None:
        self._end_bar()
        row = event["row"]
        verdict = row["verdict"]
        line, reason = self._tag() + reading_line(row), reason_shown(row)
        unread = verdict in ("information", "not_measured")
        if unread and reason and reason == self._reason:
            line, reason = f"{line}, for the same reason", ""
        self.console.print(f"  [{_STYLE[verdict]}]{MARK[verdict]}[/] {escape(line)}", soft_wrap=True)
        if reason:
            self._say(f"      {reason}", _STYLE[verdict])
            self._reason = reason

    def _on_stop(self, event: Event) -> None:
        self._end_bar()
        self._say()
        self._say("=" * 78, "bold red")
        self._say(f"STOP: {event['message']}", "bold red")
        self._say(event["words"], "bold red")
        self._say("=" * 78, "bold red")

    def _on_run_ended(self, event: Event) -> None:
        self._end_bar()
        self._say()
        if event["error"]:
            self._say(event["error"], "bold red")
        likely = [cause for cause in event["diagnosis"][:3] if cause["probability"] >= 0.1]
        for cause in likely:
            where = "" if cause["channel"] == "none" else f", {cause['channel']}"
            if cause["cause"] == "healthy":
                self._say("Nothing wrong was found in what was measured.")
                continue
            self._say(f"Likely: {plain_words(cause['cause'])}{where} ({100 * cause['probability']:.0f} %)", "bold")
            for evidence in cause["evidence"]:
                lead = "" if evidence.startswith(("against", "looks", "two faults")) else "because "
                self._say(f"    {lead}{evidence}")
            self._say(f"    next check: {cause['next_check']}")
        if not event["diagnosis"] and event.get("unmeasured"):
            self._say(f"Too little was measured to say that nothing is wrong: no {', no '.join(event['unmeasured'])}.")
        for remark in event.get("remarks", ()):
            self._say(remark, "bold yellow")
        self._say(
            f"{self._tag()}Result: {event['result'].upper()}  "
            f"({event['readings_count']} readings, {duration(event['bench_seconds'])} on the bench's clock)",
            "bold",
        )
        self._say(event["ending"], "bold yellow")


def reading_line(row: dict[str, Any]) -> str:
    """One reading as a line: quantity, channel, value with uncertainty, limits, verdict, claim."""
    channel = "" if row["channel"] == "none" else f" {row['channel']}"
    words = f"{quantity_words(row['quantity'])}{channel}"
    value = row["value"]
    if told_in_words(row):
        shown = told_in_words(row)
    elif value is None or not math.isfinite(value):
        shown = "-"
    else:
        unit = fitting_unit(row["unit"], [value, row["expanded_uncertainty"]])
        number, uncertainty = value_text(value, row["expanded_uncertainty"], unit)
        shown = f"{number} {uncertainty} {unit.text}".replace("  ", " ")
        limits = "" if fails_by_its_note(row) else limits_words(row, unit)
        if limits:
            shown += f"   ({limits})"
    claim = claim_words(row)
    at = _at(row)
    stands = SERVICEABLE_WORDS[row["verdict"]]
    if value is None and row["verdict"] == "not_measured" and row["note"] == READS_OPEN:
        shown, stands = READS_OPEN, SERVICEABLE_WORDS["information"]  # the meter did say something
    line = f"{words + at:<48} {shown:<34} {stands}"
    return line + (f"; maker's claim {claim}" if claim else "")


def reason_shown(row: dict[str, Any]) -> str:
    """What is said below a reading: why it failed, was not decided, not taken, or not judged; "" for any other."""
    note = str(row["note"])
    if note == READS_OPEN:
        return ""
    if row["verdict"] in ("fail", "inconclusive", "not_measured"):
        return note
    return note.partition(";")[0] if note.startswith("not judged:") else ""


def limits_words(row: dict[str, Any], shown: Unit) -> str:
    """The limits in words: in the value's unit, or in one of their own where that would take too many digits.

    >>> limits_words({"lower_limit": -0.1, "upper_limit": 0.1, "unit": "V"}, Unit("µV", 1e-6))
    'within ±100 mV'
    >>> limits_words({"lower_limit": -0.1, "upper_limit": 0.1, "unit": "V"}, Unit("mV", 1e-3))
    'within ±100'
    """
    bounds = [abs(row[key]) for key in ("lower_limit", "upper_limit") if row[key]]
    if all(0.01 <= bound / shown.divisor < 10_000.0 for bound in bounds):
        return limits_text(row["lower_limit"], row["upper_limit"], shown)
    own = fitting_unit(row["unit"], bounds)
    words = limits_text(row["lower_limit"], row["upper_limit"], own)
    return f"{words} {own.text}".rstrip()


def fails_by_its_note(row: dict[str, Any]) -> bool:
    """Whether a reading fails for another reason than its limits, which it meets: the note says why, they would mislead."""
    value, low, high = row["value"], row["lower_limit"], row["upper_limit"]
    if row["verdict"] != "fail" or value is None:
        return False
    return (low is None or low <= value) and (high is None or value <= high)


READS_OPEN = "open (OL)"
SERVICEABLE_WORDS = {**SERVICEABLE, "pass": "serviceable", "fail": "NOT SERVICEABLE"}


TOLD_BY_FREQUENCY = ("frequency_response", "crosstalk", "hum", "intermodulation", "thd", "thd_n", "equalisation_error",
                     "tone_control_range")  # fmt: skip
"""Several rows of these differ by their frequency only."""


def _conditions(row: dict[str, Any]) -> dict[str, Any]:
    import json

    try:
        return dict(json.loads(row["conditions"]))
    except (TypeError, ValueError):
        return {}


def _hertz(frequency: float) -> str:
    unit = fitting_unit("Hz", [frequency])
    return f"{significant(frequency / unit.divisor, 3)} {unit.text}"


def _at(row: dict[str, Any]) -> str:
    given = _conditions(row)
    parts = [str(given[key]) for key in ("rail", "at") if given.get(key)]
    frequency = row.get("frequency_hz")
    if row["quantity"] in TOLD_BY_FREQUENCY and frequency and not any("Hz" in part for part in parts):
        parts.append(" + ".join(_hertz(each) for each in given.get("frequencies_hz") or [frequency]))
    if given.get("edge"):
        parts.append(f"{given['edge']} edge")
    if given.get("driven") == "both":
        parts.append("both driven")
    if given.get("load") == "second load" and "second load" not in " ".join(parts):
        parts.append("second load")
    return f", {', '.join(parts)}" if parts else ""
