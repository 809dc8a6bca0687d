"""The job card: entries add up, none is changed, and the run beside it stays what it was."""

from __future__ import annotations

import os
from datetime import UTC, datetime

import pytest

from benchtest import archive
from benchtest.archive.annex import JOB_CARD, annexes
from benchtest.archive.finding import check_run
from benchtest.archive.job_card import JobCard, add_entry, read_card
from benchtest.archive.run import ALTERED, FINISHED, Run
from benchtest.errors import FileError

PNG = b"\x89PNG\r\n\x1a\n invented picture"


@pytest.fixture
def run(tmp_path, new_run, row):
    writer = new_run(tmp_path / "archive")
    writer.append_reading(row(writer.run_id))
    writer.close({"result": "passed"})
    return Run(writer.folder)


def test_entries_add_up_and_the_last_text_stands(run, tmp_path):
    picture = tmp_path / "=cmd().png"
    picture.write_bytes(PNG)
    assert read_card(run) == JobCard()
    add_entry(run, texts={"complaint": "left silent", "customer": "Invented"}, now=datetime(2031, 5, 6, 9, tzinfo=UTC))
    add_entry(run, texts={"found": "fuse"}, fitted=["fuse F 4 A"], minutes=30, photographs=[picture],
              now=datetime(2031, 5, 6, 10, tzinfo=UTC))  # fmt: skip
    add_entry(run, texts={"found": "fuse, blown by a short"}, fitted=["cable"], minutes=12.5,
              now=datetime(2031, 5, 6, 11, tzinfo=UTC))  # fmt: skip
    card = read_card(run)
    assert (card.complaint, card.found) == ("left silent", "fuse, blown by a short")
    assert card.fitted == ("fuse F 4 A", "cable")
    assert card.minutes == 42.5
    assert card.entries == 3
    assert [path.read_bytes() for path in card.photographs] == [PNG]
    assert card.photographs[0].name == "01-cmd.png"


def test_the_run_stays_finished_and_the_check_vouches_for_the_card(run):
    folder = add_entry(run, texts={"complaint": "hums"})
    assert check_run(run.folder).state == FINISHED
    assert check_run(run.folder).added == ()
    (folder / "card.json").write_text("{}")
    found = check_run(run.folder)
    assert found.state == ALTERED
    assert found.altered == (f"{folder.name}/card.json",)


def test_an_entry_that_was_cut_short_is_left_out_and_said(run):
    folder = add_entry(run, texts={"complaint": "hums"})
    (folder / "manifest.sha256").unlink()
    card = read_card(run)
    assert card.complaint == ""
    assert "never finished" in card.remarks[0]
    assert "never finished" in check_run(run.folder).remark


@pytest.mark.parametrize("data", [b"{", b"[]", b'{"photographs": 3}', b'{"minutes": "many"}'])
def test_a_broken_entry_harms_nothing(run, data):
    folder = add_entry(run, texts={"complaint": "hums"})
    (folder / "card.json").write_bytes(data)
    assert "cannot be read" in read_card(run).remarks[0]


def test_a_photograph_named_outside_the_entry_is_not_followed(run):
    folder = add_entry(run, texts={"complaint": "hums"})
    (folder / "card.json").write_text('{"photographs": ["../../../run.json", "/etc/passwd"]}')
    assert read_card(run).photographs == ()


@pytest.mark.parametrize(
    ("more", "match"),
    [
        ({"texts": {}}, "nothing to enter"),
        ({"texts": {"complaint": "x" * 5000}}, "at most 4000"),
        ({"texts": {}, "minutes": float("nan")}, "minutes = nan"),
        ({"texts": {}, "minutes": -1}, "minutes = -1"),
    ],
)
def test_what_is_no_entry_is_refused_and_leaves_nothing(run, more, match):
    with pytest.raises(FileError, match=match):
        add_entry(run, **more)
    assert list(annexes(run.folder, JOB_CARD)) == []


@pytest.mark.parametrize("name", ["page.svg", "photo.jpg", "none.png"])
def test_what_is_no_photograph_is_refused(run, tmp_path, name):
    path = tmp_path / name
    if name != "none.png":
        path.write_bytes(b"<svg onload=alert(1)>")
    with pytest.raises(FileError, match="photograph"):
        add_entry(run, texts={"complaint": "x"}, photographs=[path])
    assert list(annexes(run.folder, JOB_CARD)) == []


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written_is_said(run):
    run.folder.chmod(0o500)
    with pytest.raises(FileError, match="making a folder"):
        add_entry(run, texts={"complaint": "x"})


def test_the_log_is_not_changed_by_a_card(run):
    before = archive.open(run.folder.parents[1]).runs()
    add_entry(run, texts={"complaint": "x"})
    assert archive.open(run.folder.parents[1]).runs() == before
