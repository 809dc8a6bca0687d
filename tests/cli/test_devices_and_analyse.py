"""``devices`` says in its own lines what cannot be reached; ``analyse`` knows the scale of a run's captures."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from benchtest.archive import RunWriter
from benchtest.cli import devices as command
from benchtest.cli.analyse import analyse, scale_of


def test_a_librarys_warnings_become_lines(monkeypatch):
    class Manager:
        def __init__(self, backend: str) -> None:
            warnings.warn("a device whose serial number cannot be read", UserWarning, stacklevel=1)
            warnings.warn("a device whose serial number cannot be read", UserWarning, stacklevel=1)
            warnings.warn("unclosed socket", ResourceWarning, stacklevel=1)

        def list_resources(self, query: str) -> tuple[str, ...]:
            return ("ASRL/dev/ttyS9::INSTR",)

    monkeypatch.setattr("pyvisa.ResourceManager", Manager)
    monkeypatch.setattr("os.access", lambda path, mode: True)
    ran = CliRunner().invoke(command.devices, [])
    assert ran.exit_code == 0, ran.output
    assert "\n  ASRL/dev/ttyS9::INSTR\n" in ran.stdout
    assert ran.stdout.count("  not reached: a device whose serial number cannot be read\n") == 1
    assert "unclosed" not in ran.output


def test_a_serial_port_without_permission_is_not_called_reached(monkeypatch):
    class Manager:
        def __init__(self, backend: str) -> None:
            pass

        def list_resources(self, query: str) -> tuple[str, ...]:
            return ("ASRL/dev/ttyUSB7::INSTR", "PRLGX-ASRL::/dev/ttyUSB7::INTFC")

    monkeypatch.setattr("pyvisa.ResourceManager", Manager)
    monkeypatch.setattr("os.access", lambda path, mode: False)
    found = json.loads(CliRunner().invoke(command.devices, ["--json"]).stdout)["multimeters"]
    assert found["reached"] == []
    assert [line for line in found["not_reached"] if "no permission to open /dev/ttyUSB7" in line and "dialout" in line]


@pytest.mark.needs("pulseaudio", "pulseaudio-utils", "libportaudio2", "libasound2-plugins")
def test_an_audio_servers_sinks_are_listed_as_a_bench_file_names_them(monkeypatch):
    from simulated_instruments.audio_server import AudioServer

    with AudioServer() as server:
        monkeypatch.setenv("PULSE_SERVER", server.address)
        from benchtest.instruments import audio_server_names

        lines = audio_server_names.devices()
    assert any(line.startswith("'pulse:benchtest_output' (output:") for line in lines)
    assert any(line.startswith("'pulse:benchtest_input.monitor' (input:") for line in lines)


def test_nothing_of_a_library_reaches_the_screen(tmp_path):
    ran = subprocess.run(
        [sys.executable, "-W", "default", "-m", "benchtest", "devices"], capture_output=True, text=True, cwd=tmp_path,
        check=False, timeout=120,
    )  # fmt: skip
    assert ran.returncode == 0
    assert "Warning" not in ran.stdout + ran.stderr


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    """A kept 1 kHz tone of 20 V peak, stored at a scale of 46.6 V: the file itself holds 20/46.6."""
    from datetime import UTC, datetime

    writer = RunWriter.create(
        tmp_path / "archive", procedure="power_on", amplifier_name="demo", started_utc=datetime.now(UTC), header={}
    )
    t = np.arange(48000) / 48000.0
    tone = 20.0 * np.sin(2.0 * np.pi * 1000.0 * t)
    path = writer.save_capture("tone", np.column_stack([tone, tone]), 48000, volts_per_full_scale=46.6)
    writer.close({"result": "passed", "exit_status": 0})
    return path


def level(*arguments: object) -> float:
    ran = CliRunner().invoke(analyse, [*map(str, arguments), "--json"])
    assert ran.exit_code == 0, ran.output
    return float(json.loads(ran.stdout)["channels"][0]["level_v"])


def test_the_scale_of_a_runs_capture_is_taken_from_the_run(capture):
    assert level(capture) == pytest.approx(20.0 / np.sqrt(2.0), rel=1e-5)


def test_a_scale_that_is_typed_goes_before_it(capture):
    assert level(capture, "--volts-per-full-scale", 1.0) == pytest.approx(20.0 / 46.6 / np.sqrt(2.0), rel=1e-5)


def test_a_capture_that_was_copied_away_carries_its_scale(capture, tmp_path):
    away = tmp_path / f"away{capture.suffix}"
    shutil.copy(capture, away)
    assert scale_of(away) == (46.6, "the file's own comment")


def test_any_other_recording_is_in_fractions_of_full_scale(tmp_path):
    import soundfile

    path = tmp_path / "tone.wav"
    soundfile.write(path, 0.5 * np.sin(np.arange(48000) * 2.0 * np.pi / 48.0), 48000, subtype="FLOAT")
    assert scale_of(path) == (1.0, "")
    assert level(path) == pytest.approx(0.5 / np.sqrt(2.0), rel=1e-5)
