"""A bench file, or the simulated bench, becomes opened instruments.

One of the two doors of the package that open ``simulated_instruments`` (by driver name; the other is the commands
simulate, scenarios and train). What is opened here is handed to ``safety`` and to nobody else.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchtest.bench_file import BenchFile, DmmSection, bench_from_text, load_bench
from benchtest.errors import FileError, InstrumentError
from benchtest.instruments.accuracy import DEFAULT as DEFAULT_ACCURACY
from benchtest.instruments.accuracy import Accuracy
from benchtest.instruments.counted import CountedOperator
from benchtest.instruments.protocols import AudioInterface, Clock, Multimeter, Operator, SwitchedSocket

if TYPE_CHECKING:
    from simulated_instruments.bench import SimulatedBench

SOUND_CARD = "sound card"
"""What ``describe`` and ``open_instruments(only=...)`` call the audio interface."""

OperatorWrapper = Callable[[Operator], Operator]
"""Puts something between the procedure and whoever moves the leads, such as a person who confirms each prompt."""


@dataclass
class Instruments:
    """Everything that a bench file names, opened; closed in the reverse order."""

    file: BenchFile
    path: Path | None
    clock: Clock
    operator: Operator
    meters: dict[str, Multimeter]
    audio: AudioInterface | None
    mains_socket: SwitchedSocket | None
    simulated: bool
    started_utc: datetime
    seed: int
    keep_truth: Callable[[str], None] | None = None
    """Has a simulated bench note what was wrong, by run id, outside every archive."""
    closers: list[Callable[[], None]] = field(default_factory=list)

    def describe(self) -> list[dict[str, Any]]:
        """What ``run.json`` says of the instruments: name, where its leads sit, identity."""
        found: list[dict[str, Any]] = [
            {"name": meter.name, "kind": "multimeter", "connected_to": meter.connected_to, "identity": meter.identity()}
            for meter in self.meters.values()
        ]
        if self.audio is not None:
            found.append({"name": SOUND_CARD, "kind": "audio interface", "identity": self.audio.identity()})
        for name, switch in (("scanner", self.operator), ("mains socket", self.mains_socket)):
            identity = getattr(switch, "identity", None)
            if isinstance(identity, str):
                found.append({"name": name, "kind": name, "identity": identity})
        return found

    def close(self) -> None:
        """Close all of it, the last opened first; the first error is raised when everything has been tried."""
        first: Exception | None = None
        while self.closers:
            try:
                self.closers.pop()()
            except Exception as error:  # every instrument gets its close
                first = first or error
        if first is not None:
            raise first


def open_instruments(
    path: Path | None = None,
    *,
    seed: int = 0,
    scenario: str = "healthy",
    channel: str | None = None,
    wrap_operator: OperatorWrapper | None = None,
    only: Collection[str] | None = None,
) -> Instruments:
    """Open the bench of a file, or without one the simulated bench.

    ``only`` names what is wanted besides the operator and the clock (meters by name, SOUND_CARD); None is all of it.

    Raises FileError for a bad file or scenario, InstrumentError for an instrument that cannot be opened; whatever was
    opened before is closed again.
    """
    simulation: SimulatedBench | None = None
    if path is None:
        simulation = _simulated_bench(seed, scenario, channel)
        file = bench_from_text(simulation.bench_text(), "the simulated bench")
    else:
        file = load_bench(path)
        here = file.audio is not None and file.audio.driver == "simulated"
        here = here or (file.audio is None and file.operator.driver == "simulated" and not file.operator.resource)
        if here:  # in this process, so it may be given an ill amplifier
            simulation = _simulated_bench(seed, scenario, channel)
        elif scenario != "healthy":
            raise FileError(
                f"--scenario {scenario} was given together with the bench file {path}. A scenario belongs to the "
                "simulated bench: leave one of the two out, or give the scenario to 'benchtest simulate'."
            )
    opened = Instruments(
        file=file, path=path, clock=None, operator=None, meters={}, audio=None, mains_socket=None,  # type: ignore[arg-type]
        simulated=file.bench.simulated, started_utc=datetime.now(UTC), seed=seed,
    )  # fmt: skip
    if simulation is not None:
        opened.closers.append(simulation.close)
        opened.keep_truth = simulation.keep_truth
    try:
        _open_operator_and_clock(opened, simulation)
        if wrap_operator is not None:
            opened.operator = wrap_operator(opened.operator)
        _open_scanner(opened)
        opened.operator = CountedOperator(opened.operator)
        resources = simulation.open_multimeters() if simulation is not None else {}
        for section in file.dmm:
            if only is not None and section.name not in only:
                continue
            opened.meters[section.name] = _open_meter(section, opened, resources)
            opened.closers.append(opened.meters[section.name].close)
        if only is None or SOUND_CARD in only:
            _open_audio(opened, simulation)
        if only is None:
            _open_mains_socket(opened, simulation)
    except BaseException:
        opened.close()
        raise
    return opened


def simulated_bench_text() -> str:
    """The simulated bench's file, without opening it."""
    from simulated_instruments.truth import bench_text

    return bench_text()


