"""A PulseAudio server with two null sinks, so that the driver for real sound cards meets a real audio stack.

The sinks run at float32 and 96 kHz: what a program plays into the first reaches its monitor bit by bit, and likewise
the second. The simulated amplifier stands between the two (``audio_bridge``).

A server of our own lives in a directory of its own, sees no hardware, no desktop and no configuration of the user's,
listens on a socket in that directory only, and ends by itself when its last client has gone. A server that is there
already can be named instead; then only the two sinks are loaded into it, and unloaded at the end.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType

from benchtest.errors import InstrumentError

OUTPUT_SINK = "benchtest_output"
"""What a program plays into: the sound card's output sockets."""

INPUT_SINK = "benchtest_input"
"""What the simulated bench plays into; its monitor is the sound card's input sockets."""

SAMPLE_RATE = 96_000

_INSTALL = "Install Debian's packages pulseaudio and pulseaudio-utils (and libasound2-plugins for the client)."
_START_TIMEOUT_S = 10.0
_IDLE_EXIT_S = 60
"""A server whose serving process was killed has no client left; so long later it ends by itself."""


class AudioServer:
    """The server and its two sinks.

    Parameters
    ----------
    server : str, optional
        Address of a server that runs already, as in PULSE_SERVER (such as "unix:/run/user/1000/pulse/native"). Without
        it a server of our own is started.
    sample_rate : int
        Hz, of both sinks.

    Attributes
    ----------
    address : str
        The server's address, for PULSE_SERVER.
    directory : Path or None
        Of a server of our own: its socket and its log.

    Raises
    ------
    InstrumentError
        If PulseAudio is not installed, does not start, or a named server does not answer.
    """

    def __init__(self, server: str | None = None, *, sample_rate: int = SAMPLE_RATE) -> None:
        self.sample_rate = sample_rate
        self._process: subprocess.Popen[bytes] | None = None
        self.directory: Path | None = None
        self._modules: list[str] = []
        if server is None:
            self._start_own()
        else:
            self.address = server
            self._load_sinks()

    # Names ---------------------------------------------------------------------------------------------------------

    @property
    def output_device(self) -> str:
        """The sink that a client plays into, as a bench file writes it."""
        return f"pulse:{OUTPUT_SINK}@{self.address}"

    @property
    def input_device(self) -> str:
        """The source that a client records from, as a bench file writes it."""
        return f"pulse:{INPUT_SINK}.monitor@{self.address}"

    def environment(self) -> dict[str, str]:
        """This process's environment with the address in it, for a client program."""
        return {**os.environ, "PULSE_SERVER": self.address}

    # Life ----------------------------------------------------------------------------------------------------------

    def is_running(self) -> bool:
        """True while the server answers."""
        if self._process is not None and self._process.poll() is not None:
            return False
        return self._pactl("info").returncode == 0

    def signal(self, number: int) -> None:
        """Send a signal to a server of our own, as who kills or stops it would; for tests."""
        if self._process is not None:
            self._process.send_signal(number)

    def close(self) -> None:
        """End our own server, or take the two sinks out of a named one. Idempotent."""
        for module in reversed(self._modules):
            self._pactl("unload-module", module)
        self._modules.clear()
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(timeout=5.0)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
            self._process = None
        if self.directory is not None:
            shutil.rmtree(self.directory, ignore_errors=True)
            self.directory = None

    def __enter__(self) -> AudioServer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # Inside --------------------------------------------------------------------------------------------------------

    def _sink(self, name: str, description: str) -> list[str]:
        # Not norewinds=1: tried, and pieces of a tenth of a second are then played twice.
        return [
            "module-null-sink",
            f"sink_name={name}",
            f"sink_properties=device.description={description}",
            "format=float32le",
            f"rate={self.sample_rate}",
            "channels=2",
        ]

    def _start_own(self) -> None:
        program = shutil.which("pulseaudio")
        if program is None:
            raise InstrumentError(f"The program 'pulseaudio' is not there. {_INSTALL}")
        self.directory = Path(tempfile.mkdtemp(prefix="benchtest-audio-"))  # readable by this user alone
        socket = self.directory / "native"
        self.address = f"unix:{socket}"
        environment = {
            name: value
            for name, value in os.environ.items()
            if not name.startswith(("PULSE_", "DBUS_")) and name not in ("DISPLAY", "WAYLAND_DISPLAY")
        }
        for name in ("HOME", "XDG_RUNTIME_DIR", "XDG_CONFIG_HOME", "PULSE_RUNTIME_PATH", "PULSE_STATE_PATH"):
            environment[name] = str(self.directory)
        command = [
            *(program, "-n", "--daemonize=no", "--use-pid-file=no", "--log-target=stderr", "--log-level=warning"),
            *(f"--exit-idle-time={_IDLE_EXIT_S}", "--realtime=no", "--high-priority=no"),
            *("--load=" + " ".join(self._sink(OUTPUT_SINK, "benchtest-output")),),
            *("--load=" + " ".join(self._sink(INPUT_SINK, "benchtest-input")),),
            f"--load=module-native-protocol-unix auth-anonymous=1 socket={socket}",
        ]
        with (self.directory / "log").open("wb") as log:
            # A session of its own: Ctrl-C at the terminal is for us, and the server must outlive the last block.
            self._process = subprocess.Popen(
                command, env=environment, stdin=subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True
            )
        deadline = time.monotonic() + _START_TIMEOUT_S
        while not (socket.exists() and self._pactl("info").returncode == 0):
            if self._process.poll() is not None or time.monotonic() > deadline:
                said = self._log_tail()
                self.close()
                raise InstrumentError(
                    f"A PulseAudio server was started but does not answer within {_START_TIMEOUT_S:g} s. It said: "
                    f"{said or 'nothing'}. Try the named command by hand, or name a server that runs."
                )
            time.sleep(0.05)

    def _log_tail(self) -> str:
        with contextlib.suppress(OSError):
            if self.directory is not None:
                lines = (self.directory / "log").read_text(errors="replace").splitlines()
                return " / ".join(line for line in lines if line.startswith("E:")) or " / ".join(lines[-3:])
        return ""

    def _load_sinks(self) -> None:
        answer = self._pactl("info")
        if answer.returncode != 0:
            raise InstrumentError(
                f"No PulseAudio server answers at '{self.address}' ({answer.stderr.strip()}). Expected an address as "
                "PULSE_SERVER, such as 'unix:/run/user/1000/pulse/native'. 'pactl info' shows yours."
            )
        there = self._pactl("list", "short", "sinks").stdout
        for name in (OUTPUT_SINK, INPUT_SINK):
            if f"\t{name}\t" in there:
                raise InstrumentError(
                    f"The audio server at '{self.address}' has a sink '{name}' already: another simulated bench is "
                    "served there. End that one, or leave the server's name out to get one of your own."
                )
        for name in (OUTPUT_SINK, INPUT_SINK):
            answer = self._pactl("load-module", *self._sink(name, name.replace("_", "-")))
            if answer.returncode != 0:
                said = answer.stderr.strip()
                self.close()
                raise InstrumentError(
                    f"The audio server at '{self.address}' refuses a null sink: {said}. Expected a PulseAudio server "
                    "that allows module-null-sink. Leave its name out to get one of your own."
                )
            self._modules.append(answer.stdout.strip())

    def _pactl(self, *words: str) -> subprocess.CompletedProcess[str]:
        program = shutil.which("pactl")
        if program is None:
            raise InstrumentError(f"The program 'pactl' is not there. {_INSTALL}")
        try:
            return subprocess.run(
                [program, *words], env=self.environment(), capture_output=True, text=True, timeout=10.0, check=False
            )
        except subprocess.TimeoutExpired:
            return subprocess.CompletedProcess(words, 1, "", "no answer within 10 s")
