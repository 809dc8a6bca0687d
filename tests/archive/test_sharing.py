"""A run to be shared: nothing that names a person, a workshop or one set is left in any file of the copy."""

from __future__ import annotations

import json

import numpy as np
import pytest

from benchtest import archive
from benchtest.archive.job_card import add_entry
from benchtest.archive.run import FINISHED, Run
from benchtest.archive.sharing import copy_anonymous, copy_run
from benchtest.errors import FileError

SERIAL, CUSTOMER, WORKER, BENCH, METER = (
    "SN-4711-X",
    "Invented Customer",
    "Invented Worker",
    "cellar in Inventville",
    "MY48-0001",
)
JPEG = b"\xff\xd8\xff\xe0 invented picture"


@pytest.fixture
def private_run(tmp_path, new_run, row):
    """A run on a real bench (so it says) that holds names wherever one can stand."""
    header = {
        "simulated": False,
        "amplifier": {"name": "Demo 60", "serial": SERIAL, "rated_power_w": 60.0, "remarks": f"belongs to {CUSTOMER}"},
        "bench": {"name": BENCH, "file": "/home/someone/bench.toml", "mains_voltage": 231.0, "load_ohm": {"left": 8.0}},
        "instruments": [{"name": f"meter of {WORKER}", "kind": "multimeter", "identity": f"Maker,Type 1,{METER},1.0"}],
        "calibration": {"kind": "measured", "path": "/home/someone/cal.toml", "meter": f"Maker,Type 1,{METER},1.0"},
        "environment": {"room": "kitchen of " + CUSTOMER},
        "software": {"benchtest": "0.1.0", "system": "Linux-host-of-someone"},
        "operator": WORKER,
    }
    writer = new_run(tmp_path / "archive", "Demo 60", **header)
    writer.append_event({"event": "run_started", "folder": str(writer.folder), "run_id": writer.run_id})
    writer.append_event({"event": "question", "question": "whose?", "answer": "nobody you know"})
    writer.append_reading(row(writer.run_id, 1, note=f"set {SERIAL} by {METER}", simulated=False))
    volts = 0.5 * np.sin(np.arange(4800) / 7.0)[:, None] * np.ones((1, 2))
    writer.save_capture("tone", volts, 48000, volts_per_full_scale=2.0, meta={"said": SERIAL})
    writer.save_curve("curve", {"a_v": np.arange(3.0)}, units={"a_v": "V"}, title=f"of {SERIAL}")
    writer.close({"result": "passed", "exit_status": 0})
    picture = tmp_path / "photo.jpg"
    picture.write_bytes(JPEG)
    run = Run(writer.folder)
    add_entry(run, texts={"customer": CUSTOMER, "by": WORKER, "complaint": "hums"}, photographs=[picture])
    return run


def test_no_name_is_left_in_any_file_of_an_anonymous_copy(private_run, tmp_path):
    before = {p: p.read_bytes() for p in private_run.folder.rglob("*") if p.is_file()}
    folder = copy_anonymous(private_run, tmp_path / "shared")
    everything = b"".join(p.read_bytes() for p in folder.rglob("*") if p.is_file() and p.suffix != ".flac")
    everything += str(folder.relative_to(tmp_path)).encode()
    for name in (
        SERIAL,
        CUSTOMER,
        WORKER,
        BENCH,
        METER,
        "someone",
        "kitchen",
        "nobody you know",
        private_run.run_id,
        "hums",
    ):
        assert name.lower().encode() not in everything.lower(), name
    assert not list(folder.glob("card-*"))
    assert {p: p.read_bytes() for p in private_run.folder.rglob("*") if p.is_file()} == before


def test_an_anonymous_copy_is_a_whole_run_with_the_same_numbers(private_run, tmp_path):
    copy = Run(copy_anonymous(private_run, tmp_path / "shared"))
    assert copy.state == FINISHED
    assert [row["value"] for row in copy.rows()] == [row["value"] for row in private_run.rows()]
    assert copy.rows()[0]["run_id"] == copy.run_id != private_run.run_id
    assert copy.summary["amplifier"] == {"name": "Demo 60", "rated_power_w": 60.0}
    assert copy.summary["bench"] == {"name": "", "mains_voltage": 231.0, "load_ohm": {"left": 8.0}}
    assert copy.summary["instruments"][0]["identity"] == "Maker,Type 1,-,1.0"
    assert copy.summary["anonymous"] is True
    (capture,) = copy.captures()
    np.testing.assert_array_equal(
        copy.waveform(capture).samples, private_run.waveform(private_run.captures()[0]).samples
    )
    assert [run.run_id for run in archive.open(tmp_path / "shared").runs()] == [copy.run_id]


def test_a_plain_copy_is_byte_for_byte_and_replaces_nothing(private_run, tmp_path):
    folder = copy_run(private_run, tmp_path / "other")
    assert {p.relative_to(folder): p.read_bytes() for p in folder.rglob("*") if p.is_file()} == {
        p.relative_to(private_run.folder): p.read_bytes() for p in private_run.folder.rglob("*") if p.is_file()
    }
    with pytest.raises(FileError, match="nothing is overwritten"):
        copy_run(private_run, tmp_path / "other")


def test_an_unfinished_run_stays_unfinished_when_shared(tmp_path, new_run, row):
    writer = new_run(tmp_path / "archive")
    writer.append_reading(row(writer.run_id))
    writer.abandon()
    copy = Run(copy_anonymous(Run(writer.folder), tmp_path / "shared"))
    assert not copy.closed
    assert len(copy.rows()) == 1
    assert json.loads((copy.folder / "run.json").read_text())["anonymous"] is True
