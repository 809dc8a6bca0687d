"""The simulated bench served to other programs: meters and control port over TCP, the amplifier on the audio stack.

``benchtest simulate`` serves from its own process; ``python -m simulated_instruments.serve`` does the same without the
command's trimmings, prints the bench file and serves until its standard input ends or it is told to stop, so that a
test (and whoever kills the test) leaves nothing running.
"""

from __future__ import annotations

import argparse
import contextlib
import logging
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from types import FrameType, TracebackType

from benchtest.errors import BenchtestError, InstrumentError
from simulated_instruments.audio_bridge import AudioBridge
from simulated_instruments.audio_server import AudioServer
from simulated_instruments.bench import SAMPLE_RATE, SimulatedBench
from simulated_instruments.control_port import serve_control

_END_OF_FILE_TEXT = "# served"
_START_TIMEOUT_S = 30.0

_log = logging.getLogger(__name__)


class Served:
    """A simulated bench that other programs can reach, until it is closed.

    Attributes
    ----------
    bench_file_text : str
        The bench file (TOML) with which 'benchtest run' works on it over the real drivers.
    bridge : AudioBridge or None
        What carries the audio, with its counts of blocks and gaps.
    """

    def __init__(
        self, bench: SimulatedBench, bench_file_text: str, bridge: AudioBridge | None, closers: list[Callable[[], None]]
    ) -> None:
        self.bench = bench
        self.bench_file_text = bench_file_text
        self.bridge = bridge
        self._closers = closers

    @property
    def failure(self) -> Exception | None:
        """Why nothing is heard any more, or None while all is well."""
        return self.bridge.failure if self.bridge is not None else None

    def wait(self, stop: threading.Event) -> None:
        """Serve until ``stop`` is set. When the audio fails on the way, the meters and the operator go on, as on a real
        bench whose sound card has been pulled; InstrumentError is raised at the end."""
        told = False
        while not stop.wait(0.2):
            if self.failure is not None and not told:
                told = True
                _log.error(
                    "The sound card of the simulated bench has gone: %s Meters and operator go on.", self.failure
                )
        if self.failure is not None:
            raise InstrumentError(
                f"The simulated bench was not on the audio stack to the end: {self.failure} Start it again."
            ) from self.failure

    def close(self) -> None:
        """Stop serving, the last opened first. Idempotent."""
        while self._closers:
            self._closers.pop()()

    def __enter__(self) -> Served:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def serve(
    scenario: str = "healthy",
    seed: int = 0,
    channel: str | None = None,
    port: int = 0,
    audio: bool = True,
    *,
    audio_server: str | None = None,
) -> Served:
    """Serve a simulated bench from this process.

    Parameters
    ----------
    scenario, seed, channel
        Of ``SimulatedBench``.
    port : int
        Of the control port; 0 takes any free one. Each meter takes a free one of its own.
    audio : bool
        Put the amplifier between two sinks of an audio server. Without it the bench has no sound card.
    audio_server : str, optional
        Address of a PulseAudio server to use instead of one of our own.

    Raises
    ------
    FileError
        No such scenario or channel.
    InstrumentError
        A port in use, no PulseAudio.
    """
    closers: list[Callable[[], None]] = []
    try:
        bench = SimulatedBench(seed=seed, scenario=scenario, channel=channel, live=True)
        closers.append(bench.close)
        control = serve_control(bench, port=port)
        closers.append(control.close)
        meters = bench.open_multimeters()
        bridge, devices = None, None
        if audio:
            server = AudioServer(audio_server, sample_rate=SAMPLE_RATE)
            closers.append(server.close)
            bridge = AudioBridge(bench.render_block, server)
            closers.append(bridge.close)
            devices = (server.output_device, server.input_device)
        text = bench.bench_text(
            meter_resources=meters,
            control_resource=control.resource,
            sound_card=devices if devices is not None else ("none", "none"),
        )
    except BaseException:
        while closers:
            closers.pop()()
        raise
    return Served(bench, text if audio else _without_section(text, "audio"), bridge, closers)


def ahead_of_others() -> None:
    """Let this process, and the audio server and clients that it starts, go before others, where the system allows it: what
    comes too late is a gap in what the sound card records. Call it before ``serve``."""
    with contextlib.suppress(OSError, AttributeError):  # not allowed, or a system without priorities
        os.setpriority(os.PRIO_PROCESS, 0, -11)


