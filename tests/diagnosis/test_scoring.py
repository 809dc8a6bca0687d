"""The figures of the score, on cases made by hand."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace

import pytest
from click.testing import CliRunner

from benchtest.cli import benchtest as command
from benchtest.cli.score import _wanted
from benchtest.scoring import (
    Scored,
    calibrated,
    calibration,
    cause_rank,
    confusion,
    deciles,
    group_rank,
    pair_named,
    table,
    table_text,
)

RELAY = Scored(
    "relay-open", "left", (("speaker-fuse-open", "left", 0.6), ("relay-open", "left", 0.3), ("bias-low", "left", 0.1))
)


def test_a_member_of_the_group_counts_for_the_group_not_for_the_cause():
    assert (group_rank(RELAY), cause_rank(RELAY)) == (1, 2)


def test_the_other_channel_is_wrong():
    wrong = Scored("relay-open", "right", RELAY.listed)
    assert (group_rank(wrong), cause_rank(wrong)) == (0, 0)
    assert confusion([wrong])["relay-open"] == {"open-path (other channel)": 1}


def test_a_fault_of_the_set_has_no_channel_to_miss():
    assert group_rank(Scored("rail-missing", "left", (("rail-missing", "both", 0.9),))) == 1


def test_a_pair_needs_both_in_the_first_three():
    both = (("relay-contact-oxidised", "left", 0.6), ("bias-low", "left", 0.2), ("output-joint-cracked", "left", 0.1))
    assert pair_named(Scored("relay-contact-and-joint", "left", both))
    assert not pair_named(Scored("relay-contact-and-joint", "left", both[:2]))


def test_calibration_puts_the_groups_probability_in_its_bin():
    (one,) = calibration([RELAY, Scored("bias-low", "left", RELAY.listed)])
    assert (one["from"], one["cases"], one["right"]) == (0.9, 2, 0.5) or (one["from"], one["cases"]) == (0.8, 2)
    assert one["stated"] == pytest.approx(0.9)


def test_bins_of_equal_count_hold_every_first_group_and_the_row_judges_them():
    surer = [Scored("bias-low", "left", (("bias-low", "left", 0.5 + i / 2000),)) for i in range(900)]
    missed = [Scored("bias-high", "left", (("bias-low", "left", 0.4),))] * 100
    bins = deciles([*surer, *missed])
    assert [b["cases"] for b in bins] == [100] * 10
    assert [b["right"] for b in bins] == [0.0] + [1.0] * 9
    assert bins[0]["stated"] == pytest.approx(0.4)
    assert bins[1]["stated"] == pytest.approx(0.5 + 49.5 / 2000)
    right = calibrated([{"cases": 100, "stated": 0.9, "right": 0.81}] * 10)
    wrong = calibrated(
        [{"cases": 100, "stated": 0.9, "right": 0.79}] + [{"cases": 100, "stated": 0.1, "right": 0.1}] * 9
    )
    too_few = calibrated([{"cases": 99, "stated": 0.9, "right": 0.9}] * 10)
    assert (right["met"], wrong["met"], too_few["met"]) == (True, False, None)
    assert (wrong["hits"], wrong["cases"]) == (9, 10)


def test_a_round_has_every_fault_with_both_procedures_and_as_many_healthy_sets():
    wanted = list(_wanted(4, 1_000_000, "both", ()))
    by_stage = Counter((stage, name.startswith("healthy")) for name, _, stage in wanted)
    faults = by_stage[("power_on", False)]
    assert by_stage[("find_fault", False)] == faults
    assert by_stage[("power_on", True)] + by_stage[("find_fault", True)] == faults
    assert len({(seed, stage) for _, seed, stage in wanted}) == len(wanted)


def test_the_table_counts_what_it_says():
    healthy = [Scored("healthy", "none", (("healthy", "none", 0.9),))] * 99
    cases = [RELAY, *healthy, Scored("healthy-dc-servo", "none", (("bias-low", "left", 0.9),))]
    rows = {r["what"]: r for r in table(cases)}
    assert (rows["healthy called faulty"]["hits"], rows["healthy called faulty"]["cases"]) == (1, 100)
    assert rows["healthy called faulty"]["met"] is True
    assert rows["true group first after power_on, of faults that it can show"]["share"] == 1.0
    assert rows["true group first after find_fault"]["share"] is None
    pair = Scored(
        "relay-contact-and-joint",
        "left",
        (("output-joint-cracked", "left", 0.9), ("relay-contact-oxidised", "left", 0.5)),
    )
    apart = {
        r["what"]: r
        for r in table([pair, replace(pair, stage="find_fault"), replace(pair, stage="find_fault", listed=())])
    }
    assert apart["pairs: both named in the first three after power_on"]["share"] == 1.0
    assert apart["pairs: both named in the first three after find_fault"]["share"] == 0.5
    assert apart["pairs: both named in the first three after find_fault"]["met"] is False
    assert "healthy called faulty" in table_text(list(rows.values()))


def test_the_command_plays_keeps_and_resumes(tmp_path):
    kept = tmp_path / "cases.jsonl"
    options = ["score", str(kept), "--seeds", "1", "--only", "speaker-fuse-open", "--processes", "1", "--json"]
    first = CliRunner().invoke(command, options, catch_exceptions=False)
    page = json.loads(first.stdout)
    assert page["cases"] == 2  # once with either procedure
    assert page["table"][0]["hits"] == 1
    assert {r["what"]: r["hits"] for r in page["table"]}["true group first after find_fault"] == 1
    lines = (tmp_path / "cases.jsonl.part0").read_text().splitlines()
    again = CliRunner().invoke(command, options, catch_exceptions=False)
    assert json.loads(again.stdout) == page
    assert (tmp_path / "cases.jsonl.part0").read_text().splitlines() == lines
    assert json.loads(lines[0])["unsafe"] == []