def _simulated_bench(seed: int, scenario: str, channel: str | None) -> SimulatedBench:
    from simulated_instruments.bench import SimulatedBench

    return SimulatedBench(seed=seed, scenario=scenario, channel=channel)


def _open_operator_and_clock(opened: Instruments, simulation: SimulatedBench | None) -> None:
    section = opened.file.operator
    if section.driver == "simulated":
        if simulation is not None:
            opened.operator, opened.clock = simulation.operator(), simulation.clock
        else:
            from benchtest.instruments.control_port import RemoteClock, RemoteOperator

            operator = RemoteOperator(section.resource)
            clock = RemoteClock(section.resource)
            opened.operator, opened.clock = operator, clock
            opened.closers += [operator.close, clock.close]
        return
    from benchtest.instruments.clock import WallClock
    from benchtest.instruments.person import PersonOperator

    movable = [meter.name for meter in opened.file.dmm if meter.connected_to == "movable"]
    opened.operator, opened.clock = PersonOperator(movable), WallClock()
    opened.closers.append(opened.operator.close)


def _open_scanner(opened: Instruments) -> None:
    section = opened.file.scanner
    if section is None:
        return
    from benchtest.instruments.scanner import Connection, ScannerOperator, parse_channels

    rows = [Connection(row.setting, row.state, parse_channels(row.channels)) for row in section.connections]
    opened.operator = ScannerOperator(opened.operator, section.resource, rows)
    opened.closers.append(opened.operator.close)


def _open_meter(section: DmmSection, opened: Instruments, resources: dict[str, str]) -> Multimeter:
    if section.driver == "handheld":
        from benchtest.instruments.handheld import HandheldMultimeter

        return HandheldMultimeter(
            opened.operator, name=section.name, connected_to=section.connected_to, accuracy=_accuracy(section)
        )
    from benchtest.instruments.multimeter import ScpiMultimeter

    resource = section.resource
    accuracy = _accuracy(section)
    if section.driver == "simulated":
        if section.name not in resources:
            raise InstrumentError(
                f"the simulated bench has no meter named '{section.name}'; it has: {', '.join(sorted(resources))}. "
                'Use one of these names, or driver = "scpi" with a resource.'
            )
        resource = resources[section.name]
    return ScpiMultimeter(
        resource, name=section.name, connected_to=section.connected_to, accuracy=accuracy, overrides=section.commands
    )


def _accuracy(section: DmmSection) -> Sequence[Accuracy]:
    """The meter's accuracy statement as the bench file gives it; without one, that of the simulated meter or of a plain
    hand-held one."""
    if section.accuracy:
        return tuple(
            Accuracy(row.function, row.range, row.frequency_hz, row.percent_of_reading, row.percent_of_range)
            for row in section.accuracy
        )
    if section.driver == "simulated":
        from simulated_instruments.meter_front_end import SIMULATED_ACCURACY

        return SIMULATED_ACCURACY
    return DEFAULT_ACCURACY


def _open_audio(opened: Instruments, simulation: SimulatedBench | None) -> None:
    section = opened.file.audio
    if section is None:
        return
    if section.driver == "simulated":
        assert simulation is not None
        opened.audio = simulation.audio()
    else:
        from benchtest.instruments.soundcard import SoundCard

        opened.audio = SoundCard(
            section.output_device, section.input_device, section.sample_rate, exclusive=section.exclusive
        )
        if opened.file.operator.driver == "simulated":  # its clock must not jump while sound is under way
            from benchtest.instruments.control_port import PacedAudio

            opened.audio = PacedAudio(opened.audio, opened.file.operator.resource)
    opened.closers.append(opened.audio.close)


def _open_mains_socket(opened: Instruments, simulation: SimulatedBench | None) -> None:
    section = opened.file.mains_socket
    if section is None:
        return
    if section.driver == "scpi":
        from benchtest.instruments.scpi_socket import ScpiSocket

        opened.mains_socket = ScpiSocket(section.resource, overrides=section.commands)
    elif simulation is not None:
        opened.mains_socket = simulation.mains_socket()
    else:
        from benchtest.instruments.control_port import RemoteSocket

        opened.mains_socket = RemoteSocket(section.resource)
    opened.closers.append(opened.mains_socket.close)
