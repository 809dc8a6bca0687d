"""A run that was interrupted goes on where it was; the DC check is repeated, and nothing is driven without a person."""

from __future__ import annotations

import json

import pytest

from benchtest.amplifier_file import load_amplifier
from benchtest.errors import FileError
from benchtest.procedure import load_procedure, run
from benchtest.resuming import earlier_run, remembered
from benchtest.safety import open_bench
from tests.procedures.conftest import PROCEDURES

AMPLIFIER = load_amplifier(PROCEDURES / "demo_amplifier.toml")
STEPS = [step.name for step in load_procedure(str(PROCEDURES / "power_on.py")).steps]
BROKEN_OFF_AT = "distortion"


def carried_out(archive, *, until=None, earlier=None, answers=None):
    said: list[dict] = []

    def listen(event):
        said.append(event)
        if event["event"] == "step_started" and event["step"] == until:
            raise KeyboardInterrupt

    with open_bench(None, amplifier=AMPLIFIER) as bench:
        if answers is not None:
            ask = bench.ask
            bench.ask = lambda q, choices, about="": answers.get(about) or ask(q, choices, about=about)
        result = run(
            load_procedure(str(PROCEDURES / "power_on.py")), bench, archive=archive, listeners=[listen], earlier=earlier
        )
    if result.summary["result"] == "error":
        raise result.error
    return result, said


@pytest.fixture(scope="module")
def broken_off(tmp_path_factory):
    archive = tmp_path_factory.mktemp("archive")
    result, _ = carried_out(archive, until=BROKEN_OFF_AT)
    assert result.summary["result"] == "interrupted"
    return archive, result


@pytest.fixture(scope="module")
def gone_on(broken_off):
    archive, _ = broken_off
    return carried_out(None, earlier=earlier_run(archive, "last", "power_on", STEPS, AMPLIFIER))


def test_it_goes_on_at_the_step_that_was_interrupted(broken_off, gone_on):
    archive, before = broken_off
    earlier = earlier_run(archive, "last", "power_on", STEPS, AMPLIFIER)
    assert earlier.run_id == before.summary["run_id"]
    assert earlier.done == tuple(STEPS[: STEPS.index(BROKEN_OFF_AT)])
    result, said = gone_on
    begun = [event["step"] for event in said if event["event"] == "step_started"]
    assert begun == ["going_on", *STEPS[STEPS.index(BROKEN_OFF_AT) :]]
    assert result.summary["result"] == "passed"
    assert result.summary["goes_on_from"] == before.summary["run_id"]


def test_the_earlier_readings_are_carried_over_and_say_where_they_come_from(broken_off, gone_on):
    _, before = broken_off
    result, _ = gone_on
    carried = [row for row in result.rows if before.summary["run_id"] in (row["note"] or "")]
    assert len(carried) == len(before.rows)
    assert [row["value"] for row in carried] == pytest.approx([row["value"] for row in before.rows], nan_ok=True)
    assert [row["sequence"] for row in result.rows] == list(range(1, len(result.rows) + 1))


def test_the_dc_check_comes_before_the_first_tone(gone_on):
    _, said = gone_on
    own = [
        event["row"]
        for event in said
        if event["event"] == "reading" and "before the interruption" not in event["row"]["note"]
    ]
    assert [row["quantity"] for row in own[:2]] == ["dc_offset", "dc_offset"]
    assert json.loads(own[0]["conditions"])["at"] == "going on"
    asked = [event["question"] for event in said if event["event"] == "question"]
    assert "tone comes next" in " ".join(asked)


def test_what_was_changed_starts_again_from_the_cold_checks(broken_off):
    archive, _ = broken_off
    earlier = earlier_run(archive, "last", "power_on", STEPS, AMPLIFIER)
    _, said = carried_out(None, earlier=earlier, answers={"changed": "yes"}, until=STEPS[1])
    assert next(event["step"] for event in said if event["event"] == "step_started") == STEPS[0]


def test_a_finished_run_of_another_procedure_or_amplifier_is_refused(broken_off, tmp_path):
    archive, before = broken_off
    with pytest.raises(FileError, match="no run of soak was interrupted"):
        earlier_run(archive, "last", "soak", [], AMPLIFIER)
    with pytest.raises(FileError, match="Give the amplifier file of that run"):
        earlier_run(
            archive, before.summary["run_id"], "power_on", STEPS, AMPLIFIER.model_copy(update={"name": "other"})
        )


def test_what_was_measured_of_the_bench_is_used_again(gone_on):
    """The dummy load as it was measured before the interruption, not as the bench file states it."""
    result, _ = gone_on
    measured = {r["channel"]: r["value"] for r in result.rows if r["quantity"] == "load_resistance"}
    both = [
        r for r in result.rows if r["quantity"] == "output_power" and json.loads(r["conditions"])["driven"] == "both"
    ]
    assert {r["channel"]: r["load_ohm"] for r in both} == measured
    assert json.loads(both[0]["conditions"])["mains_voltage"] == 230.0


def test_a_channel_that_was_barred_stays_barred(tmp_path):
    def bars(event):
        if event["event"] == "step_started" and event["step"] == STEPS[1]:
            bench.never_drive("left", "sound card and multimeter disagree")
        if event["event"] == "step_started" and event["step"] == STEPS[2]:
            raise KeyboardInterrupt

    test = load_procedure(str(PROCEDURES / "power_on.py"))
    with open_bench(None, amplifier=AMPLIFIER, calibrate=False) as bench:
        assert run(test, bench, archive=tmp_path, listeners=[bars]).summary["result"] == "interrupted"
    earlier = earlier_run(tmp_path, "last", "power_on", STEPS, AMPLIFIER)
    with open_bench(None, amplifier=AMPLIFIER, calibrate=False) as bench:
        remembered(bench, earlier)
        assert bench.refusal("left") == "sound card and multimeter disagree"
        assert bench.never_driven() == {"left": ("sound card and multimeter disagree", False)}
