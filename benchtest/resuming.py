"""Going on with a run that was interrupted: what it had done, and how the bench is brought back to where it stood.

Nothing is taken for granted: whoever goes on is asked whether anything was changed in the set; the hook-up is made anew,
the DC check is repeated, and the tone waits until a person confirms. A new run folder holds the readings of the steps that
were finished, marked with the run that they come from, and then its own.
"""

from __future__ import annotations

import contextlib
import dataclasses
import importlib
import json
import math
from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchtest import archive as archives
from benchtest.amplifier_file import AmplifierSpec
from benchtest.archive.conditions import conditions_of
from benchtest.archive.run import amplifier_identity
from benchtest.errors import FileError, NotAllowed
from benchtest.instruments.test_points import TEST_POINTS
from benchtest.measurements.dc_offset import dc_offsets
from benchtest.measurements.gain import gain
from benchtest.reading import COLUMNS
from benchtest.safety import GuardedBench

_TAG = "dataclass"
GOES_ON = ("interrupted", "error", "unfinished")
"""Results of a run that may be gone on with. One that was stopped for safety starts again."""


@dataclass(frozen=True)
class Earlier:
    """The part of an interrupted run that counts.

    done: names of its finished steps, from the first one on without a gap. rows: their readings. hook_up: what was
    connected and set when the next step began.
    """

    run_id: str
    folder: Path
    result: str
    done: tuple[str, ...]
    rows: tuple[dict[str, Any], ...]
    hook_up: dict[str, str] = field(default_factory=dict)
    kept: dict[str, Any] = field(default_factory=dict)


def earlier_run(archive: Path, wanted: str, procedure: str, steps: Sequence[str], amplifier: AmplifierSpec) -> Earlier:
    """What can be gone on with.

    ``wanted`` is a run as a person types it, "last" for the last one of this procedure that was interrupted.
    Raises FileError where there is none, or it is of another procedure or amplifier, or was stopped for safety.
    """
    book = archives.open(archive)
    if wanted == "last":
        kept = [r for r in book.runs() if r.procedure == procedure and r.result in GOES_ON]
        if not kept:
            raise FileError(
                f"{archive}: no run of {procedure} was interrupted. Expected one that ended as {', '.join(GOES_ON)}. "
                "'benchtest log' lists the runs; without --resume the procedure starts from its beginning."
            )
        run = archives.Run(kept[0].folder)
    else:
        run = book.find(wanted)
    page = run.summary
    result = str(page.get("result") or "unfinished")
    if page.get("procedure") != procedure or result not in GOES_ON:
        raise FileError(
            f"run {run.run_id} is one of {page.get('procedure')} and ended as {result}. Expected an interrupted run of "
            f"{procedure} ({', '.join(GOES_ON)}). One that was stopped for safety starts again from the cold checks."
        )
    named = amplifier_identity(page).get("name")
    if named != amplifier.name:
        raise FileError(
            f"run {run.run_id} is of '{named}', now it is '{amplifier.name}'. Give the amplifier file of that run."
        )
    return _earlier(run, result, steps)


def _earlier(run: archives.Run, result: str, steps: Sequence[str]) -> Earlier:
    done: list[str] = []
    current: dict[str, str] = {}
    at_start: dict[str, str] = {}
    kept: dict[str, Any] = {}
    for event in run.events():
        kind = event.get("event")
        if kind in ("prompt", "hook_up"):
            current.update({k: str(v) for k, v in event.get("settings", {}).items() if k != "in turn"})
        elif kind == "mains":
            current["mains"] = str(event.get("state"))
        elif kind == "step_started":
            at_start = dict(current)
        elif kind == "step_ended" and len(done) < len(steps) and event.get("step") == steps[len(done)]:
            done.append(steps[len(done)])
            kept.update(event.get("kept") or {})
            at_start = dict(current)
    rows = tuple(_carried(row) for row in run.rows() if row["step"] in done)
    return Earlier(run.run_id, run.folder, result, tuple(done), rows, at_start, kept_from_json(kept))


def _carried(row: dict[str, Any]) -> dict[str, Any]:
    found = {name: row.get(name) for name in COLUMNS}
    when = row["time_utc"]
    found["time_utc"] = (
        when if isinstance(when, str) else when.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    )
    found["note"] = "; ".join(filter(None, (row.get("note"), f"taken in run {row['run_id']}, before the interruption")))
    return found


NEVER_DRIVEN = "never driven"
"""Among what is kept: the channels that the run has barred, each with the reason and whether its path is open."""


def kept_as_json(kept: Mapping[str, Any]) -> dict[str, Any]:
    """What steps handed on to later ones, as far as it can be written down: numbers, texts, dataclasses of this package."""
    found = {}
    for key, value in kept.items():
        with contextlib.suppress(TypeError):
            found[key] = json.loads(json.dumps(value, default=_tagged, allow_nan=False))
    return found


