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
