"""The owner's page: what it says, what it never says, and when it is refused."""

from __future__ import annotations

import json
import re

import pytest
from click.testing import CliRunner

from benchtest import archive
from benchtest.archive.job_card import add_entry
from benchtest.archive.run import Run
from benchtest.cli import benchtest
from benchtest.report.owner import (
    ACCEPTABLE,
    GOOD,
    NOT_GOOD,
    NOT_TESTED,
    NotReady,
    page_of,
    power_sentence,
    previous_run,
    why_not_ready,
    write_owner_page,
)

# What a page for an owner must never say: at_the_bench, common practice, no source.
NEVER = re.compile(
    r"\bsafe\b|certif|\bas new\b|like new|restored|guarant|warrant|meets standard|probab|coverage|k = 2|\d{5,}|"
    r"sounds|warm sound|blame|fault of the owner|passed",
    re.IGNORECASE,
)


def _text(path) -> str:
    page = re.sub(r"<style>.*?</style>|<[^>]+>", " ", path.read_text(encoding="utf-8"), flags=re.S)
    return re.sub(r"\s+", " ", page)


def _real(folder, **changes) -> Run:
    """The run as if it were from a real bench: the manifest is written anew over the changed run.json."""
    from benchtest.archive.manifest import manifest_text

    page = json.loads((folder / "run.json").read_text())
    page |= {"simulated": False, **changes}
    (folder / "run.json").write_text(json.dumps(page))
    (folder / "manifest.sha256").write_text(manifest_text(folder))
    return Run(folder)


@pytest.mark.parametrize("kind", ["passed", "failed"])
def test_page_never_says_what_it_must_not(demo_run, kind):
    run = _real(demo_run(kind))
    text = _text(write_owner_page(run, None)).replace(run.run_id, "")
    assert NEVER.search(text) is None, NEVER.search(text)
    assert "SIMULATED" not in text


def test_page_says_the_test_that_was_not_done_and_what_was_not_tested(demo_run):
    text = _text(write_owner_page(_real(demo_run("passed")), None))
    assert "Electrical safety test (earth, insulation): NOT DONE" in text
    assert "A multimeter cannot do that test" in text
    assert "Measured that day on this bench; not a promise" in text
    assert "made 58 W" in text  # 0.94 of the weaker channel's 61.9 W
    assert "both channels; maker says 60 W" in text
    assert "input impedance" in text
    assert "It was not measured before the work" in text


def test_electrical_safety_test_stands_in_no_smaller_type_than_the_six_lines(demo_run):
    style = write_owner_page(_real(demo_run("passed")), None).read_text()
    size = float(re.search(r"\.equal \{ font-size: ([\d.]+)rem", style)[1])
    assert size >= 1.0
    assert "table {" in style
    assert not re.search(r"table \{[^}]*font-size", style)


def test_what_was_typed_once_stands_on_the_page(demo_run, tmp_path):
    run = _real(demo_run("passed"))
    add_entry(run, texts={"complaint": "left <b>silent</b>", "by": "W. Invented", "safety_test": "W. Invented with tester 3"},
              fitted=["fuse F 4 A"])  # fmt: skip
    page = write_owner_page(run, None)
    text = _text(page)
    assert "done by W. Invented with tester 3" in text
    assert "NOT DONE" not in text
    assert "fuse F 4 A" in text
    assert "left &lt;b&gt;silent&lt;/b&gt;" in page.read_text()
    assert "for " not in re.search(r"measured .*? Complaint", text)[0]  # no customer's name was entered


def test_before_and_after_are_graded_line_by_line(demo_run, tmp_path):
    run, before = _real(demo_run("passed")), Run(demo_run("failed"))
    found = {line.what: line for line in page_of(run, before)["lines"]}
    assert len(found) == 6
    assert found["Output power"].before == (GOOD, NOT_GOOD)
    assert found["Distortion"].before[1] == NOT_GOOD
    assert found["Distortion"].after == (GOOD, GOOD)
    assert found["Low and high notes (frequency response)"].after == (NOT_TESTED, NOT_TESTED)
    assert ACCEPTABLE not in found["Left as loud as right"].after
    assert {line.before for line in page_of(run, None)["lines"]} == {(NOT_TESTED, NOT_TESTED)}