def _tagged(value: Any) -> Any:
    if (
        dataclasses.is_dataclass(value)
        and not isinstance(value, type)
        and type(value).__module__.startswith("benchtest.")
    ):
        fields = {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}
        return {_TAG: f"{type(value).__module__}:{type(value).__name__}", **fields}
    raise TypeError(f"{type(value).__name__} is not written down")


def kept_from_json(written: Any) -> Any:
    """The other way round.

    >>> kept_from_json({"full gain": {"left": 31.5}})
    {'full gain': {'left': 31.5}}
    """
    if isinstance(written, dict):
        inside = {k: kept_from_json(v) for k, v in written.items() if k != _TAG}
        if _TAG not in written:
            return inside
        module, _, name = str(written[_TAG]).partition(":")
        if not module.startswith("benchtest."):
            raise FileError(
                f"a record of an interrupted run names {module}. Expected a module of benchtest: start again."
            )
        return getattr(importlib.import_module(module), name)(**inside)
    return [kept_from_json(v) for v in written] if isinstance(written, list) else written


def ask_whether_changed(bench: GuardedBench) -> bool:
    """Whether the record may not be gone on with: something in the set was changed in the meantime."""
    answer = bench.ask(
        "Was anything in the set soldered, adjusted, plugged or moved since the run was interrupted?",
        ("no", "yes", "not sure"),
        about="changed",
    )
    return answer != "no"


def remembered(bench: GuardedBench, earlier: Earlier) -> None:
    """What the earlier run had found out and later readings rest on: loads, leads, mains, channels that are never driven."""
    for row in earlier.rows:
        value, given = row["value"], conditions_of(row)
        if value is None:
            continue
        if row["quantity"] == "load_resistance" and not given.get("at"):
            bench.use_load(row["channel"], value, given.get("load", "load"))
        elif row["quantity"] == "lead_resistance":
            bench.lead_ohm = value
        elif row["quantity"] == "mains_voltage":
            bench.mains_voltage = value
    for channel, (why, path_open) in earlier.kept.get(NEVER_DRIVEN, {}).items():
        bench.never_drive(channel, why, path_open=path_open)


def brought_back(bench: GuardedBench, amplifier: AmplifierSpec, earlier: Earlier) -> Generator[Any, Any, None]:
    """The body of the step that comes first when a run goes on: hook-up as it was, DC check, gain, and the levels that
    had been reached, by rungs. Cold if the mains was off when the next step was to begin."""
    state = earlier.hook_up
    if state.get("mains") != "on":
        yield None
        return
    bench.mains_off("Switch off at the wall, if it is on; wait for the relay to drop.")
    bench.sleep(3.0)
    cold = {"lamp": state.get("lamp", "out"), "load": state.get("load", "1 kilohm")}
    words = {"load": "the dummy load", "second load": "the second dummy load", "none": "nothing"}
    across = words.get(cold["load"], cold["load"])
    bench.hook_up(
        f"As it was: series lamp {cold['lamp']}, {across} across the speaker terminals. Inputs shorted, volume at "
        "minimum, until the DC check has been repeated.",
        inputs="shorted", volume="minimum", **cold,
    )  # fmt: skip
    for point in state.values():
        if point in TEST_POINTS and not bench.sits_on(point) and bench.reaches(point):
            bench.move_meter(point)
    bench.mains_on("Switch on.")
    bench.sleep((amplifier.relay_delay_s or 8.0) + 10.0, why="the relay pulls in")
    yield dc_offsets(bench, "going on")
    again = {k: state[k] for k in ("volume", "inputs") if k in state}
    if not again:
        return
    if again.get("inputs") == "sound_card":
        bench.ask("The tone comes next. Is everybody clear of it, the loads connected?", ("go on",))
    bench.hook_up("As it was before the interruption.", **again)
    if again.get("inputs") == "sound_card":
        yield gain(bench)
        _climb(bench, earlier.rows)


def _climb(bench: GuardedBench, rows: Sequence[dict[str, Any]]) -> None:
    """Up to what each channel had been seen to give before, 1 dB below at most, rung by rung."""
    for channel in bench.channels:
        reached = [
            float(r["value"])
            for r in rows
            if r["quantity"] == "output_voltage" and r["channel"] == channel and r["value"] is not None
            and json.loads(r["conditions"] or "{}").get("driven") == "one"
        ]  # fmt: skip
        target = max(reached, default=0.0) * 10 ** (-1.0 / 20.0)
        level = 0.0
        try:
            while level < target * 0.999 and not bench.ramp_ended(channel):
                level = min(target, bench.highest_output([channel]))
                bench.tone(level, [channel], hold_s=0.3, window_s=0.1)
                if math.isclose(level, bench.highest_output([channel])):
                    break
        except NotAllowed as why:
            bench.tell(f"{channel}: {why}")
