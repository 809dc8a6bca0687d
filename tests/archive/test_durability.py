"""What was shown is on the disk: killed at any instant, or with the disk full, nothing is lost and nothing unreadable.

A kill leaves the system's file cache as it is, so it tests the order of the writes; that each is synced before the call
returns is tested by counting the calls. Power failures are not simulated.
"""

from __future__ import annotations

import errno
import json
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from benchtest import archive
from benchtest.errors import FileError

KILLS = 300


def read_everything(folder: Path) -> archive.Run:
    """Read all of a run; raises where anything is unreadable."""
    run = archive.Run(folder)
    run.rows()
    run.events()
    run.curves()
    run.brief()
    assert run.check is None or run.check.intact
    return run


def test_reading_is_synced_before_the_call_returns(tmp_path, new_run, row, monkeypatch):
    writer = new_run(tmp_path)
    handles: list[str] = []
    real = os.fdatasync

    def counted(handle: int) -> None:
        handles.append(Path(os.readlink(f"/proc/self/fd/{handle}")).name)
        real(handle)

    if not Path("/proc/self/fd").exists():
        pytest.skip("needs /proc to name the files")
    monkeypatch.setattr(os, "fdatasync", counted)
    writer.append_event({"event": "note"})
    assert handles == []
    writer.append_reading(row())
    assert handles == ["readings.csv", "events.jsonl"]
    writer.abandon()


@pytest.mark.parametrize("failing", ["write", "fdatasync"])
def test_reading_that_did_not_reach_the_disk_leaves_the_file_as_it_was(tmp_path, new_run, row, monkeypatch, failing):
    writer = new_run(tmp_path)
    writer.append_reading(row(sequence=1))
    before = (writer.folder / "readings.csv").read_bytes()
    real_write = os.write

    def short_then_full(handle: int, data: bytes) -> int:
        if len(data) > 10:
            return real_write(handle, bytes(data[:10]))
        raise OSError(errno.ENOSPC, "No space left on device")

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patched:
        if failing == "write":
            calls = iter([short_then_full, lambda handle, data: full(handle)])
            patched.setattr(os, "write", lambda handle, data: next(calls)(handle, data))
        else:
            patched.setattr(os, "fdatasync", full)
        with pytest.raises(FileError, match=r"readings\.csv.*No space left.*Free some space"):
            writer.append_reading(row(sequence=2))
    assert (writer.folder / "readings.csv").read_bytes() == before
    assert writer.readings_count == 1
    writer.append_reading(row(sequence=3))  # there is room again
    writer.close({"result": "error"})
    assert [r["sequence"] for r in read_everything(writer.folder).rows()] == [1, 3]


def test_close_on_a_full_disk_leaves_the_run_unfinished_and_readable(tmp_path, new_run, row, monkeypatch):
    writer = new_run(tmp_path)
    writer.append_reading(row(sequence=1))

    def full(source: object, target: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, "replace", full)
        with pytest.raises(FileError, match="No space left"):
            writer.close({"result": "passed"})
    run = read_everything(writer.folder)
    assert run.state == "unfinished"
    assert len(run.rows()) == 1
    assert list(writer.folder.glob("*.part")) == []


def test_folder_that_is_removed_while_the_run_goes_on_is_an_error_of_its_own(tmp_path, new_run, row):
    writer, other = new_run(tmp_path, "Alpha"), new_run(tmp_path, "Beta")
    writer.append_reading(row())
    shutil.rmtree(writer.folder)
    with pytest.raises(FileError, match=r"readings\.csv.*was removed while the run went on"):
        writer.append_reading(row(sequence=2))  # it would be shown, and nowhere to be found
    with pytest.raises(FileError, match=r"with run\.json in it, is not there any more"):
        writer.close({"result": "passed"})
    other.append_reading(row())
    other.close({"result": "passed"})
    assert read_everything(other.folder).state == "finished"


