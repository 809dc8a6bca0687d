"""What a procedure script is written with, and the runner that carries one out.

A procedure is a list of steps; the body of a step is a generator that yields readings (also lists of them, curves and
waveforms) and gets each reading back with its verdict. The runner judges, keeps, and tells: every reading is on disk
before it is shown. However a run ends, the tone is off first, and the run folder says how it ended.
"""

from __future__ import annotations

import importlib.util
import inspect
import platform
import re
import sys
import time
from collections.abc import Callable, Generator, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from benchtest.amplifier_file import AmplifierSpec
from benchtest.archive import RunWriter
from benchtest.diagnosis import diagnose, unmeasured
from benchtest.durations import seconds_of, total_seconds
from benchtest.errors import BenchtestError, FileError, InstrumentError, NotAllowed, NotReachable, SafetyStop
from benchtest.events import Sink
from benchtest.limits import judge, limit_table
from benchtest.open_path import unjudged_if_open
from benchtest.published import requirement_set
from benchtest.reading import Reading, Verdict, as_row
from benchtest.records import Curve, Waveform
from benchtest.remarks import remarks_on
from benchtest.resuming import NEVER_DRIVEN, Earlier, ask_whether_changed, brought_back, kept_as_json, remembered
from benchtest.safety import GuardedBench


@dataclass(frozen=True)
class Advice:
    """What a procedure says at its end: one word (go on, stop, look at; repair, parts, scrap) and the reasons.

    A step yields it; run.json keeps it as ``advice``, and it is shown in the run.
    """

    word: str
    because: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        return f"{self.word.upper()}: " + ("; ".join(self.because) or "nothing spoke against it")


Item = Reading | Curve | Waveform | Advice
Body = Callable[..., Generator[Any, Any, None]]

CAUTIONS = (
    "Mains kills. Covers off means live parts, often with the switch off: unplug, and do not trust the switch.",
    "Reservoirs stay charged: measure, discharge through a resistor, measure again.",
    "Loads and heatsinks burn skin. Loudspeakers off, loads on. Glasses on at first power.",
    "Isolating transformer for the set, residual-current device for the bench; never lift a safety earth.",
    "Work on mains parts may need a licensed person; local codes decide. A passed test is not a safety approval.",
)


@dataclass(frozen=True)
class Step:
    """One step: what a rehearsal, a time estimate, a resumed run and a prompt need to know."""

    title: str
    body: Body
    why: str
    hook_up: str
    outside: bool
    takes: str
    required: bool
    called: str = ""

    @property
    def name(self) -> str:
        """The step's name in readings.csv."""
        return self.called or self.body.__name__

    @property
    def seconds(self) -> float | None:
        """What ``takes`` says, s; None where it says nothing."""
        return seconds_of(self.takes)


@dataclass
class Procedure:
    """A page that a technician follows from top to bottom.

    Examples
    --------
    >>> test = Procedure("Look at the rails", kit=["multimeter"])
    >>> @test.step("Rails", why="no rails, no sound", hook_up="meter to the rails", outside=False, takes="10 s")
    ... def rails(bench, amplifier):
    ...     yield []
    >>> [step.name for step in test.steps]
    ['rails']
    """

    title: str
    kit: Sequence[str] = ()
    cautions: Sequence[str] = CAUTIONS
    steps: list[Step] = field(default_factory=list)
    name: str = ""
    summary: str = ""
    tones: bool = True
    """Whether it uses the sound card: without tones a simulated bench need not be calibrated first."""

    @property
    def seconds(self) -> float | None:
        """How long it takes by what its steps say, s on the bench's clock; None where no step says it."""
        return total_seconds(step.takes for step in self.steps)

    def step(
        self,
        title: str,
        *,
        why: str,
        hook_up: str = "",
        outside: bool = True,
        takes: str = "",
        required: bool = False,
    ) -> Callable[[Body], Body]:
        """Declare the next step; decorates its body ``(bench, amplifier)`` or ``(bench, amplifier, so_far)``, where
        so_far are the rows of readings.csv up to now."""

        def keep(body: Body) -> Body:
            self.steps.append(Step(title, body, why, hook_up, outside, takes, required))
            return body

        return keep

    def name_last(self, name: str) -> None:
        """Call the step that was declared last by another name, where a loop declares several."""
        self.steps[-1] = replace(self.steps[-1], called=name)