def _without_section(text: str, name: str) -> str:
    """A bench file's text without one of its sections.

    Examples
    --------
    >>> _without_section("[bench]\\nname = 'b'\\n\\n[audio]\\nx = 1\\n\\n[lamp]\\n", "audio")
    "[bench]\\nname = 'b'\\n\\n[lamp]\\n"
    """
    kept, inside = [], False
    for line in text.splitlines(keepends=True):
        if line.startswith("["):
            inside = line.strip() == f"[{name}]"
        if not inside:
            kept.append(line)
    return "".join(kept)


class ServingProcess:
    """The same in a process of its own, which does not share a client's interpreter and so keeps up whatever it does.

    Raises InstrumentError with the process's own words where it does not start.
    """

    def __init__(
        self, scenario: str = "healthy", seed: int = 0, channel: str | None = None, port: int = 0, audio: bool = True
    ) -> None:
        command = [
            *(sys.executable, "-m", "simulated_instruments.serve"),
            *("--scenario", scenario, "--seed", str(seed), "--port", str(port)),
            *(("--channel", channel) if channel is not None else ()),
            *(("--audio",) if audio else ()),
        ]
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        self._said: list[str] = []
        self._listener = threading.Thread(target=self._listen, name="serving process's words", daemon=True)
        self._listener.start()
        # A process that neither prints nor ends is ended, so that nobody waits for ever.
        timer = threading.Timer(_START_TIMEOUT_S, self._process.kill)
        timer.start()
        try:
            self.bench_file_text = self._read_bench_file()
        finally:
            timer.cancel()

    def said(self) -> str:
        """What it has written to standard error so far: gaps in the audio, failures."""
        return "".join(self._said)

    def kill(self) -> None:
        """End it at once, as a crash would; for tests."""
        self._process.kill()
        self._process.wait()

    def close(self) -> None:
        """End it and wait for its end. Idempotent."""
        if self._process.stdin is not None:
            with contextlib.suppress(OSError):
                self._process.stdin.close()
        try:
            self._process.wait(timeout=10.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._listener.join(timeout=5.0)
        for pipe in (self._process.stdout, self._process.stderr):
            if pipe is not None:
                pipe.close()

    def __enter__(self) -> ServingProcess:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _read_bench_file(self) -> str:
        assert self._process.stdout is not None
        lines: list[str] = []
        for line in self._process.stdout:
            if line.strip() == _END_OF_FILE_TEXT:
                return "".join(lines)
            lines.append(line)
        self.close()
        raise InstrumentError(f"The simulated bench is not served: {self.said().strip() or 'it said nothing'}")

    def _listen(self) -> None:
        assert self._process.stderr is not None
        for line in self._process.stderr:
            self._said.append(line)


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve until standard input ends, Ctrl-C or SIGTERM; the exit status of ``BenchtestError`` where it fails."""
    parser = argparse.ArgumentParser(prog="python -m simulated_instruments.serve", description=__doc__)
    parser.add_argument("--scenario", default="healthy")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--channel")
    parser.add_argument("--port", type=int, default=0, help="of the control port; 0: any free one")
    parser.add_argument("--audio", action="store_true", help="put the amplifier on an audio server")
    parser.add_argument("--audio-server", help="address of a PulseAudio server to use instead of one of its own")
    options = parser.parse_args(arguments)
    logging.basicConfig(level=logging.WARNING, format="%(message)s")
    if options.audio:
        ahead_of_others()
    stop = threading.Event()

    def told_to_stop(number: int, frame: FrameType | None) -> None:
        stop.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, told_to_stop)

    def wait_for_end() -> None:
        with contextlib.suppress(OSError):
            while os.read(0, 4096):  # not sys.stdin, whose lock this thread would hold when the interpreter ends
                pass
        stop.set()

    try:
        with serve(
            options.scenario,
            options.seed,
            options.channel,
            options.port,
            options.audio,
            audio_server=options.audio_server,
        ) as served:
            print(served.bench_file_text, _END_OF_FILE_TEXT, sep="\n", flush=True)
            threading.Thread(target=wait_for_end, daemon=True).start()
            served.wait(stop)
    except BenchtestError as error:
        print(error, file=sys.stderr)
        return error.exit_status
    return 0


if __name__ == "__main__":
    sys.exit(main())
