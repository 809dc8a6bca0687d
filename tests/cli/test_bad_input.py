"""Bad input at the command line: one message (what was found, what was expected, what to do) and its exit status."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "procedures" / "demo_amplifier.toml"

BENCH = """
[bench]
name = "test"
[operator]
driver = "person"
[load]
left_ohm = 8.0
right_ohm = 8.0
tolerance_percent = 1.0
power_rating_w = 100.0
"""


def benchtest(*arguments: object, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "benchtest", *map(str, arguments)],
        capture_output=True, text=True, cwd=cwd, stdin=subprocess.DEVNULL, timeout=120, check=False,
        env={**os.environ, **environment},
    )  # fmt: skip


def test_no_such_procedure_lists_the_candidates(tmp_path):
    ran = benchtest("run", "power_of", "--yes", cwd=tmp_path)
    assert ran.returncode == 2
    assert "power_of" in ran.stderr
    assert "power_on" in ran.stderr
    assert not (tmp_path / "reports").exists()


def test_no_such_scenario_lists_the_candidates(tmp_path):
    ran = benchtest("run", "power_on", "--yes", "--scenario", "speaker-fuse", cwd=tmp_path)
    assert ran.returncode == 2
    assert "speaker-fuse-open" in ran.stderr
    assert not list(tmp_path.glob("reports/*/*"))


@pytest.mark.parametrize("option", ["--bench", "--amplifier"])
def test_no_such_file(tmp_path, option):
    ran = benchtest("run", "power_on", "--yes", option, "nowhere.toml", cwd=tmp_path)
    assert ran.returncode == 2
    assert "nowhere.toml" in ran.stderr
    assert "Traceback" not in ran.stderr


def test_every_fault_of_a_bench_file_at_once_with_its_line(tmp_path):
    text = BENCH.replace("left_ohm = 8.0", "left_ohm = -8.0").replace("right_ohm = 8.0", "right_ohm = nan")
    (tmp_path / "bench.toml").write_text(text + "\npower_ratign_w = 100.0\n")
    ran = benchtest("bench", "check", "bench.toml", cwd=tmp_path)
    assert ran.returncode == 2
    for expected in ("line 7", "line 8", "line 12", "-8", "power_ratign_w", "power_rating_w"):
        assert expected in ran.stderr, expected


def test_a_limit_that_is_not_a_number_is_refused(tmp_path):
    text = DEMO.read_text().replace("rated_power_w = 60.0", "rated_power_w = inf")
    (tmp_path / "amplifier.toml").write_text(text)
    ran = benchtest("run", "power_on", "--yes", "--amplifier", "amplifier.toml", cwd=tmp_path)
    assert ran.returncode == 2
    assert "rated_power_w" in ran.stderr


def test_a_procedure_that_cannot_be_read(tmp_path):
    (tmp_path / "mine.py").write_text("this is no Python")
    ran = benchtest("run", "mine.py", "--yes", cwd=tmp_path)
    assert ran.returncode == 2
    assert "mine.py" in ran.stderr
    (tmp_path / "empty.py").write_text("")
    ran = benchtest("run", "empty.py", "--yes", cwd=tmp_path)
    assert ran.returncode == 2
    assert "Procedure" in ran.stderr


def test_an_archive_that_cannot_be_written(tmp_path):
    (tmp_path / "file").write_text("in the way")
    ran = benchtest("run", "power_on", "--yes", "--archive", "file", cwd=tmp_path)
    assert ran.returncode == 2
    assert "file" in ran.stderr
    assert (tmp_path / "file").read_text() == "in the way"


def test_a_meter_that_does_not_answer(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as silent:
        port = silent.getsockname()[1]
        (tmp_path / "bench.toml").write_text(
            BENCH + f'\n[[dmm]]\nname = "meter"\ndriver = "scpi"\nresource = "TCPIP::127.0.0.1::{port}::SOCKET"\n'
        )
        ran = benchtest("run", "power_on", "--bench", "bench.toml", cwd=tmp_path)
    assert ran.returncode == 3
    assert str(port) in ran.stderr
    assert "Traceback" not in ran.stderr


def test_a_meter_that_is_not_there(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    (tmp_path / "bench.toml").write_text(
        BENCH + f'\n[[dmm]]\nname = "meter"\ndriver = "scpi"\nresource = "TCPIP::127.0.0.1::{port}::SOCKET"\n'
    )
    ran = benchtest("run", "power_on", "--bench", "bench.toml", cwd=tmp_path)
    assert ran.returncode == 3
    assert "Traceback" not in ran.stderr


def test_a_port_in_use(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        ran = benchtest("simulate", "--port", port, cwd=tmp_path)
    assert ran.returncode == 3
    assert str(port) in ran.stderr
    assert "Traceback" not in ran.stderr


def test_a_file_that_is_no_audio(tmp_path):
    (tmp_path / "notes.wav").write_text("not audio")
    ran = benchtest("analyse", "notes.wav", "--json", cwd=tmp_path)
    assert (ran.returncode, ran.stdout) == (2, "")
    assert "notes.wav" in ran.stderr


@pytest.mark.parametrize("band", ["20", "20000:20", "a:b", "nan:100", "20:inf"])
def test_a_band_that_is_none(tmp_path, band):
    soundfile.write(tmp_path / "tone.wav", np.sin(np.arange(9600) / 5.0), 48000)
    ran = benchtest("analyse", "tone.wav", "--band", band, cwd=tmp_path)
    assert ran.returncode == 2
    assert "band" in ran.stderr


def test_analyse_prints_the_json_of_the_contract_and_nothing_else(tmp_path):
    rate, t = 96000, np.arange(96000) / 96000
    left = 0.5 * np.sin(2 * np.pi * 1000.0 * t) + 0.005 * np.sin(2 * np.pi * 2000.0 * t)
    soundfile.write(tmp_path / "tone.wav", np.column_stack([left, 2 * left]), rate, subtype="DOUBLE")
    ran = benchtest("analyse", "tone.wav", "--json", "--volts-per-full-scale", "10", cwd=tmp_path)
    assert ran.returncode == 0, ran.stderr
    page = json.loads(ran.stdout)
    assert page.keys() == {"file", "sample_rate", "duration_s", "band_hz", "channels", "channel_balance_db"}
    channel = page["channels"][0]
    assert channel.keys() == {
        "channel", "frequency_hz", "level_v", "dc_v", "thd_percent", "thd_db", "thd_of_total_percent", "thd_n_percent",
        "thd_n_db", "thd_n_of_total_percent", "harmonics", "noise_v", "noise_a_weighted_v", "hum", "clipped", "silent",
    }  # fmt: skip
    assert channel["level_v"] == pytest.approx(5.0 / 2**0.5, rel=1e-6)
    assert channel["thd_percent"] == pytest.approx(1.0, rel=1e-4)
    assert page["channel_balance_db"] == pytest.approx(6.0206, abs=1e-4)


def test_no_such_run(tmp_path):
    (tmp_path / "reports").mkdir()
    ran = benchtest("show", "last", cwd=tmp_path)
    assert ran.returncode == 2
    assert "Traceback" not in ran.stderr


def test_json_goes_to_standard_output_and_progress_to_standard_error(tmp_path):
    ran = benchtest("scenarios", "--json", cwd=tmp_path)
    assert {item["name"] for item in json.loads(ran.stdout)} >= {"healthy", "speaker-fuse-open", "relay-open"}
    ran = benchtest("run", "power_on", "--yes", "--json", "--scenario", "output-stage-shorted", cwd=tmp_path)
    assert ran.returncode == 4
    page = json.loads(ran.stdout)
    assert (page["result"], page["exit_status"], page["simulated"]) == ("stopped", 4, True)
    assert "STOP" in ran.stderr
