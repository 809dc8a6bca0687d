"""Procedures that mean harm, or are merely wrong: what reaches the amplifier stays inside the limits all the same."""

import contextlib
import os
import signal
import subprocess
import sys
import textwrap
import time

import pytest

from benchtest.errors import NotAllowed
from benchtest.procedure import Procedure, run
from tests.safety.conftest import ready_to_drive


def _test(body):
    test = Procedure("hostile", name="hostile")
    test.step("hostile", why="to be refused")(body)
    return test


def test_full_scale_into_an_unchecked_amplifier(bench, emitted):
    def body(bench, amplifier):
        bench.hook_up(load="load", inputs="sound_card", volume="full")
        bench.mains_on()
        bench.tone(25.0, ["left", "right"])
        yield []

    result = run(_test(body), bench, archive=None)
    assert (result.exit_status, result.summary["result"]) == (4, "stopped")
    assert emitted.loudest() == 0.0


def test_one_that_swallows_every_exception_gets_no_further(bench, emitted):
    def body(bench, amplifier):
        ready_to_drive(bench)
        for level in (30.0, 25.0, 10.0, 3.0, 1.0, 0.2):
            for channels in (["left"], ["right"], ["left", "right"]):
                with contextlib.suppress(BaseException):
                    bench.tone(level, channels)
                with contextlib.suppress(BaseException):
                    bench.waveform([1.0] * 9600, 96000, channels, output_peak_v=level)
        with contextlib.suppress(BaseException):
            bench.stop("as if something had been seen")
        with contextlib.suppress(BaseException):
            bench.tone(0.05, ["left"])
        yield []

    result = run(_test(body), bench, archive=None)
    assert result.exit_status == 4
    assert emitted.loudest() == 0.0


def test_a_stop_that_was_swallowed_still_stops_the_run(bench):
    def body(bench, amplifier):
        with contextlib.suppress(BaseException):
            bench.stop("smoke")
        yield from ()

    test = _test(body)
    test.step("after", why="never reached")(lambda bench, amplifier: iter(()))
    result = run(test, bench, archive=None)
    assert result.summary["result"] == "stopped"


def test_a_fault_in_the_script_leaves_the_tone_and_a_switched_socket_off(bench):
    def body(bench, amplifier):
        ready_to_drive(bench)
        yield []
        raise ZeroDivisionError("a fault of the script")

    result = run(_test(body), bench, archive=None)
    assert result.summary["result"] == "error"
    assert result.summary["ending"].startswith("Mains off.")
    with pytest.raises(NotAllowed, match="the mains is off"):
        bench.tone(0.05, ["left"])


def _signals_as_at_a_terminal():
    """A job that a script started in the background inherits an ignored SIGINT; a person's terminal does not."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        signal.signal(getattr(signal, name), signal.SIG_DFL)


_NEVER_RETURNS = """
    import signal, sys, threading, time
    from benchtest.safety import ToneGuard

    def mute():
        print("muted", flush=True)

    guard = ToneGuard(mute)
    if sys.argv[1] == "deadline":
        guard.arm(0.2)
    told = False
    while True:  # never returns, and swallows what is thrown at it
        try:
            if not told:
                told = True
                print("ready", flush=True)
            while True:
                pass
        except BaseException:
            pass
"""


CHILD = """
import os, sys, time
from benchtest.safety.tone_guard import ToneGuard
muted = lambda: os.write(1, b"muted ")
guard = ToneGuard(muted)
guard.arm(60.0)
os.write(1, b"armed ")
end = time.monotonic() + 20.0
while not guard.tripped and time.monotonic() < end:
    time.sleep(0.05)
os.write(1, guard.tripped.encode())
"""
PARENT = """
import subprocess, sys, time
subprocess.Popen([sys.executable, "-c", sys.argv[1]])
time.sleep(60.0)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no orphan gets another parent there")
def test_a_killed_parent_turns_the_tone_off():
    with subprocess.Popen([sys.executable, "-c", PARENT, CHILD], stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        said = parent.stdout.read(len(b"armed "))
        parent.kill()
        said += parent.stdout.read()
    assert said == b"armed muted the program that started this one has gone"


@pytest.mark.parametrize("way", ["deadline", "SIGINT", "SIGTERM", "SIGHUP"])
def test_one_that_never_returns_is_muted_by_a_thread(way):
    child = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(_NEVER_RETURNS), way],
        stdout=subprocess.PIPE,
        text=True,
        preexec_fn=_signals_as_at_a_terminal,
    )
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        if way != "deadline":
            os.kill(child.pid, getattr(signal, way))
        assert child.stdout.readline() == "muted\n"
    finally:
        child.kill()
        child.communicate()


def test_ctrl_c_closes_the_run_as_interrupted_with_what_was_measured(tmp_path):
    script = tmp_path / "slow.py"
    script.write_text(
        textwrap.dedent(
            '''
            """Slow."""
            import time
            from benchtest import Procedure, measure
            test = Procedure("Slow")
            @test.step("Slow", why="to be interrupted")
            def slow(bench, amplifier):
                bench.hook_up(lamp="out", load="1 kilohm", inputs="shorted", volume="minimum")
                bench.mains_on()
                yield measure.rail_voltages(bench, "idle")
                time.sleep(60)
            '''
        )
    )
    archive = tmp_path / "archive"
    child = subprocess.Popen(
        [sys.executable, "-m", "benchtest", "run", str(script), "--yes", "--archive", str(archive)],
        stderr=subprocess.PIPE, text=True, cwd=tmp_path, preexec_fn=_signals_as_at_a_terminal,
    )  # fmt: skip
    try:
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            written = list(archive.glob("*/*/readings.csv"))
            if written and written[0].read_text().count("\n") >= 3:
                break
            time.sleep(0.1)
        child.send_signal(signal.SIGINT)
        _, said = child.communicate(timeout=60)
    finally:
        child.kill()
    assert child.returncode == 130
    assert "Mains off. The reservoirs are charged" in said  # this bench has a switched socket
    (folder,) = archive.glob("*/*")
    assert '"interrupted"' in (folder / "run.json").read_text()
    assert (folder / "manifest.sha256").is_file()
    assert (folder / "readings.csv").read_text().count("rail_voltage") == 2
