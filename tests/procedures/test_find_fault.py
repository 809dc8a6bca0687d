"""Guided fault finding on the simulated bench: what it chooses, what it finds, and where it goes inside."""

from __future__ import annotations

import pytest


@pytest.mark.parametrize(
    ("scenario", "channel", "inside"),
    [
        ("relay-open", "left", "voltage"),
        ("speaker-fuse-and-shorted-cable", "right", "terminal_resistance"),
    ],
)
def test_inside_the_group_the_cause_is_told(run_it, scenario, channel, inside):
    heard = run_it("find_fault", scenario=scenario, channel=channel, seed=3)
    first = heard.result.summary["diagnosis"][0]
    assert (first["cause"], first["channel"]) == (scenario, channel)
    assert heard.rows(inside, channel)
    assert heard.unsafe_acts == []


def test_idle_current_is_looked_at_where_it_would_tell(run_it):
    heard = run_it("find_fault", scenario="bias-low", channel="right", seed=3)
    assert heard.rows("idle_current", "right")
    assert not heard.rows("idle_current", "left")
    assert heard.unsafe_acts == []


def test_it_says_what_comes_next_and_why(run_it):
    heard = run_it("find_fault", scenario="channel-inverted", channel="left", seed=1)
    said = [event["text"] for event in heard.events if event["event"] == "note"]
    assert any(text.startswith("Next: ") for text in said)
    assert heard.result.summary["diagnosis"][0]["cause"] == "channel-inverted"


def test_a_rail_at_an_output_stops_it_before_any_tone(run_it):
    heard = run_it("find_fault", scenario="output-stage-shorted", channel="left", seed=1)
    assert heard.result.summary["result"] == "stopped"
    assert not heard.rows("gain")
    assert heard.result.summary["diagnosis"][0]["channel"] == "left"


def test_it_turns_the_volume_back_and_stops_at_an_idle_current_that_is_too_high(run_it):
    # 50 mV across an emitter resistor is off at once (common practice); a volume left at -20 dB would stop the ramp instead
    heard = run_it("find_fault", scenario="bias-high", channel="left", seed=5)
    assert heard.result.summary["stop"].startswith("idle current")
    first = heard.result.summary["diagnosis"][0]  # whether it would settle is not waited for: it is off at once
    assert (first["cause"], first["channel"]) in (("bias-high", "left"), ("bias-runaway", "left"))


@pytest.mark.parametrize(
    ("scenario", "channel"),
    [("headphone-contact-open", "left"), ("output-joint-open", "right"), ("feedback-capacitor-shorted", "right"),
     ("input-pair-unbalanced", "left"), ("transformer-shorted-turn", None), ("output-pair-shorted", "left"),
     ("bias-runaway", "right"), ("volume-worn", "left"), ("divider-wrong", "right")],
)  # fmt: skip
def test_look_alikes_are_told_apart_where_they_part(run_it, scenario, channel):
    heard = run_it("find_fault", scenario=scenario, channel=channel, seed=3)
    assert heard.result.summary["diagnosis"][0]["cause"] == scenario
    assert heard.unsafe_acts == []


@pytest.mark.parametrize(
    "scenario", ["output-joint-cracked", "output-joint-cracked-when-hot", "input-joint-cracked"]
)  # fmt: skip
def test_what_comes_and_goes_is_watched_warm_cold_and_with_a_tone(run_it, scenario):
    heard = run_it("find_fault", scenario=scenario, channel="left", seed=4)
    assert heard.result.summary["diagnosis"][0]["cause"] == scenario
    assert max(row["value"] or 0.0 for row in heard.rows("dropouts", "left")) > 1.0
    assert heard.unsafe_acts == []


def test_a_bad_contact_with_a_joint_beside_it_is_named_as_two_faults(run_it):
    heard = run_it("find_fault", scenario="relay-contact-and-joint", channel="right", seed=2)
    named = {(cause["cause"], cause["channel"]) for cause in heard.result.summary["diagnosis"][:3]}
    assert {("relay-contact-oxidised", "right"), ("output-joint-cracked", "right")} <= named


def test_one_meter_and_no_sound_card_do_not_end_as_passed(run_it):
    heard = run_it("find_fault", bench_file="demo_handheld_bench.toml")
    assert (heard.result.summary["result"], heard.result.exit_status) == ("inconclusive", 5)
    (last,) = heard.rows("fault_found")
    assert last["verdict"] == "inconclusive"
    assert last["note"].startswith("too little was measured: no gain")


def test_a_healthy_set_passes_and_a_fault_that_fails_no_limit_does_not(run_it):
    assert run_it("find_fault", seed=6).result.summary["result"] == "passed"
    heard = run_it("find_fault", scenario="channels-crossed", seed=6)
    assert heard.result.summary["result"] == "failed"
