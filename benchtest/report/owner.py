"""The owner's page: one sheet in plain words that goes back with the set. It promises nothing and praises nothing.

Six lines, left and right, before and after: good, acceptable for its age, not good, not tested. Refused as "not ready to
hand back" for a training run, a stopped or unfinished one, and one that skipped a check; a simulated run gives only a
preview with SIMULATED across it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchtest.archive.conditions import conditions_of
from benchtest.archive.job_card import JobCard, read_card
from benchtest.archive.run import ALTERED, UNFINISHED, Run, amplifier_identity
from benchtest.errors import BenchtestError
from benchtest.remarks import calibration_notice
from benchtest.report.numbers import significant
from benchtest.report.wording import USUAL_TESTS, quantity_words

if TYPE_CHECKING:
    from benchtest.archive.finding import Archive

Row = Mapping[str, Any]

GOOD, ACCEPTABLE, NOT_GOOD, NOT_TESTED = "good", "acceptable for its age", "not good", "not tested"
SIX_LINES = {
    "DC at the loudspeaker terminals": (
        "dc_offset",
        "offset_drift",
        "offset_drift_rate",
        "dc_offset_loaded_difference",
    ),
    "Output power": ("output_power",),
    "Distortion": ("thd", "thd_n", "intermodulation"),
    "Noise and hum": ("noise", "hum", "signal_to_noise"),
    "Low and high notes (frequency response)": ("frequency_response", "power_bandwidth"),
    "Left as loud as right": ("channel_balance",),
}
"""The lines of the page, and the readings that decide each."""
NOT_READY_RESULTS = {
    "stopped": "the run was stopped by a safety limit",
    "interrupted": "the run was interrupted",
    "error": "the run was broken off by a fault of an instrument or a file",
    "inconclusive": "the run decided nothing",
}
MEASURED = ("pass", "noted", "fail")


class NotReady(BenchtestError):
    """The run is none that an owner may be given a page of."""

    exit_status = 5


@dataclass(frozen=True)
class GradedLine:
    """One of the six: grades by channel, before and after."""

    what: str
    before: tuple[str, str]
    after: tuple[str, str]


def write_owner_page(run: Run, before: Run | None) -> Path:
    """Write owner.html into the run's folder. Raises NotReady with every reason, FileError where a run cannot be read."""
    from benchtest.archive.durable import write_whole
    from benchtest.report.template import environment

    reasons = why_not_ready(run)
    if reasons:
        raise NotReady(
            f"not ready to hand back: {'; '.join(reasons)}. Expected a whole run on a real bench in which every required "
            "check was taken. Finish the repair, run the test again, then make the page."
        )
    text = environment().get_template("owner.html.j2").render(page_of(run, before))
    path = run.folder / "owner.html"
    write_whole(path, text.encode("utf-8", "replace"), sync=False)
    return path


def why_not_ready(run: Run) -> list[str]:
    """Why no owner's page may be made of a run; [] if one may."""
    summary = run.summary
    reasons = []
    if summary.get("training") or summary.get("procedure") == "train":
        reasons.append("it is a training run")
    if run.state == UNFINISHED:
        return [*reasons, "the run was never finished"]
    if run.state == ALTERED:
        reasons.append("its files are not as they were when the run was closed")
    result = str(summary.get("result") or "")
    if result in NOT_READY_RESULTS:
        reasons.append(NOT_READY_RESULTS[result])
    if undecided := [str(each) for each in summary.get("not_decided") or ()]:
        reasons.append("required checks were not taken or not decided: " + ", ".join(map(_spoken, undecided)))
    if skipped := _steps_left_out(run.events()):
        reasons.append(f"{skipped} of the procedure's steps were not carried out")
    if result not in NOT_READY_RESULTS:
        rows = run.rows()
        for channel in ("left", "right"):
            if not any(
                r["quantity"] == "dc_offset" and r["channel"] == channel and r["verdict"] in MEASURED for r in rows
            ):
                reasons.append(f"the DC check of the {channel} channel is missing")
    return reasons


def previous_run(shelf: Archive, run: Run) -> Run | None:
    """The run that shows the set before the repair: the latest earlier one with its serial number that did not pass."""
    from benchtest.archive.filters import Filter

    serial = str(amplifier_identity(run.summary).get("serial") or "")
    if not serial:
        return None
    simulated = run.summary.get("simulated") is not False
    for line in shelf.runs(Filter(serial_number=serial, simulated=simulated)):
        if line.run_id < run.run_id and line.result not in ("passed", "unreadable") and line.folder != run.folder:
            return Run(line.folder)
    return None


def page_of(run: Run, before: Run | None) -> dict[str, Any]:
    """The context of the template."""
    summary, rows, card = run.summary, run.rows(), read_card(run)
    old_card = read_card(before) if before is not None else JobCard()
    old_rows = before.rows() if before is not None else []
    identity = amplifier_identity(summary)
    lines = [
        GradedLine(what, _grades(old_rows, quantities), _grades(rows, quantities))
        for what, quantities in SIX_LINES.items()
    ]
    return {
        "name": identity.get("name") or "Amplifier",
        "serial": identity.get("serial") or "",
        "customer": card.customer or old_card.customer,
        "complaint": card.complaint or old_card.complaint,
        "found": card.found or old_card.found,
        "fitted": card.fitted or old_card.fitted,
        "lines": lines,
        "before_date": "" if before is None else _date(before.summary),
        "power": power_sentence(rows, identity),
        "dc_bad": any(grade == NOT_GOOD for grade in lines[0].after),
        "date": _date(summary),
        "by": card.by,
        "loads": _loads(summary),
        "calibration": calibration_notice(summary),
        "mains": _number(_bench(summary).get("mains_voltage"), "V"),
        "lowest_load": card.lowest_load or _number(identity.get("minimum_load_ohm"), "ohm") or "see the rear label",
        "ventilation": card.ventilation or "keep the vents free, put nothing on top",
        "fuses": _fuses(identity),
        "safety_test": card.safety_test,
        "not_tested": not_tested(lines, rows),
        "terms": card.terms,
        "simulated": summary.get("simulated") is not False,
        "run_id": run.run_id,
    }


