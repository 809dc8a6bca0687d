"""A procedure rehearsed: kit, hook-ups, levels and time, before anything is connected. Nothing of a real bench is touched.

The rehearsal is a run on the simulated bench, with a healthy amplifier of the kind that the amplifier file names and with
the meters that the real bench has; what is asked of the person and of the sound card is written down on the way. Levels
beyond what the simulated amplifier gives are not reached there; ``ceiling_v`` is what the limits would allow.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from benchtest.amplifier_file import AmplifierSpec
from benchtest.bench import simulated_bench_text
from benchtest.bench_file import BenchFile, bench_as_toml, bench_from_text, load_bench
from benchtest.durations import in_words
from benchtest.procedure import Procedure, RunResult, run
from benchtest.safety import GuardedBench, open_bench

SCENARIO_OF = {
    "dc_servo": "healthy-dc-servo",
    "capacitor_coupled": "healthy-capacitor-coupled",
    "bridged": "healthy-bridged",
}
"""The healthy simulated amplifier of each kind of output stage; direct-coupled for any other."""
MOVABLE = "bench meter"


@dataclass
class RehearsedStep:
    """What one step asked for. seconds: on the bench's clock. levels: (channels, V rms, Hz), the highest of each pair."""

    number: int
    name: str
    title: str
    why: str
    hook_up: str
    outside: bool
    takes: str
    seconds: float = 0.0
    prompts: list[str] = field(default_factory=list)
    switched: list[str] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)
    levels: dict[str, float] = field(default_factory=dict)
    quantities: list[str] = field(default_factory=list)
    ended: bool = False


@dataclass
class Rehearsal:
    """The whole of it; ``result`` is that of the run on the simulated bench."""

    title: str
    kit: tuple[str, ...]
    cautions: tuple[str, ...]
    steps: list[RehearsedStep]
    result: RunResult
    events: list[dict[str, Any]]
    ceiling_v: float
    stated_seconds: float | None

    @property
    def seconds(self) -> float:
        return sum(step.seconds for step in self.steps)

    @property
    def hook_ups(self) -> int:
        return sum(len(step.prompts) for step in self.steps)

    @property
    def highest_v(self) -> float:
        levels = (item for step in self.steps for item in step.levels.items())
        return max((volts for what, volts in levels if not what.startswith("loopback")), default=0.0)

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {
            "title": self.title, "kit": list(self.kit), "cautions": list(self.cautions), "seconds": round(self.seconds, 1),
            "stated_seconds": self.stated_seconds, "hook_ups": self.hook_ups, "highest_output_v": round(self.highest_v, 3),
            "ceiling_v": round(self.ceiling_v, 3), "result": self.result.summary["result"],
            "steps": [asdict(step) for step in self.steps],
        }  # fmt: skip

    def lines(self) -> list[str]:
        """What a person reads before going for the kit."""
        out = [f"REHEARSAL, nothing is driven: {self.title}", ""]
        out += ["Cautions"] + [f"  ! {caution}" for caution in self.cautions]
        out += ["", "To have ready"] + [f"  - {item}" for item in self.kit] + [""]
        for step in self.steps:
            where = "outside" if step.outside else "INSIDE, off first"
            out.append(f"{step.number:>2}  {step.title}  ({in_words(step.seconds)}; {where})")
            out.append(f"      why: {step.why}")
            if step.hook_up:
                out.append(f"      connected: {step.hook_up}")
            out += [f"      > {prompt}" for prompt in step.prompts]
            out += [f"      > mains {state}: by the switched socket" for state in step.switched]
            out += [f"      ? {question}" for question in step.questions]
            for what, volts in step.levels.items():
                shown = f"{volts:g}" if what.startswith("loopback") else _volts(volts)
                out.append(f"      ~ {what}: up to {shown}")
            if not step.ended:
                out.append("      not gone through to its end on the simulated bench")
        level = "no tone is played"
        if self.highest_v > 0.0:
            level = f"highest level {_volts(self.highest_v)} of the {_volts(self.ceiling_v)} that load, sound card and "
            level += "rating allow"
        out += ["", f"{self.hook_ups} hook-ups, about {in_words(self.seconds)} on the bench's clock; {level}."]
        ended = self.result.summary
        if ended["result"] in ("stopped", "error"):
            out.append(f"The rehearsal ended early ({ended['result']}): {ended['stop'] or ended['error']}")
        return out


