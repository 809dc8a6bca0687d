"""The simulated bench served to another process: the same procedure, unchanged, over sockets and an audio stack."""

from __future__ import annotations

import csv
import json
import math
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from benchtest.amplifier_file import load_amplifier
from benchtest.bench import Instruments, open_instruments
from benchtest.bench_file import bench_from_text, load_bench
from benchtest.errors import FileError, InstrumentError
from benchtest.instruments.protocols import Function
from benchtest.procedure import load_procedure, run
from benchtest.safety import open_bench
from simulated_instruments.serve import ServingProcess, serve

AUDIO = pytest.mark.needs("pulseaudio", "pulseaudio-utils", "libportaudio2", "libasound2-plugins")
ROOT = Path(__file__).parents[2]
AMPLIFIER = ROOT / "procedures" / "demo_amplifier.toml"
RUN = (sys.executable, "-m", "benchtest", "run", "power_on", "--yes", "--json", "--amplifier", str(AMPLIFIER))
AGREEMENT_DB = 0.1
"""What the real path may differ by; its noise is drawn anew, and its clock runs on while sound is under way."""

TRIES = 3


@pytest.fixture(scope="module")
def serving() -> Iterator[ServingProcess]:
    with ServingProcess(seed=5) as process:
        yield process


@pytest.fixture
def bench_file(serving: ServingProcess, tmp_path: Path) -> Path:
    path = tmp_path / "served.toml"
    path.write_text(serving.bench_file_text)
    return path


@pytest.fixture
def instruments(bench_file: Path) -> Iterator[Instruments]:
    opened = open_instruments(bench_file)
    yield opened
    opened.close()


# Without audio -------------------------------------------------------------------------------------------------------------


def test_without_audio_there_are_meters_and_an_operator_and_no_sound_card(tmp_path: Path) -> None:
    path = tmp_path / "served.toml"
    with serve(seed=5, audio=False) as served:
        path.write_text(served.bench_file_text)
        opened = open_instruments(path)
        assert opened.audio is None
        assert opened.simulated
        identities = [meter.identity().lower() for meter in opened.meters.values()]
        assert len(identities) == 6
        assert all("simulated" in identity for identity in identities)
        before, began = opened.clock.now(), time.monotonic()
        opened.clock.sleep(600.0)
        assert opened.clock.now() - before >= 600.0
        assert time.monotonic() - began < 60.0  # ten minutes of settling pass in closed form
        opened.close()


@pytest.mark.parametrize("procedure", ["power_on", "incoming_check", "left_against_right", "bias_and_offset"])
def test_a_bench_left_on_with_the_lid_on_is_made_cold_before_anything_is_touched(
    tmp_path: Path, procedure: str
) -> None:
    path = tmp_path / "served.toml"
    with serve(seed=5, audio=False) as served:
        path.write_text(served.bench_file_text)
        served.bench.set_lid(True)
        served.bench.switch_mains(True)
        served.bench.advance(60.0)
        with open_bench(path, amplifier=load_amplifier(AMPLIFIER)) as bench:
            script = load_procedure(str(ROOT / "procedures" / f"{procedure}.py"))
            script.steps[:] = script.steps[:3]
            result = run(script, bench, archive=None, listeners=[])
        assert result.rows
        assert "lid is on" not in str(result.error)
        assert not served.bench.lid_on
        assert served.bench.unsafe_acts == []


def test_no_such_scenario_leaves_nothing_open() -> None:
    with pytest.raises(FileError, match="scenario"):
        serve(scenario="no-such-thing", audio=False)


def test_port_in_use_is_named() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(InstrumentError, match=str(port)):
            serve(port=port, audio=False)


def test_closing_twice_is_closing() -> None:
    served = serve(audio=False)
    served.close()
    served.close()


@pytest.mark.parametrize("end", ["its input ends", signal.SIGTERM, signal.SIGINT])
def test_serving_process_ends_when_it_is_told_to(end: str | int) -> None:
    command = [sys.executable, "-m", "simulated_instruments.serve"]
    process = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    for line in process.stdout:
        if line.strip() == "# served":
            break
    if isinstance(end, str):
        process.communicate(timeout=30.0)
    else:
        process.send_signal(end)
        assert process.wait(timeout=30.0) == 0
        process.communicate()
    assert process.returncode == 0