def grade(verdicts: Sequence[str]) -> str:
    """One grade from the verdicts of a line's readings: the worst of them. What is too close to call is not called good.

    >>> grade(["pass", "noted"]), grade(["pass", "inconclusive"]), grade(["fail", "inconclusive"]), grade(["information"])
    ('acceptable for its age', 'not tested', 'not good', 'not tested')
    """
    judged = [verdict for verdict in verdicts if verdict in (*MEASURED, "inconclusive")]
    if "fail" in judged:
        return NOT_GOOD
    if not judged or "inconclusive" in judged:
        return NOT_TESTED
    return ACCEPTABLE if "noted" in judged else GOOD


def _grades(rows: Sequence[Row], quantities: Sequence[str]) -> tuple[str, str]:
    def of(channel: str) -> str:
        return grade([r["verdict"] for r in rows if r["quantity"] in quantities and r["channel"] in (channel, "both")])

    return of("left"), of("right")


def power_sentence(rows: Sequence[Row], identity: Mapping[str, Any]) -> str:
    """What it made, and what its maker says: the weaker channel, both driven where that was measured."""
    made = [row for row in rows if row["quantity"] == "output_power" and row["value"] is not None]
    for driven, words in (("both", "both channels"), ("one", "one channel at a time")):
        values = [row for row in made if conditions_of(row).get("driven") == driven]
        if {row["channel"] for row in values} != {"left", "right"}:
            continue
        weakest = min(values, key=lambda row: float(row["value"]))
        at = str(conditions_of(weakest).get("at") or "").removesuffix(" THD")
        text = f"made {significant(float(weakest['value']), 2)} W" + (f" at {at}" if at else "") + f", {words}"
        claim = identity.get("rated_power_w")
        return text + (f"; maker says {significant(float(claim), 2)} W" if isinstance(claim, int | float) else "")
    return ""


def not_tested(lines: Sequence[GradedLine], rows: Sequence[Row]) -> list[str]:
    """What was not tested, in words; first of all what a multimeter cannot test."""
    taken = {row["quantity"] for row in rows if row["verdict"] in MEASURED or row["verdict"] == "information"}
    close = [quantity_words(row["quantity"]) for row in rows if row["verdict"] == "inconclusive"]
    told = [f"{name}: too close to call" for name in dict.fromkeys(close)]
    told += [line.what for line in lines if set(line.after) == {NOT_TESTED} and not taken & set(SIX_LINES[line.what])]
    in_lines = {quantity for quantities in SIX_LINES.values() for quantity in quantities}
    told += [words for quantity, words in USUAL_TESTS.items() if quantity not in taken and quantity not in in_lines]
    return [
        *told,
        "tuner, phono input, headphones, tone controls and remote control",
        "the loudspeakers and their cables",
    ]


def _steps_left_out(events: Sequence[Mapping[str, Any]]) -> int:
    planned = next((e.get("steps") for e in events if e.get("event") == "run_started"), None)
    if not isinstance(planned, list):
        return 0
    done = {e.get("step") for e in events if e.get("event") == "step_ended" and e.get("outcome", "done") == "done"}
    return max(len(planned) - len(done), 0)


def _spoken(text: str) -> str:
    quantity, _, channel = text.rpartition(" ")
    return f"{quantity_words(quantity)}{'' if channel == 'none' else f' {channel}'}" if quantity else text


def _bench(summary: Mapping[str, Any]) -> Mapping[str, Any]:
    found = summary.get("bench")
    return found if isinstance(found, Mapping) else {}


def _loads(summary: Mapping[str, Any]) -> str:
    loads = _bench(summary).get("load_ohm")
    if not isinstance(loads, Mapping):
        return ""
    return ", ".join(f"{channel} {_number(value, 'ohm')}" for channel, value in loads.items() if _number(value, "ohm"))


def _fuses(identity: Mapping[str, Any]) -> list[str]:
    found = []
    kind = str(identity.get("speaker_fuse_characteristic") or "")
    for key, words, letters in (("speaker_fuse_a", "loudspeaker", kind), ("rail_fuse_a", "supply", "")):
        if value := _number(identity.get(key), "A"):
            found.append(f"{words} {letters} {value}".replace("  ", " "))
    return found


def _number(value: Any, unit: str) -> str:
    """A figure for a person who is no technician: two digits, or whole volts."""
    if not isinstance(value, int | float) or isinstance(value, bool):
        return ""
    return f"{value:.0f} {unit}" if unit == "V" else f"{significant(float(value), 2)} {unit}"


def _date(summary: Mapping[str, Any]) -> str:
    try:
        return f"{datetime.fromisoformat(str(summary.get('started_utc'))):%d %B %Y}"
    except ValueError:
        return ""