@pytest.mark.parametrize(
    ("kind", "changes", "reason"),
    [
        ("stopped", {}, "stopped by a safety limit"),
        ("interrupted", {}, "interrupted"),
        ("unfinished", None, "never finished"),
        ("empty", None, "never finished"),
        ("passed", {"training": True}, "training"),
        ("passed", {"not_decided": ["dc_offset left"]}, "DC at the output left"),
        ("passed", {"result": "inconclusive"}, "decided nothing"),
    ],
)
def test_refused_where_a_check_is_missing(demo_run, kind, changes, reason):
    folder = demo_run(kind)
    run = Run(folder) if changes is None else _real(folder, **changes)
    with pytest.raises(NotReady, match=f"not ready to hand back.*{reason}"):
        write_owner_page(run, None)
    assert not (folder / "owner.html").exists()


def test_refused_for_steps_that_were_not_carried_out_and_for_altered_files(demo_run):
    run = _real(demo_run("passed"))
    lines = (run.folder / "events.jsonl").read_text().splitlines()
    steps = [{"event": "run_started", "steps": ["one"] * 20}, *map(json.loads, lines[1:])]
    (run.folder / "events.jsonl").write_text("\n".join(map(json.dumps, steps)) + "\n")
    reasons = why_not_ready(Run(run.folder))
    assert any("steps were not carried out" in why for why in reasons)
    assert any("files are not as they were" in why for why in reasons)


def test_refused_without_a_dc_check_of_both_channels(tmp_path, demo_run):
    run = _real(demo_run("passed"))
    path = run.folder / "readings.csv"
    path.write_bytes(b"".join(line for line in path.read_bytes().splitlines(True) if b",dc_offset,right," not in line))
    assert why_not_ready(_real(run.folder)) == ["the DC check of the right channel is missing"]


def test_dc_that_is_not_good_forbids_loudspeakers(demo_run):
    run = _real(demo_run("passed"))
    path = run.folder / "readings.csv"
    path.write_bytes(path.read_bytes().replace(b"-0.1,0.1,pass", b"-0.1,0.1,fail", 1))
    text = _text(write_owner_page(_real(run.folder, result="failed"), None))
    assert "Do not connect loudspeakers" in text


def test_simulated_run_gives_only_a_preview(demo_run):
    page = write_owner_page(Run(demo_run("passed")), None).read_text()
    assert '<div class="across" aria-hidden="true">SIMULATED</div>' in page
    assert "a preview, no amplifier was measured" in page


def test_power_of_one_channel_at_a_time_says_so():
    rows = [
        {"quantity": "output_power", "channel": c, "value": v, "conditions": '{"driven": "one", "at": "0.5 % THD"}'}
        for c, v in (("left", 76.5), ("right", 74.2))
    ]
    assert power_sentence(rows, {}) == "made 74 W at 0.5 %, one channel at a time"
    assert power_sentence(rows[:1], {}) == ""


def test_the_run_before_is_the_last_of_the_serial_number_that_did_not_pass(demo_run):
    failed, passed = Run(demo_run("failed")), Run(demo_run("passed"))
    older, newer = sorted((failed, passed), key=lambda run: run.run_id)
    found = previous_run(archive.open(failed.folder.parents[1]), newer)
    assert (found.folder if found else None) == (older.folder if older is failed else None)


def test_command_ends_with_5_and_leaves_nothing_where_it_is_refused(demo_run, monkeypatch, capsys):
    import sys

    from benchtest.cli import main

    folder = demo_run("stopped")
    monkeypatch.setattr(sys, "argv", ["benchtest", "owner", str(folder)])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 5
    assert "not ready to hand back" in capsys.readouterr().err


def test_command_writes_the_page_and_says_which_run_was_before(demo_run):
    folder = demo_run("passed")
    result = CliRunner().invoke(
        benchtest, ["owner", str(folder), "--archive", str(folder.parents[1]), "--json"], standalone_mode=False
    )
    assert result.exception is None
    assert json.loads(result.stdout) == {"page": str(folder / "owner.html"), "pdf": None, "before": None}