def test_serving_process_that_cannot_start_says_why() -> None:
    with pytest.raises(InstrumentError, match="no scenario 'no-such-thing'"):
        ServingProcess(scenario="no-such-thing", audio=False)


# Over the audio server -------------------------------------------------------------------------------------------------------


@AUDIO
def test_bench_file_is_a_bench_file(bench_file: Path, serving: ServingProcess) -> None:
    file = load_bench(bench_file)
    assert file.bench.simulated
    assert file.audio is not None
    assert file.audio.driver == "sound_card"
    assert {section.driver for section in file.dmm} == {"scpi"}
    assert file == bench_from_text(serving.bench_file_text, "printed")


@AUDIO
def test_killed_serving_process_leaves_no_client_on_the_server() -> None:
    process = ServingProcess(audio=True)
    address = process.bench_file_text.partition("@")[2].partition('"')[0]

    def clients() -> str:
        listed = subprocess.run(
            ["pactl", f"--server={address}", "list", "short", "clients"], capture_output=True, text=True, check=True
        )
        return "\n".join(line for line in listed.stdout.splitlines() if "pactl" not in line)

    assert "pacat" in clients()
    process.kill()
    deadline = time.monotonic() + 10.0
    while (left := clients()) and time.monotonic() < deadline:
        time.sleep(0.1)
    subprocess.run(["pactl", f"--server={address}", "exit"], check=True)  # it would end by itself, a minute later
    process.close()
    shutil.rmtree(Path(address.removeprefix("unix:")).parent, ignore_errors=True)  # what a killed process cannot do
    assert left == ""


def gain(opened: Instruments) -> float:
    """Recorded over emitted amplitude of a 1 kHz tone in the left channel, by correlation over whole periods."""
    opened.operator.set({"lid": "on", "load": "load", "inputs": "sound_card", "volume": "-20 dB"}, say="connect")
    opened.operator.set({"mains": "on"}, say="on")
    opened.clock.sleep(60.0)
    assert opened.audio is not None
    opened.audio.start()
    rate = opened.audio.sample_rate
    n = np.arange(rate)
    tone = 0.05 * np.sin(2 * np.pi * 1000.0 / rate * n)
    for _ in range(TRIES):
        opened.audio.begin(np.column_stack([tone, tone]), repeat=3, record=(rate, 2 * rate))
        recording = opened.audio.finish()
        if recording.lost_frames == 0:
            break
    else:
        pytest.fail(f"{TRIES} captures in a row lost frames")
    heard = 2.0 * abs(np.mean(recording.samples[:, 0] * np.exp(-2j * np.pi * 1000.0 / rate * n)))
    opened.operator.set({"mains": "off"}, say="off")
    return float(heard / 0.05)


@AUDIO
def test_tone_through_the_audio_stack_is_that_in_process(instruments: Instruments) -> None:
    in_process = open_instruments(seed=5)
    expected = gain(in_process)
    in_process.close()
    assert 20.0 * math.log10(gain(instruments) / expected) == pytest.approx(0.0, abs=0.02)


@AUDIO
def test_meters_and_sound_card_are_on_one_amplifier(instruments: Instruments) -> None:
    """A meter over TCP sees the tone that comes over the audio server, and no longer when it is muted."""
    instruments.operator.set({"load": "1 kilohm", "inputs": "sound_card", "volume": "-20 dB"}, say="connect")
    instruments.operator.set({"mains": "on", "bench meter": "left_output"}, say="on")
    instruments.clock.sleep(30.0)
    audio, meter = instruments.audio, instruments.meters["bench meter"]
    assert audio is not None
    audio.start()
    rate = audio.sample_rate
    tone = 0.2 * np.sin(2 * np.pi * 1000.0 / rate * np.arange(rate))

    def volts() -> float:
        value = meter.measure(Function.AC_VOLTS, range=10.0, frequency_hz=1000.0).value
        assert value is not None
        return value

    assert volts() < 0.02
    audio.begin(np.column_stack([tone, tone]), repeat=20)
    time.sleep(1.5)  # the sound is on its way; wall time, because the bench keeps it while something plays
    assert volts() > 0.2
    audio.mute()
    time.sleep(1.5)
    assert volts() < 0.02
    audio.rearm()
    instruments.operator.set({"mains": "off"}, say="off")