@dataclass(frozen=True)
class RunResult:
    """How a run ended: what run.json holds."""

    summary: dict[str, Any]
    folder: Path | None
    rows: tuple[dict[str, Any], ...]
    error: BaseException | None = None

    @property
    def exit_status(self) -> int:
        return int(self.summary["exit_status"])


RESULT_EXIT = {"passed": 0, "failed": 1, "error": 3, "stopped": 4, "inconclusive": 5, "interrupted": 130}


def run(
    procedure: Procedure,
    bench: GuardedBench,
    *,
    archive: Path | None,
    listeners: Iterable[Sink] = (),
    require: str | None = None,
    earlier: Earlier | None = None,
) -> RunResult:
    """Carry a procedure out on a bench and keep the run.

    archive None keeps nothing on disk (headless scoring). ``require`` names a published requirement set whose limits come
    first. ``earlier`` is an interrupted run that is gone on with (``resuming``). Raises FileError if the run folder
    cannot be made or there is no such requirement set; every other ending is a result.
    """
    return _Run(procedure, bench, archive, require, earlier).carry_out(listeners)


class _Run:
    def __init__(
        self,
        procedure: Procedure,
        bench: GuardedBench,
        archive: Path | None,
        require: str | None = None,
        earlier: Earlier | None = None,
    ) -> None:
        self.procedure = procedure
        self.earlier = earlier
        self.advice: Advice | None = None
        self.bench = bench
        self.amplifier: AmplifierSpec = bench.amplifier
        self.table = limit_table(self.amplifier, require=require)
        self.rows: list[dict[str, Any]] = []
        self.unmet: list[str] = []
        """Readings of required steps that were not taken or not decided."""
        self._brought_back = False
        self.started_utc = datetime.now(UTC)
        self.wall = time.perf_counter()
        bench.events.restart()
        self.header: dict[str, Any] = {
            "procedure": procedure.name,
            "title": procedure.title,
            "simulated": bench.simulated,
            "amplifier": self.amplifier.model_dump(mode="json"),
            "calibration": bench.calibration.as_dict(),
            "started_utc": self.started_utc.isoformat(timespec="milliseconds"),
            "software": _software(),
            "estimated_seconds": procedure.seconds,
            "required_set": require,
            "goes_on_from": earlier.run_id if earlier else None,
            **bench.describe(),
        }
        self.writer = (
            None
            if archive is None
            else RunWriter.create(
                archive,
                procedure=procedure.name,
                amplifier_name=self.amplifier.name,
                started_utc=self.started_utc,
                header=self.header,
            )
        )
        self.run_id = self.writer.run_id if self.writer is not None else "not-kept"
        if self.writer is not None:
            bench.keep_truth(self.run_id)
            bench.kept["run folder"] = str(self.writer.folder)

    def carry_out(self, listeners: Iterable[Sink]) -> RunResult:
        if self.writer is not None:
            self.bench.events.subscribe(self.writer.append_event)
        for listener in listeners:
            self.bench.events.subscribe(listener)
        emit = self.bench.events.emit
        error: BaseException | None = None
        try:
            emit(
                "run_started",
                run_id=self.run_id,
                procedure=self.procedure.name,
                title=self.procedure.title,
                amplifier=self.amplifier.name,
                simulated=self.bench.simulated,
                folder=str(self.writer.folder) if self.writer else None,
                kit=list(self.procedure.kit),
                cautions=list(self.procedure.cautions),
                steps=[step.title for step in self.procedure.steps],
                calibration_warning=self.bench.calibration.warning if self.procedure.tones else "",
                estimated_seconds=self.procedure.seconds,
                judged_by=_judged_by(self.header["required_set"]),
            )
            for number, step in enumerate(self.procedure.steps, 1):
                if number > self._go_on_after():
                    self._carry_out_step(number, step)
            result = self._judged()
        except SafetyStop as stop:
            self.bench.switch_off()
            result, error = "stopped", stop
            self.advice = Advice("stop", (str(stop),))
        except NotAllowed as refused:
            self.bench.switch_off()
            result, error = "stopped", refused
            emit("stop", message=str(refused), words="Nothing was driven beyond the safety limits.")
        except KeyboardInterrupt as interrupt:
            self.bench.switch_off()
            result, error = "interrupted", interrupt
        except InstrumentError as failed:
            self.bench.switch_off()
            result, error = "error", failed
            emit("note", text=str(failed), severity="error")
        except Exception as fault:  # a fault of the script: the run is closed, the fault is shown
            self.bench.switch_off()
            result, error = "error", fault
            emit("note", text=f"{type(fault).__name__}: {fault}", severity="error")
        return self._close(result, error)

    def _go_on_after(self) -> int:
        """How many steps an earlier run has done; the first call asks, and brings the bench back to where it stood."""
        earlier = self.earlier
        if earlier is None or not earlier.done:
            return 0
        if not self._brought_back:
            if ask_whether_changed(self.bench):
                self.bench.tell("Then the record is not gone on with: from the cold checks and the lamp again.")
                self.earlier = None
                return 0
            self._brought_back = True
            self.bench.tell(
                f"Going on with run {earlier.run_id} after its step {len(earlier.done)}. What was measured before it was "
                "interrupted, as it stands in its record:"
            )
            self.bench.kept.update({k: v for k, v in earlier.kept.items() if k not in ("run folder", NEVER_DRIVEN)})
            remembered(self.bench, earlier)
            for row in earlier.rows:
                self._keep_row({**row, "run_id": self.run_id, "sequence": len(self.rows) + 1}, {})
            for done in self.procedure.steps[: len(earlier.done)]:
                self.bench.events.emit(
                    "step_ended", step=done.name, outcome="done before", kept=kept_as_json(earlier.kept)
                )
            first = Step(
                "Going on: hook-up as it was, DC check, gain", lambda b, a: brought_back(b, a, earlier),
                "nothing is taken for granted after an interruption", "as it was", True, "1 min", True, "going_on",
            )  # fmt: skip
            self._carry_out_step(len(earlier.done), first)
        return len(earlier.done)

    def _carry_out_step(self, number: int, step: Step) -> None:
        emit = self.bench.events.emit
        emit(
            "step_started", number=number, of=len(self.procedure.steps), step=step.name, title=step.title, why=step.why,
            hook_up=step.hook_up, outside=step.outside, takes=step.takes, required=step.required,
        )  # fmt: skip
        body = step.body(*(self.bench, self.amplifier, tuple(self.rows))[: _parameters(step.body)])
        if not inspect.isgenerator(body):
            raise FileError(
                f"step '{step.name}' of {self.procedure.name} is no generator. Expected a body that yields readings; "
                "write 'yield' before each measurement."
            )
        answer: Any = None
        outcome = "done"
        while True:
            try:
                item = body.send(answer)
            except StopIteration:
                break
            except NotReachable as why:  # the bench lacks an instrument: no fault of the set, and no end of the run
                outcome = "not measured"
                self._keep(_step_not_measured(step, self.bench, why), step)
                break
            answer = self._take(item, step)
        self.bench.act_on_stops()  # also one that the step has swallowed
        self.bench.drain_errors()
        kept = {**self.bench.kept, NEVER_DRIVEN: self.bench.never_driven()}
        emit("step_ended", step=step.name, outcome=outcome, kept=kept_as_json(kept))

    def _take(self, item: Any, step: Step) -> Any:
        """Keep what a step yields; returns it judged, in the shape in which it came."""
        if isinstance(item, Reading):
            judged = self._keep(item, step)
            self.bench.act_on_stops()
            return judged
        if isinstance(item, Advice):
            self.advice = item
            self.bench.events.emit("note", text=item.text, severity="note")
            return item
        if isinstance(item, Curve):
            self._keep_curve(item)
            return item
        if isinstance(item, Waveform):
            self._keep_waveform(item)
            return item
        if isinstance(item, Iterable) and not isinstance(item, str | bytes):
            kept = [self._take_quietly(part, step) for part in item]
            self.bench.act_on_stops()
            return kept
        if item is None:
            return None
        raise FileError(
            f"step '{step.name}' of {self.procedure.name} yielded {type(item).__name__}. Expected readings, curves, "
            "waveforms, an Advice, or lists of them."
        )

    def _take_quietly(self, item: Any, step: Step) -> Any:
        """As _take, but a stop waits until the whole list is kept."""
        if isinstance(item, Reading):
            return self._keep(item, step)
        return self._take(item, step)

    def _keep(self, reading: Reading, step: Step) -> Reading:
        judged = unjudged_if_open(judge(reading, self.table), self.bench.open_paths())
        if step.required and judged.verdict in (Verdict.NOT_MEASURED, Verdict.INCONCLUSIVE):
            self.unmet.append(f"{judged.quantity} {judged.channel}")
        time_utc = self.started_utc + timedelta(seconds=self.bench.events.elapsed())
        row = as_row(
            judged,
            run_id=self.run_id,
            sequence=len(self.rows) + 1,
            time_utc=time_utc.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            procedure=self.procedure.name,
            step=step.name,
            simulated=self.bench.simulated,
        )
        self._keep_row(row, dict(judged.budget))
        return judged

    def _keep_row(self, row: dict[str, Any], budget: dict[str, float]) -> None:
        if self.writer is not None:
            self.writer.append_reading(row)
        self.rows.append(row)
        self.bench.events.emit("reading", row=row, budget=budget)

    def _keep_curve(self, curve: Curve) -> None:
        path = None
        if self.writer is not None:
            path = self.writer.save_curve(
                curve.name, dict(curve.columns), units=dict(curve.units), title=curve.title, meta=dict(curve.meta)
            )
        self.bench.events.emit("curve", name=curve.name, title=curve.title, path=_inside(path, self.writer))

    def _keep_waveform(self, waveform: Waveform) -> None:
        if self.writer is None:
            return
        path = self.writer.save_capture(
            waveform.name, waveform.volts, waveform.sample_rate,
            volts_per_full_scale=waveform.volts_per_full_scale, meta=dict(waveform.meta),
        )  # fmt: skip
        self.bench.events.emit("capture", name=waveform.name, path=_inside(path, self.writer))

    def _judged(self) -> str:
        verdicts = {row["verdict"] for row in self.rows}
        if str(Verdict.FAIL) in verdicts:
            return "failed"
        if self.unmet or not verdicts & {str(Verdict.PASS), str(Verdict.NOTED)}:
            return "inconclusive"
        return "passed"

    def _close(self, result: str, error: BaseException | None) -> RunResult:
        emit = self.bench.events.emit
        causes = [cause.as_dict() for cause in diagnose(self.rows, self.amplifier)]
        lacking = list(unmeasured(self.rows))
        remarks = list(remarks_on(self.rows, self.unmet, self.amplifier.rated_power_w, self.bench.unwatched))
        status = RESULT_EXIT[result]
        if isinstance(error, BenchtestError) and not isinstance(error, SafetyStop | NotAllowed):
            status = error.exit_status
        bench_seconds = self.bench.events.elapsed()
        wall_seconds = time.perf_counter() - self.wall
        overhead = self.bench.overhead(wall_seconds)
        summary: dict[str, Any] = {
            "run_id": self.run_id,
            **self.header,
            "result": result,
            "exit_status": status,
            "stop": str(error) if result == "stopped" else None,
            "error": f"{type(error).__name__}: {error}" if result == "error" else None,
            "folder": str(self.writer.folder) if self.writer else None,
            "ended_utc": (self.started_utc + timedelta(seconds=bench_seconds)).isoformat(timespec="milliseconds"),
            "bench_seconds": round(bench_seconds, 3),
            "wall_seconds": round(wall_seconds, 3),
            "signal_seconds": round(self.bench.signal_s, 3),
            "settling_seconds": round(self.bench.settling_s, 3),
            "wall_over_signal_and_settling": None if overhead is None else round(overhead, 4),
            "readings_count": len(self.rows),
            "not_decided": self.unmet,
            "diagnosis": causes,
            "unmeasured": lacking,
            "remarks": remarks,
            "advice": {"word": self.advice.word, "because": list(self.advice.because)} if self.advice else None,
            "ending": self.bench.ending_words(),
            **self.bench.describe(),
        }
        emit(
            "run_ended", result=result, exit_status=status, diagnosis=causes, unmeasured=lacking, remarks=remarks,
            ending=summary["ending"], stop=summary["stop"], error=summary["error"], readings_count=len(self.rows),
            bench_seconds=summary["bench_seconds"],
        )  # fmt: skip
        if self.writer is not None:
            self.writer.close(summary)
        return RunResult(summary, self.writer.folder if self.writer else None, tuple(self.rows), error)