def rehearse(
    procedure: Procedure, amplifier: AmplifierSpec, bench_file: Path | None = None, *, seed: int = 0
) -> Rehearsal:
    """Go through a procedure on the simulated bench, with the kinds of meters that ``bench_file`` has.

    Raises FileError for a bench file that cannot be used.
    """
    steps = [
        RehearsedStep(n, s.name, s.title, s.why, s.hook_up, s.outside, s.takes)
        for n, s in enumerate(procedure.steps, 1)
    ]
    notes = _Notes(steps)
    with ExitStack() as stack:
        where = None
        if bench_file is not None:
            moved = [meter.name for meter in load_bench(bench_file).dmm if meter.connected_to == "movable"]
            notes.movable = moved[0] if moved else MOVABLE
            folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="benchtest-"))
            where = Path(folder) / "rehearsal.toml"
            where.write_text(bench_as_toml(as_simulated(load_bench(bench_file))), encoding="utf-8")
        scenario = SCENARIO_OF.get(amplifier.output_stage, "healthy")
        bench = stack.enter_context(open_bench(where, amplifier=amplifier, seed=seed, scenario=scenario))
        notes.listen(bench)
        result = run(procedure, bench, archive=None, listeners=[notes])
        limits = bench.drive_limits()
        ceiling = min(limits.highest_v(i, limits.load_ohm[i]) for i in (0, 1))
    return Rehearsal(
        procedure.title, tuple(procedure.kit), tuple(procedure.cautions), steps, result, notes.events, ceiling,
        procedure.seconds,
    )  # fmt: skip


def as_simulated(file: BenchFile) -> BenchFile:
    """The simulated bench with the meters, the lamp, the socket and the load's rating that a real bench has.

    A meter on a point where the simulated bench has none is left out.
    """
    plain = bench_from_text(simulated_bench_text(), "the simulated bench")
    by_point = {meter.connected_to: meter for meter in plain.dmm}
    meters = []
    for meter in file.dmm:
        there = by_point.pop(meter.connected_to, None)
        if there is not None:
            handheld = meter.driver == "handheld"
            meters.append(there.model_copy(update={"driver": "handheld" if handheld else "simulated"}))
    load = plain.load.model_copy(
        update={"power_rating_w": file.load.power_rating_w, "as_mounted": file.load.as_mounted}
    )
    second = file.second_load and plain.second_load
    if file.second_load is not None and second is not None:
        second = second.model_copy(update={"power_rating_w": file.second_load.rating_as_mounted_w})
    return plain.model_copy(
        update={
            "dmm": tuple(meters), "load": load, "second_load": second, "lamp": plain.lamp if file.lamp is not None else None,
            "audio": plain.audio if file.audio is not None else None,
            "mains_socket": plain.mains_socket if file.mains_socket is not None else None, "calibration": None,
        }
    )  # fmt: skip


class _Notes:
    """Writes down what each step asks for."""

    def __init__(self, steps: Sequence[RehearsedStep]) -> None:
        self.steps = steps
        self.now: RehearsedStep | None = None
        self.events: list[dict[str, Any]] = []
        self._since = 0.0
        self.movable = MOVABLE
        """What the person calls the meter that is moved."""

    def __call__(self, event: dict[str, Any]) -> None:
        self.events.append(event)
        kind = event["event"]
        if kind in ("step_started", "run_ended"):
            if self.now is not None:
                self.now.seconds = event["time_s"] - self._since
            self._since = event["time_s"]
            self.now = self.steps[event["number"] - 1] if kind == "step_started" else None
        if self.now is None:
            return
        if kind == "prompt":
            said = event["say"] or ", ".join(f"{k}: {v}" for k, v in event["settings"].items())
            self.now.prompts.append(said.replace(f"{MOVABLE}: ", f"{self.movable}: "))
        elif kind == "mains":
            self.now.switched.append(str(event["state"]))
        elif kind == "question":
            self.now.questions.append(event["question"])
        elif kind == "reading":
            self.now.quantities.append(event["row"]["quantity"])
        elif kind == "step_ended":
            self.now.ended = True

    def listen(self, bench: GuardedBench) -> None:
        """Write down the levels that are asked for."""
        for name, says in (("tone", _tone), ("bursts", _bursts), ("waveform", _waveform), ("loopback_tone", _loopback)):
            setattr(bench, name, self._noting(getattr(bench, name), says))

    def _noting(self, act: Callable[..., Any], says: Callable[..., tuple[str, float]]) -> Callable[..., Any]:
        def noted(*args: Any, **more: Any) -> Any:
            found = act(*args, **more)
            if self.now is not None:
                what, volts = says(*args, **more)
                self.now.levels[what] = max(volts, self.now.levels.get(what, 0.0))
            return found

        return noted


def _driven(channels: Sequence[str]) -> str:
    return "both channels" if len(channels) == 2 else str(channels[0])


def _tone(output_v: float, channels: Sequence[str], **more: Any) -> tuple[str, float]:
    return f"tone {more.get('frequency_hz', 1000.0):g} Hz, {_driven(channels)}", output_v


def _bursts(output_v: float, channels: Sequence[str], **more: Any) -> tuple[str, float]:
    return f"20 ms bursts, {_driven(channels)}", output_v


def _waveform(
    shape: Any, rate: int, channels: Sequence[str], *, output_peak_v: float, **more: Any
) -> tuple[str, float]:
    return f"other signals (rms of a sine of that peak), {_driven(channels)}", output_peak_v / 2.0**0.5


def _loopback(share: float, **more: Any) -> tuple[str, float]:
    return "loopback, share of full scale", share


def _volts(volts: float) -> str:
    return f"{1000 * volts:.0f} mV" if volts < 1.0 else f"{volts:.3g} V"