# The whole procedure -------------------------------------------------------------------------------------------------------


def run_power_on(archive: Path, *options: str) -> tuple[dict[str, object], list[dict[str, str]]]:
    done = subprocess.run(
        [*RUN, "--archive", str(archive), *options],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout, f"exit status {done.returncode}: {done.stderr[-3000:]}"
    run = json.loads(done.stdout)
    folder = next(archive.glob("*/*"))
    with (folder / "readings.csv").open(encoding="utf-8", newline="") as file:
        return run, list(csv.DictReader(file))


def numbered(readings: list[dict[str, str]]) -> dict[tuple[str, str, str, int], dict[str, str]]:
    """The readings by step, quantity, channel, and which one of these it is."""
    seen: Counter[tuple[str, str, str]] = Counter()
    found = {}
    for reading in readings:
        key = (reading["step"], reading["quantity"], reading["channel"])
        found[(*key, seen[key])] = reading
        seen[key] += 1
    return found


def difference_db(reading: dict[str, str], other: dict[str, str]) -> float:
    here, there = float(reading["value"]), float(other["value"])
    if reading["unit"] == "dB":
        return here - there
    return (10.0 if reading["unit"] == "W" else 20.0) * math.log10(here / there)


@AUDIO
@pytest.mark.timeout(1800)  # two minutes of sound; a busy machine takes captures again
def test_power_on_over_audio_server_and_sockets_judges_as_in_process(
    serving: ServingProcess, bench_file: Path, tmp_path: Path
) -> None:
    for attempt in range(
        TRIES
    ):  # a starved audio server ends a run as an instrument that failed, never as a wrong verdict
        served, served_readings = run_power_on(tmp_path / f"served{attempt}", "--bench", str(bench_file))
        if served["result"] != "error":
            break
    in_process, readings = run_power_on(tmp_path / "in_process", "--seed", "5")
    assert (served["result"], served["exit_status"]) == (in_process["result"], in_process["exit_status"]), (
        serving.said()
    )
    assert served["simulated"] is True
    assert 1.0 < served["wall_over_signal_and_settling"] < 10.0  # a timing: what it should be is said, not judged, here
    assert in_process["wall_over_signal_and_settling"] is None
    over_the_stack, expected = numbered(served_readings), numbered(readings)
    assert over_the_stack.keys() == expected.keys()
    assert {r["simulated"] for r in served_readings} == {"true"}
    assert {key: r["verdict"] for key, r in over_the_stack.items()} == {
        key: r["verdict"] for key, r in expected.items()
    }
    compared = Counter[str]()
    for key, reading in over_the_stack.items():
        if key[1] in ("gain", "channel_balance", "thd_n", "output_power"):
            assert difference_db(reading, expected[key]) == pytest.approx(0.0, abs=AGREEMENT_DB), key
            compared[key[1]] += 1
    assert set(compared) == {"gain", "channel_balance", "thd_n", "output_power"}


@AUDIO
def test_server_that_ends_in_mid_run_ends_the_run_as_an_instrument_that_failed(tmp_path: Path) -> None:
    path = tmp_path / "served.toml"
    with ServingProcess(seed=5) as process:
        path.write_text(process.bench_file_text)
        audio = load_bench(path).audio
        assert audio is not None
        run = subprocess.Popen(
            [*RUN, "--bench", str(path), "--archive", str(tmp_path / "runs")],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert run.stderr is not None
        said = []
        for line in run.stderr:
            said.append(line)
            if "50 mV" in line:  # the first step with a tone
                break
        subprocess.run(["pactl", f"--server={audio.output_device.partition('@')[2]}", "exit"], check=True)
        printed, rest = run.communicate(timeout=60.0)
    words = "".join(said) + rest
    assert run.returncode == InstrumentError.exit_status, words
    assert "sound card has gone" in " ".join(words.split())
    summary = json.loads(printed)
    assert summary["result"] == "error"