def _judged_by(required: str | None) -> str:
    """Which published set judges before the defaults, in words; "" where none was asked for."""
    if required is None:
        return ""
    return f"Judged by {requirement_set(required).set.title} ({required}) first, then by the defaults at the bench."


def _step_not_measured(step: Step, bench: GuardedBench, why: NotReachable) -> Reading:
    """What stands in readings.csv for the rest of a step that no instrument of this bench reaches."""
    return Reading(
        quantity="step", channel="none", value=None, unit="1", verdict=Verdict.NOT_MEASURED, note=str(why),
        conditions=bench.conditions(at=step.title), method="the rest of this step was left out",
    )  # fmt: skip


def _parameters(body: Body) -> int:
    """2 for (bench, amplifier), 3 where the body also wants the rows read so far."""
    return 3 if len(inspect.signature(body).parameters) == 3 else 2


def _inside(path: Path | None, writer: RunWriter | None) -> str | None:
    return str(path.relative_to(writer.folder)) if path is not None and writer is not None else None


def _software() -> dict[str, str]:
    from importlib.metadata import PackageNotFoundError, version

    found = {"python": platform.python_version(), "system": platform.platform(terse=True)}
    for package in ("benchtest", "numpy", "scipy", "pyvisa", "pyvisa-py", "sounddevice"):
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            found[package] = "not installed"
    return found