def record_until_killed(here: Path, pipe: int, new_run, row) -> None:
    """In the child: one run, each reading told through the pipe once ``append_reading`` has returned."""
    writer = new_run(here)
    os.write(pipe, f"{writer.folder}\n".encode())
    rng = np.random.default_rng(0)
    for number in range(1, 41):
        writer.append_event({"event": "note", "text": "x" * 50})
        writer.append_reading(row(writer.run_id, number, note='a "b"\r\n' * (number % 3)))
        os.write(pipe, b"+")
        if number % 10 == 0:
            writer.save_capture("c", rng.uniform(-1, 1, (2000, 2)), 48000, volts_per_full_scale=1.0)
            writer.save_curve("c", {"time_s": np.arange(50.0)}, units={"time_s": "s"}, title="c")
    writer.close({"result": "passed", "exit_status": 0})
    os.write(pipe, b"!")


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_no_shown_reading_is_lost_in_300_kills_at_random_instants(tmp_path, new_run, row):
    rng = random.Random(2)
    here = tmp_path / "archive"
    seen = {"unfinished": 0, "finished": 0}
    killed_while_writing = 0
    for number in range(KILLS):
        reader, writer = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                record_until_killed(here, writer, new_run, row)
            finally:
                os._exit(0)
        os.close(writer)
        # The instant is drawn as so many signs of life and then some time, so that it falls alike on any machine.
        told, life = b"", number % 43
        while told.count(b"+") + told.count(b"!") + told.count(b"\n") < life and (piece := os.read(reader, 65536)):
            told += piece
        time.sleep(rng.uniform(0, 0.002))
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        while piece := os.read(reader, 65536):
            told += piece
        os.close(reader)
        name, _, marks = told.partition(b"\n")
        if not name:
            continue
        run = read_everything(Path(name.decode()))
        rows = run.rows()
        assert len(rows) >= marks.count(b"+")
        assert [r["sequence"] for r in rows] == list(range(1, len(rows) + 1))
        assert run.state == "finished" or b"!" not in marks
        seen[run.state] += 1
        killed_while_writing += os.WIFSIGNALED(status) and 0 < marks.count(b"+") < 40
    # The test must have met both, and have hit runs in the middle.
    assert seen["unfinished"] > 100
    assert seen["finished"] > 3
    assert killed_while_writing > 100
    assert len(archive.open(here).runs()) >= sum(seen.values())
    last = new_run(here)
    last.append_reading(row())
    last.close({"result": "passed"})
    assert read_everything(last.folder).state == "finished"


def test_file_that_may_not_grow_loses_nothing_that_was_shown(tmp_path, new_run, row):
    """The kernel's own refusal, without privileges: a limit on the size of a file."""
    reader, writer_end = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            writer = new_run(tmp_path)
            resource.setrlimit(resource.RLIMIT_FSIZE, (6000, 6000))
            shown = 0
            try:
                for number in range(1, 100):
                    writer.append_reading(row(writer.run_id, number))
                    shown = number
            except FileError as error:
                os.write(writer_end, json.dumps([str(writer.folder), shown, str(error)]).encode())
        finally:
            os._exit(0)
    os.close(writer_end)
    os.waitpid(child, 0)
    folder, shown, message = json.loads(os.read(reader, 65536))
    os.close(reader)
    assert "File too large" in message
    rows = read_everything(Path(folder)).rows()
    assert shown > 5
    assert [r["sequence"] for r in rows] == list(range(1, shown + 1))


FULL_DISK = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from benchtest import archive
from benchtest.errors import FileError
from benchtest.reading import Reading, as_row

here, filler = Path(sys.argv[1]) / "archive", Path(sys.argv[1]) / "filler"
def begin():
    return archive.RunWriter.create(here, procedure="p", amplifier_name="a", started_utc=datetime.now(UTC), header={})
def fill(writer, most):
    shown = 0
    for number in range(1, most + 1):
        reading = Reading(quantity="dc_offset", channel="left", value=0.01, unit="V", note="x" * 200)
        writer.append_event({"event": "note", "text": "y" * 100})
        writer.append_reading(as_row(reading, run_id=writer.run_id, sequence=number, time_utc=datetime.now(UTC),
                                     procedure="p", step="s", simulated=True))
        shown = number
    return shown

filler.write_bytes(b"0" * 100_000)
first = begin()
refused = ""
shown = 0
try:
    while True:
        shown += 1
        fill(first, 1)
except FileError as error:
    refused = str(error)
    shown -= 1
assert "No space left" in refused, refused
try:
    first.close({"result": "passed"})
except FileError as error:
    assert "No space left" in str(error)
try:
    second = begin()
    second.close({})
except FileError as error:
    assert "No space left" in str(error)
run = archive.Run(first.folder)
assert len(run.rows()) >= shown > 100, (len(run.rows()), shown)
assert run.state == "unfinished", run.state
for line in archive.open(here).runs():
    archive.Run(line.folder).rows()
filler.unlink()
third = begin()
fill(third, 20)
third.close({"result": "passed"})
assert archive.Run(third.folder).state == "finished"
print("shown", shown)
"""


@pytest.mark.slow
def test_full_file_system_loses_nothing_that_was_shown(tmp_path):
    """A tmpfs of 400 kB in a mount namespace of its own; needs a kernel that lets one be made."""
    unshare = shutil.which("unshare")
    disk = tmp_path / "disk"
    disk.mkdir()
    prefix = [unshare, "--user", "--map-root-user", "--mount"] if unshare else []
    mount = f"mount -t tmpfs -o size=400k tmpfs {disk}"
    if not unshare or subprocess.run([*prefix, "sh", "-c", mount], capture_output=True).returncode != 0:
        pytest.skip("no tmpfs can be mounted here (unshare with user namespaces)")
    script = f'{mount} && exec {sys.executable} -c "$SCRIPT" {disk}'
    found = subprocess.run(
        [*prefix, "sh", "-c", script],
        env=os.environ | {"SCRIPT": FULL_DISK},
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert found.returncode == 0, found.stderr
    assert int(found.stdout.split()[1]) > 100
