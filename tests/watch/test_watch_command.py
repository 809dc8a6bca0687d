"""``benchtest watch`` as it is typed: on the simulated bench, through a pipe and on a terminal."""

import csv
import json
import os
import pty
import select
import subprocess
import sys
import time

import pytest

from simulated_instruments.truth import bench_text


def command(*words, cwd, **more):
    environment = {**os.environ, "XDG_STATE_HOME": str(cwd / "state"), "TERM": "xterm", "COLUMNS": "100", "LINES": "40"}
    return subprocess.run(
        [sys.executable, "-m", "benchtest", "watch", *words], cwd=cwd, env=environment, capture_output=True, text=True,
        stdin=subprocess.DEVNULL, timeout=120, **more,
    )  # fmt: skip


def test_a_meter_of_the_simulated_bench(tmp_path):
    done = command("left_output", "--count", "4", "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["simulated"] is True
    assert 0.0 < abs(found["values"]["value"]["maximum"]) < 0.1
    with open(tmp_path / found["record"], newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["simulated"] for row in rows] == ["true"] * 4
    assert "SIMULATED" in done.stderr


def test_levels_of_the_sound_card_and_an_alarm(tmp_path):
    done = command("sound_card", "--seconds", "1", "--above", "1 uV", "--json", cwd=tmp_path)
    assert done.returncode == 1, done.stderr  # noise is above a microvolt: the alarm has sounded
    assert set(json.loads(done.stdout)["values"]) == {"left", "right"}
    assert "ALARM" in done.stderr


def test_the_bench_used_last_is_used_again_and_said(tmp_path):
    bench = tmp_path / "mine.toml"
    bench.write_text(bench_text(), encoding="utf-8")
    assert command("--count", "1", "--bench", str(bench), cwd=tmp_path).returncode == 0
    again = command("--count", "1", cwd=tmp_path)
    assert again.returncode == 0
    assert f"bench {bench}" in again.stderr.replace("\n", "")
    assert "mine.toml" not in command("--count", "1", "--simulated", cwd=tmp_path).stderr


@pytest.mark.parametrize(
    ("words", "said", "status"),
    [
        (["nowhere"], "neither a meter of this bench nor a test point", 2),
        (["left_output", "--above", "loud"], "--above 'loud'", 2),
        (["left_output", "--above", "-1 V"], "expected a magnitude", 2),
        (["rail_positive", "--function", "resistance"], "ohms with 41", 4),
        (["--bench", "none.toml"], "none.toml", 2),
    ],
)
def test_what_cannot_be_watched_is_said(tmp_path, words, said, status):
    done = command(*words, "--count", "1", cwd=tmp_path)
    assert said in done.stderr
    assert done.returncode == status


def test_on_a_terminal_large_digits_a_mark_and_the_bell(tmp_path):
    environment = {**os.environ, "XDG_STATE_HOME": str(tmp_path / "state"), "TERM": "xterm", "COLUMNS": "100"}
    terminal, end = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-m", "benchtest", "watch", "left_output", "--above", "1 mV", "--every", "0.05"],
        stdin=end, stdout=end, stderr=end, cwd=tmp_path, env=environment, close_fds=True,
    )  # fmt: skip
    os.close(end)
    heard = b""
    pressed = 0
    deadline = time.monotonic() + 60.0
    try:
        while time.monotonic() < deadline:
            if select.select([terminal], [], [], 0.2)[0]:
                try:
                    more = os.read(terminal, 65536)
                except OSError:
                    break
                if not more:
                    break
                heard += more
            if pressed == 0 and b"t tapped" in heard:
                os.write(terminal, b"t")
                pressed = 1
            if pressed == 1 and b"tapped at" in heard:
                os.write(terminal, b" ")
                pressed = 2
            if pressed == 2 and b"marked at" in heard:
                os.write(terminal, b"q")
                pressed = 3
        assert child.wait(timeout=20.0) == 1
    finally:
        child.kill()
        child.wait()
        os.close(terminal)
    text = heard.decode(errors="replace")
    assert pressed == 3
    assert "██" in text
    assert "\a" in text
    assert "SIMULATED" in text
    (record,) = tmp_path.glob("reports/*/*-watch-left-output.csv")
    assert "tapped" in record.read_text()
