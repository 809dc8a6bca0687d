"""The simulated bench between two sinks of an audio server: what is played into one goes through it into the other.

The server's own command line clients do the part that must be on time: ``parec`` takes the first sink's monitor and
``pacat`` plays into the second, each with a buffer, and a thread moves blocks between their pipes. So a late block
costs a gap only once the buffers have run out, and then it is counted.
"""

from __future__ import annotations

import contextlib
import logging
import os
import shutil
import subprocess
import threading
import time
from collections.abc import Callable
from typing import IO

import numpy as np

from benchtest.errors import InstrumentError
from benchtest.instruments.protocols import FloatArray
from simulated_instruments.audio_server import INPUT_SINK, OUTPUT_SINK, AudioServer

BLOCK_FRAMES = 2048
"""21 ms at 96 kHz: what the bench renders at a time."""

CAPTURE_LATENCY_MS = 20
KEEPER_LATENCY_MS = 40
"""Of two clients that play silence into the first sink and listen to the second all the time: with them the sinks' own
pace stays the same whoever comes and goes. Without them (tried) five in six freshly opened streams had a gap within
five seconds, with them none in thirty."""

PLAYBACK_LATENCY_MS = 250
"""How long rendering may be late before there is a gap."""

_BYTES_PER_FRAME = 8  # two float32

_log = logging.getLogger(__name__)


class AudioBridge:
    """Carries blocks from the output sink through ``render`` into the input sink until closed.

    Parameters
    ----------
    render : callable
        (frames, 2) fractions of full scale as the sound card's output emits them -> the same shape as its input
        records them. Called from the bridge's thread, one block after the other.
    server : AudioServer
        Whose two sinks are used.

    Attributes
    ----------
    blocks, underruns, late_blocks : int
        Blocks rendered; gaps that the server saw in what was played; blocks that took longer than they last.
    """

    def __init__(
        self, render: Callable[[FloatArray], FloatArray], server: AudioServer, *, block_frames: int = BLOCK_FRAMES
    ) -> None:
        self.blocks = 0
        self.underruns = 0
        self.late_blocks = 0
        self.failure: Exception | None = None
        self._render = render
        self._rate = server.sample_rate
        self._block_frames = block_frames
        self._closing = threading.Event()
        self._from = _client(server, "parec", f"--device={OUTPUT_SINK}.monitor", latency_ms=CAPTURE_LATENCY_MS)
        self._to = _client(server, "pacat", f"--device={INPUT_SINK}", "--verbose", latency_ms=PLAYBACK_LATENCY_MS)
        self._keepers = [
            _client(server, "pacat", f"--device={OUTPUT_SINK}", latency_ms=KEEPER_LATENCY_MS, keeper=True),
            _client(server, "parec", f"--device={INPUT_SINK}.monitor", latency_ms=KEEPER_LATENCY_MS, keeper=True),
        ]
        self._threads = [
            threading.Thread(target=self._carry, name="audio bridge", daemon=True),
            threading.Thread(target=self._count_underruns, name="audio bridge underruns", daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def is_running(self) -> bool:
        """True while blocks are carried."""
        return self.failure is None and not self._closing.is_set()

    def close(self) -> None:
        """Stop carrying. Idempotent."""
        self._closing.set()
        for client in (self._from, self._to, *self._keepers):
            if client.poll() is None:
                client.terminate()
            client.wait()
        for thread in self._threads:
            thread.join(timeout=5.0)
        for pipe in (self._from.stdout, self._to.stdin, self._to.stderr):
            if pipe is not None:
                with contextlib.suppress(OSError):  # flushing into a client that has gone
                    pipe.close()

    def _carry(self) -> None:
        source, sink = self._from.stdout, self._to.stdin
        assert source is not None
        assert sink is not None
        duration = self._block_frames / self._rate
        try:
            # Either client ends when the server does: no more data, or nobody to write to.
            with contextlib.suppress(BrokenPipeError):
                while (data := _read_exactly(source, self._block_frames * _BYTES_PER_FRAME)) is not None:
                    began = time.perf_counter()
                    played = np.frombuffer(data, dtype=np.float32).reshape(-1, 2).astype(np.float64)
                    recorded = np.ascontiguousarray(self._render(played), dtype=np.float32)
                    self.blocks += 1
                    if time.perf_counter() - began > duration:
                        self.late_blocks += 1
                    _write_all(sink, recorded.tobytes())
            if not self._closing.is_set():
                self.failure = InstrumentError("The audio server ended, so the simulated bench hears nothing any more.")
            # The bench waits for blocks while it has been told of sound; its meters answer as long as its time goes on.
            silence = np.zeros((self._block_frames, 2))
            while not self._closing.wait(duration):
                self._render(silence)
        except Exception as error:
            self.failure = error
            _log.exception("The audio bridge stopped. The sound card records silence from now on.")

    def _count_underruns(self) -> None:
        pipe = self._to.stderr
        assert pipe is not None
        rest = b""
        while chunk := os.read(pipe.fileno(), 4096):
            rest += chunk
            *said, rest = rest.replace(b"\r", b"\n").split(b"\n")
            for line in said:
                if b"underrun" in line:
                    self.underruns += 1
                    _log.warning("The audio bridge was late: gap %d in what the sound card records.", self.underruns)


def _client(
    server: AudioServer, program: str, *options: str, latency_ms: int, keeper: bool = False
) -> subprocess.Popen[bytes]:
    """``pacat`` or ``parec`` with a pipe to us; a keeper's data come from and go to nowhere."""
    path = shutil.which(program)
    if path is None:
        raise InstrumentError(f"The program '{program}' is not there. Install Debian's package pulseaudio-utils.")
    # Without a pipe to us a keeper would outlive us if we were killed, and the server, never idle, would too.
    tie = shutil.which("setpriv") if keeper else None
    command = [
        *((tie, "--pdeathsig", "TERM") if tie is not None else ()),
        *(path, "--raw", *options, f"--server={server.address}", f"--client-name=benchtest-{program}"),
        *("--format=float32le", f"--rate={server.sample_rate}", "--channels=2", f"--latency-msec={latency_ms}"),
        *(("/dev/zero",) if keeper and program == "pacat" else ()),
    ]
    recording = program == "parec"
    return subprocess.Popen(
        command,
        bufsize=0,
        stdin=subprocess.DEVNULL if recording or keeper else subprocess.PIPE,
        stdout=subprocess.PIPE if recording and not keeper else subprocess.DEVNULL,
        stderr=subprocess.DEVNULL if recording or keeper else subprocess.PIPE,
        env={**server.environment(), "LC_ALL": "C"},  # its words are read
        start_new_session=True,  # Ctrl-C at the terminal is for us
    )


def _read_exactly(pipe: IO[bytes], count: int) -> bytes | None:
    """So many bytes, or None where the pipe has ended before."""
    parts: list[bytes] = []
    while count:
        part = os.read(pipe.fileno(), count)
        if not part:
            return None
        parts.append(part)
        count -= len(part)
    return b"".join(parts)


def _write_all(pipe: IO[bytes], data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(pipe.fileno(), view) :]
