"""Calibrate, verify and run as a person would: over the audio server and sockets, in a terminal, a key at each prompt."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from simulated_instruments.serve import ServingProcess

pytestmark = [
    pytest.mark.needs("pulseaudio", "pulseaudio-utils", "libportaudio2", "libasound2-plugins"),
    pytest.mark.slow,
    pytest.mark.timeout(1800),
]

ROOT = Path(__file__).parents[2]
TRIES = 3
_ESCAPES = re.compile(r"\x1b\[[0-9;?]*[a-zA-Z]")


class Terminal:
    """A program in a pseudo-terminal, and somebody who presses a key when it asks for one."""

    def __init__(self, *words: str, cwd: Path) -> None:
        self._hand, there = pty.openpty()
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm", "COLUMNS": "120"}
        self._program = subprocess.Popen(
            [sys.executable, "-m", "benchtest", *words], cwd=cwd, env=environment, stdin=there, stdout=there, stderr=there,
            start_new_session=True,
        )  # fmt: skip
        os.close(there)
        self.said = ""
        self.keys = 0

    def to_the_end(self, answers: dict[str, str]) -> int:
        """Press a key at every prompt, answer questions by their words; the exit status."""
        seen = 0
        while self._read():
            news = self.said[seen:]
            prompt = re.search(r"any key when done[^\n]*\n", news)
            question = re.search(r"\?\? ([^\n]*)\n +\[1\][^\n]*\n", news)
            if question and not (prompt and prompt.start() < question.start()):
                seen += question.end()
                self._type(next(answer for words, answer in answers.items() if words in question[1]))
            elif prompt:
                seen += prompt.end()
                time.sleep(0.1)
                self._type("n")
        os.close(self._hand)
        return self._program.wait(30.0)

    def _type(self, text: str) -> None:
        self.keys += 1
        os.write(self._hand, text.encode())

    def _read(self) -> bool:
        if select.select([self._hand], [], [], 0.2)[0]:
            try:
                got = os.read(self._hand, 65_536)
            except OSError:  # how a pseudo-terminal says that its other end is closed
                return False
            self.said += _ESCAPES.sub("", got.decode(errors="replace")).replace("\r\n", "\n")
            return bool(got)
        return True


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder with the bench file of a served bench in it, which names a calibration that is not there yet."""
    where = tmp_path_factory.mktemp("person")
    with ServingProcess(seed=5) as process:
        text = process.bench_file_text + '\n[calibration]\nfile = "calibration.toml"\n'
        (where / "my_bench.toml").write_text(text, encoding="utf-8")
        yield where


def tried(folder: Path, *words: str, answers: dict[str, str] | None = None) -> tuple[int, Terminal]:
    """Run a command; a starved audio server ends it as an instrument that failed (3), and then it is run again."""
    for _ in range(TRIES):
        terminal = Terminal(*words, cwd=folder)
        status = terminal.to_the_end(answers or {})
        if status != 3:
            break
    return status, terminal


def test_from_a_bench_file_to_a_calibrated_report(folder: Path) -> None:
    status, checked = tried(folder, "bench", "check", "my_bench.toml")
    assert status == 0, checked.said
    status, calibrated = tried(folder, "calibrate", "--bench", "my_bench.toml")
    assert status == 0, calibrated.said
    assert "written to calibration.toml" in calibrated.said
    status, verified = tried(folder, "verify", "--bench", "my_bench.toml", "--seconds", "5")
    assert status in (0, 1), verified.said  # a busy machine drops out
    assert "residual thd n left" in verified.said
    amplifier = str(ROOT / "procedures" / "demo_amplifier.toml")
    run = ("run", "power_on", "--bench", "my_bench.toml", "--amplifier", amplifier, "--archive", "runs")
    status, ran = tried(folder, *run, answers={"series lamp": "1\n"})
    assert status == 0, ran.said[-3000:]
    assert ran.keys > 8
    kept = json.loads(max(folder.glob("runs/*/*/run.json")).read_text(encoding="utf-8"))
    assert kept["result"] == "passed"
    assert kept["calibration"]["kind"] == "measured"
    assert kept["calibration"]["warning"] == ""
    page = max(folder.glob("runs/*/*/report.html")).read_text(encoding="utf-8")
    assert "NOT CALIBRATED" not in page
    assert "NOT WATCHED" not in page
