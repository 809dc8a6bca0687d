"""From a run folder to what the page shows: every text and list, in the page's order. Reads nothing but the run.

Keys of run.json that are used where they are there: result, amplifier, title, procedure, simulated, diagnosis, ending
(what to do before touching the set), error, bench, instruments, calibration, software, seed, bench_seconds,
not_tested (a list of texts beside what the readings tell).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from benchtest.archive.job_card import read_card
from benchtest.archive.run import ALTERED, UNFINISHED, Run, amplifier_identity
from benchtest.remarks import calibration_notice
from benchtest.report.graphic import legend
from benchtest.report.how import how_it_was_measured, methods_of
from benchtest.report.numbers import duration, significant
from benchtest.report.pairs import grouped, line_of
from benchtest.report.wording import (
    COUNTED,
    HEADLINE,
    MARK,
    USUAL_TESTS,
    WORST_FIRST,
    plain_words,
    quantity_words,
    result_sentence,
    si_text,
)

Row = Mapping[str, Any]

STILL_ON = "The amplifier may still be on, the reservoirs are charged, the loads are hot. Switch off at the wall."
CAUTIONS = (
    "Mains kills. With the covers off, parts are live, often with the switch off: unplug, and do not trust the switch.",
    "Reservoirs stay charged: measure, discharge through a resistor, measure again. Loads and heatsinks burn skin.",
    "Local codes decide who may work on mains parts. Nothing on this page replaces the electrical safety test.",
    "Measured that day, on this bench, with this load; not a promise.",
)
ELECTRICAL_SAFETY = (
    "Electrical safety test (earth, insulation): NOT DONE by this tool. "
    "A multimeter cannot do it; an instrument made for it can."
)


def _notices(summary: Mapping[str, Any]) -> list[str]:
    """What stands above the figures: a calibration that is none, old or of other instruments; what the run said at its
    end beside its result."""
    remarks = summary.get("remarks")
    listed = remarks if isinstance(remarks, list) else []
    return [str(text) for text in (calibration_notice(summary), *listed) if text]


def page_of(run: Run) -> dict[str, Any]:
    """The context of the template. Raises FileError if run.json or readings.csv cannot be read."""
    summary, rows, events = run.summary, run.rows(), run.events()
    identity = amplifier_identity(summary)
    started = next((e for e in events if e.get("event") == "run_started"), {})
    stop = next((e for e in events if e.get("event") == "stop"), None)
    titles = {
        str(e.get("step")): str(e.get("title") or e.get("step")) for e in events if e.get("event") == "step_started"
    }
    groups = grouped(rows)
    for group in groups:
        group.step = titles.get(group.step, plain_words(group.step))
    result = str(summary.get("result") or "unfinished")
    causes = [cause for cause in summary.get("diagnosis") or [] if isinstance(cause, Mapping)]
    state = run.state
    return {
        "name": identity.get("name") or "Amplifier without a name",
        "identity": _identity_line(identity),
        "procedure": summary.get("title") or started.get("title") or summary.get("procedure") or "",
        "when": _when(str(summary.get("started_utc") or "")),
        "lasted": _lasted(summary, events),
        "run_id": summary["run_id"],
        "simulated": summary.get("simulated") is not False or any(row["simulated"] for row in rows),
        "altered": run.check if state == ALTERED else None,
        "unfinished": state == UNFINISHED,
        "remarks": run.table.remarks,
        "notices": _notices(summary),
        "result": result if result in HEADLINE else "error",
        "headline": HEADLINE.get(result, plain_words(result)),
        "sentence": result_sentence(summary, rows, stop),
        "stop": _stop_words(stop) if stop else None,
        "cause": _cause(causes[0]) if causes and causes[0].get("cause") != "healthy" else None,
        "told_once": told_once,
        "beyond": beyond,
        "healthy": bool(causes) and causes[0].get("cause") == "healthy",
        "other_causes": [_cause(cause) for cause in causes[1:4] if cause.get("cause") != "healthy"],
        "ending": summary.get("ending") or _ending(events),
        "counts": _counts(rows),
        "standing_out": _standing_out(rows, titles),
        "groups": groups,
        "claims": any(line.claim_figure for group in groups for line in group.lines),
        "readings": len(rows),
        "not_tested": _not_tested(rows, summary, run.captures()),
        "how": how_it_was_measured(summary, identity),
        "methods": methods_of(rows),
        "legend": legend(),
        "coverage": sorted({row["coverage_factor"] for row in rows if row["coverage_factor"] is not None}),
        "steps": _steps(events),
        "notes": [e for e in events if e.get("event") == "note" and e.get("text")],
        "hook_ups": sum(e.get("event") == "prompt" for e in events),
        "cautions": CAUTIONS,
        "card": _job_card(run),
        "electrical_safety": ELECTRICAL_SAFETY,
        "made": f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC",
    }


def rated_power(run: Run) -> float | None:
    value = amplifier_identity(run.summary).get("rated_power_w")
    return float(value) if isinstance(value, int | float) else None


def _stop_words(stop: Mapping[str, Any]) -> dict[str, str]:
    """What stands in large letters (the sentences in capitals), and what explains it below.

    >>> _stop_words({"words": "Socket is off. SWITCH OFF AT THE WALL. Loads are hot."})
    {'large': 'SWITCH OFF AT THE WALL.', 'below': 'Socket is off. Loads are hot.'}
    """
    words = str(stop.get("words") or "SWITCH OFF AT THE WALL")
    sentences = re.findall(r"[^.!]+[.!]*\s*", words) or [words]
    large = [sentence.strip() for sentence in sentences if sentence.upper() == sentence]
    below = [sentence.strip() for sentence in sentences if sentence.upper() != sentence]
    return {"large": " ".join(large), "below": " ".join(below)} if large else {"large": words, "below": ""}


def _identity_line(identity: Mapping[str, Any]) -> list[str]:
    parts = []
    if identity.get("serial"):
        parts.append(f"serial number {identity['serial']}")
    if identity.get("kind"):
        parts.append(plain_words(str(identity["kind"])))
    if identity.get("output_stage") not in (None, "", "unknown"):
        parts.append(f"output {plain_words(str(identity['output_stage']))}")
    power, load = identity.get("rated_power_w"), identity.get("rated_load_ohm")
    if isinstance(power, int | float):
        into = f" into {significant(float(load))} Ω" if isinstance(load, int | float) else ""
        parts.append(f"rated {significant(float(power))} W{into}")
    return parts


def _when(started: str) -> str:
    try:
        return f"{datetime.fromisoformat(started).astimezone(UTC):%d %B %Y, %H:%M} UTC"
    except ValueError:
        return started


def _lasted(summary: Mapping[str, Any], events: Sequence[Mapping[str, Any]]) -> str:
    seconds = summary.get("bench_seconds")
    if not isinstance(seconds, int | float):
        times = [e["time_s"] for e in events if isinstance(e.get("time_s"), int | float)]
        seconds = max(times, default=None)
    return duration(float(seconds)) if seconds is not None else ""


def told_once(evidence: Sequence[str]) -> list[str]:
    """Evidence in which what several parts end with is said once, for all of them.

    >>> told_once(["fuse: OPEN: hardly ever in a healthy set", "hum: 5 mV: hardly ever in a healthy set", "another"])
    ['fuse: OPEN', 'hum: 5 mV', 'each of these: hardly ever in a healthy set', 'another']
    """
    ends = Counter(text.rpartition(": ")[2] for text in evidence if ": " in text)
    shared = [end for end, count in ends.items() if count > 1]
    told = [text.removesuffix(f": {end}") for text in evidence for end in [text.rpartition(": ")[2]] if end in shared]
    rest = [text for text in evidence if text.rpartition(": ")[2] not in shared]
    if len(shared) != 1 or not told:
        return list(evidence)
    return [*told, f"each of these: {shared[0]}", *rest]


def beyond(first: str, other: str) -> str:
    """The next check of another cause, less the whole clauses with which that of the first begins as well.

    >>> beyond("off: ohms across the fuse. Then: the cable", "off: ohms across the fuse. Then: the load")
    'the same. Then: the load'
    """
    ours, theirs = first.split(". "), other.split(". ")
    same = 0
    while same < min(len(ours), len(theirs)) and ours[same] == theirs[same]:
        same += 1
    if same == 0:
        return other
    return ". ".join(["the same", *theirs[same:]])


def _cause(cause: Mapping[str, Any]) -> dict[str, Any]:
    evidence = cause.get("evidence")
    told = (
        [str(item) for item in evidence] if isinstance(evidence, list | tuple) else [str(evidence)] if evidence else []
    )
    channel = str(cause.get("channel") or "")
    return {
        "what": plain_words(str(cause.get("cause") or "")),
        "channel": channel if channel in ("left", "right") else "both channels" if channel == "both" else "",
        "evidence": [si_text(str(item)) for item in told],
        "next_check": si_text(str(cause.get("next_check") or "")),
    }


def _ending(events: Sequence[Mapping[str, Any]]) -> str:
    """What to do before touching the set, where the run could not say it itself: only what the events prove."""
    mains = None
    for event in events:
        settings = event.get("settings")
        if event.get("event") == "prompt" and isinstance(settings, Mapping) and "mains" in settings:
            mains = settings["mains"]
        elif event.get("event") == "mains":
            mains = event.get("state")
    if mains == "off":
        return "Mains was switched off last. The reservoirs may be charged, the loads hot: measure before touching."
    return STILL_ON


def _counts(rows: Sequence[Row]) -> list[dict[str, Any]]:
    found = []
    for verdict in WORST_FIRST:
        number = sum(row["verdict"] == verdict for row in rows)
        if number and verdict != "information":
            found.append({"verdict": verdict, "mark": MARK[verdict], "words": COUNTED[verdict], "number": number})
    return found


def _standing_out(rows: Sequence[Row], titles: Mapping[str, str]) -> list[dict[str, Any]]:
    """What a person should look at first, worst first: each quantity once, by its first such reading."""
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for verdict in ("fail", "inconclusive", "noted"):
        for row in rows:
            if row["verdict"] != verdict:
                continue
            item = found.setdefault(
                (row["quantity"], verdict),
                {
                    "verdict": verdict,
                    "mark": MARK[verdict],
                    "words": COUNTED[verdict],
                    "what": quantity_words(row["quantity"]),
                    "channels": [],
                    "where": titles.get(row["step"], plain_words(row["step"])),
                    "value": _value(row),
                    "note": si_text(str(row["note"] or "")),
                    "more": -1,
                },
            )
            item["more"] += 1
            if row["channel"] in ("left", "right") and row["channel"] not in item["channels"]:
                item["channels"].append(row["channel"])
    return list(found.values())


def _value(row: Row) -> str:
    """A reading with its limits in a few words; "" where there is none."""
    line = line_of([row])
    (cell,) = line.cells.values()
    if not cell.value:
        return ""
    text = f"{cell.value} {line.unit}".strip()
    return f"{text}, limits: {line.limits} {line.unit}".strip() if line.limits else text


def _not_tested(rows: Sequence[Row], summary: Mapping[str, Any], captures: Sequence[Mapping[str, Any]]) -> list[str]:
    told: dict[str, None] = {}
    reasons: dict[str, dict[str, None]] = {}
    for row in rows:
        if row["verdict"] == "not_measured":
            channel = f", {row['channel']}" if row["channel"] in ("left", "right") else ""
            reasons.setdefault(row["note"], {})[quantity_words(row["quantity"]) + channel] = None
    for why, names in reasons.items():
        told["; ".join(names) + (f": {why}" if why else "")] = None
    listed = summary.get("not_tested")
    for text in listed if isinstance(listed, list) else []:
        told[str(text)] = None
    taken = {row["quantity"] for row in rows if row["verdict"] != "not_measured"}
    if left_out := [words for quantity, words in USUAL_TESTS.items() if quantity not in taken]:
        told[f"No reading in this run: {', '.join(left_out)}."] = None
    rates = [c["sample_rate"] for c in captures if isinstance(c.get("sample_rate"), int | float)]
    if rates:
        told[f"Oscillation: not tested above {significant(max(rates) / 2000, 3)} kHz, half the sound card's rate."] = (
            None
        )
    return list(told)


def _job_card(run: Run) -> dict[str, Any] | None:
    """The job card without the customer's name, which is for the owner's page only; None where nothing was entered."""
    card = read_card(run)
    if not card.entries:
        return None
    facts = [
        ("complaint", card.complaint),
        ("found", card.found),
        ("fitted", ", ".join(card.fitted)),
        ("minutes", significant(card.minutes) if card.minutes else ""),
        ("by", card.by),
        ("electrical safety test", f"done by {card.safety_test}" if card.safety_test else ""),
    ]
    pictures = [path.relative_to(run.folder).as_posix() for path in card.photographs]
    return {"facts": [(label, text) for label, text in facts if text], "pictures": pictures, "remarks": card.remarks}


def _steps(events: Sequence[Mapping[str, Any]]) -> list[dict[str, str]]:
    """The steps with when they began, how long they took and how they ended; one that never ended is "broken off"."""
    found: list[dict[str, Any]] = []
    for event in events:
        time_s = event.get("time_s")
        at = float(time_s) if isinstance(time_s, int | float) else 0.0
        if event.get("event") == "step_started":
            found.append({"title": str(event.get("title") or event.get("step")), "began": at, "outcome": "broken off"})
            found[-1]["why"] = str(event.get("why") or "")
            found[-1]["took"] = ""
        elif event.get("event") == "step_ended" and found:
            found[-1]["outcome"] = plain_words(str(event.get("outcome") or "done"))
            found[-1]["took"] = duration(at - found[-1]["began"])
    for step in found:
        step["began"] = duration(step["began"])
    return found