# -------------------------------------------------------------------- finding procedures


def procedure_folders() -> list[Path]:
    """Where procedures are looked up by name: ./procedures first, then the installed copy."""
    package = Path(__file__).parent
    candidates = [Path.cwd() / "procedures", package / "procedures", package.parent / "procedures"]
    return [path for i, path in enumerate(candidates) if path.is_dir() and path not in candidates[:i]]


def find_procedures() -> dict[str, Path]:
    """Every procedure script by name; the first folder wins."""
    found: dict[str, Path] = {}
    for folder in procedure_folders():
        for path in sorted(folder.glob("*.py")):
            if not path.stem.startswith("_"):
                found.setdefault(path.stem, path)
    return found


def load_procedure(name_or_path: str) -> Procedure:
    """A procedure by path or by name. Raises FileError with the candidates if there is none."""
    known = find_procedures()
    path = Path(name_or_path)
    if not (path.suffix == ".py" and path.is_file()):
        if name_or_path not in known:
            listed = ", ".join(sorted(known)) or "none"
            raise FileError(
                f"no procedure '{name_or_path}'. Expected a path to a .py file, or one of: {listed}. "
                "'benchtest procedures' lists them."
            )
        path = known[name_or_path]
    return _load(path)


def _load(path: Path) -> Procedure:
    module_name = "benchtest_procedure_" + re.sub(r"\W", "_", path.stem)
    spec = importlib.util.spec_from_file_location(module_name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[module_name] = module
    try:
        spec.loader.exec_module(module)
    except Exception as error:
        raise FileError(
            f"procedure {path}: {type(error).__name__}: {error}. Expected a script that defines one Procedure and its "
            "steps; see procedures/power_on.py."
        ) from error
    procedures = [value for value in vars(module).values() if isinstance(value, Procedure)]
    if len(procedures) != 1:
        raise FileError(
            f"procedure {path}: {len(procedures)} Procedure objects found, expected one. Define 'test = Procedure(...)' "
            "and decorate each step with '@test.step(...)'."
        )
    summary = (inspect.getdoc(module) or "").split("\n", 1)[0]
    return replace(procedures[0], name=path.stem, summary=procedures[0].summary or summary)
