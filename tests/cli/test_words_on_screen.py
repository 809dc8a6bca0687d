"""Readings on the screen do not mislead: limits that were met beside a failure, tiny values, rows that look alike."""

from __future__ import annotations

import io
import json

import pytest
from rich.console import Console

from benchtest.amplifier_file import load_amplifier
from benchtest.cli.terminal import Terminal, limits_words, reading_line
from benchtest.open_path import AT_THE_TERMINALS, unjudged_if_open
from benchtest.procedure import load_procedure, run
from benchtest.quantities import QUANTITIES
from benchtest.reading import ClaimVerdict, Reading, Verdict, as_row
from benchtest.remarks import POWER_NOT_JUDGED, remarks_on
from benchtest.report.numbers import Unit
from benchtest.safety import open_bench
from tests.procedures.conftest import PROCEDURES

RUN = {"run_id": "r", "sequence": 1, "time_utc": "", "procedure": "p", "step": "s", "simulated": False}


def line(**fields) -> str:
    return reading_line(as_row(Reading(**fields), **RUN))


def test_a_failure_by_its_note_shows_no_limits_that_it_meets():
    dc = {"quantity": "dc_offset", "channel": "left", "unit": "V", "lower_limit": -0.1, "upper_limit": 0.1}
    by_note = line(value=1.5e-6, expanded_uncertainty=4e-6, verdict=Verdict.FAIL, note="OPEN CIRCUIT", **dc)
    assert "NOT SERVICEABLE" in by_note
    assert "within" not in by_note
    assert "(within ±100)" in line(value=0.3, expanded_uncertainty=0.001, verdict=Verdict.FAIL, **dc)


def test_a_tiny_value_has_limits_with_a_prefix_of_their_own():
    shown = line(
        quantity="offset_drift", channel="left", value=-3e-7, unit="V", expanded_uncertainty=1.2e-6, lower_limit=-0.03,
        upper_limit=0.03, verdict=Verdict.PASS,
    )  # fmt: skip
    assert "−0.3 ± 1.2 µV   (within ±30 mV)".replace("± 1", "±\u202f1") in shown


@pytest.mark.parametrize(
    ("low", "high", "unit", "words"),
    [
        (None, 2.0, Unit("mΩ", 1e-3), "at most 2000"),
        (-2.0, 2.0, Unit("µV", 1e-6), "within ±2 V"),
        (0.0, 890e-6, Unit("µV", 1e-6), "0 to 890"),
        (None, None, Unit("V"), ""),
    ],
)
def test_limits_have_at_most_four_digits_before_the_point(low, high, unit, words):
    base = "ohm" if "Ω" in unit.text else "V"
    assert limits_words({"lower_limit": low, "upper_limit": high, "unit": base}, unit) == words


def test_rows_that_differ_by_frequency_or_edge_say_so():
    response = [
        line(quantity="frequency_response", channel="left", value=-0.1, unit="dB", expanded_uncertainty=0.01,
             frequency_hz=f, conditions={"at": "1 W"})
        for f in (20.0, 40.0, 16e3, 20e3)
    ]  # fmt: skip
    assert len(set(response)) == 4
    assert "1 W, 16 kHz" in response[2]
    edge = {"quantity": "frequency_limit", "channel": "left", "value": 18.0, "unit": "Hz"}
    assert "low edge" in line(conditions={"edge": "low"}, **edge)


@pytest.mark.parametrize("quantity", sorted(AT_THE_TERMINALS & set(QUANTITIES)))
def test_behind_an_open_path_nothing_is_judged(quantity):
    given = Reading(
        quantity=quantity, channel="left", value=1e-6, unit="V", verdict=Verdict.PASS, upper_limit=1.0, claim=1.0,
        claim_verdict=ClaimVerdict.MET,
    )  # fmt: skip
    kept = unjudged_if_open(given, frozenset({"left"}))
    assert (kept.verdict, kept.upper_limit, kept.claim, kept.claim_verdict) == (Verdict.INFORMATION, None, None, None)
    assert "the path to the left terminals is open" in kept.note
    assert kept.value == given.value
    assert unjudged_if_open(given, frozenset({"right"})) == given


def test_the_dc_check_that_found_it_keeps_its_verdict():
    found = Reading(quantity="dc_offset", channel="left", value=0.0, unit="V", verdict=Verdict.FAIL)
    assert unjudged_if_open(found, frozenset({"left"})) == found


def test_crosstalk_is_read_where_it_leaks_into():
    from_right = Reading(quantity="crosstalk", channel="right", value=87.0, unit="dB", verdict=Verdict.PASS,
                         conditions={"into": "left"})  # fmt: skip
    assert unjudged_if_open(from_right, frozenset({"left"})).verdict is Verdict.INFORMATION
    assert unjudged_if_open(from_right, frozenset({"right"})).verdict is Verdict.PASS


@pytest.fixture(scope="module")
def relay_open():
    screen = io.StringIO()
    amplifier = load_amplifier(PROCEDURES / "demo_amplifier.toml")
    with open_bench(None, amplifier=amplifier, scenario="relay-open", channel="left") as bench:
        terminal = Terminal(Console(file=screen, width=200))
        result = run(load_procedure(str(PROCEDURES / "power_on.py")), bench, archive=None, listeners=[terminal])
    return result, screen.getvalue()


def test_a_run_with_an_open_path_calls_nothing_of_that_channel_serviceable(relay_open):
    result, said = relay_open
    after = [r for r in result.rows if r["channel"] == "left" and r["sequence"] > dc_failed(result)]
    good = [(r["quantity"], json.loads(r["conditions"]).get("at")) for r in after if r["verdict"] in ("pass", "noted")]
    assert good == []
    assert {r["verdict"] for r in after if r["quantity"] == "noise"} == {"information"}
    assert "±100000" not in said
    assert "not judged: the path to the left terminals is open" in said
    assert "for the same reason" in said
    assert result.summary["diagnosis"][0]["cause"] == "relay-open"


def dc_failed(result) -> int:
    return next(r["sequence"] for r in result.rows if r["quantity"] == "dc_offset" and r["verdict"] == "fail")


def test_power_without_a_rating_is_said_to_be_not_judged():
    power = as_row(Reading(quantity="output_power", channel="left", value=60.0, unit="W"), **RUN)
    assert list(remarks_on([power], [], None)) == [POWER_NOT_JUDGED]
    assert list(remarks_on([power], [], 60.0)) == []
    assert list(remarks_on([{**power, "verdict": "pass"}], [], None)) == []
    assert list(remarks_on([], [], None)) == []


def test_the_remark_stands_at_the_end_of_a_run_without_an_amplifier_file():
    screen = io.StringIO()
    with open_bench(None) as bench:
        terminal = Terminal(Console(file=screen, width=200))
        result = run(load_procedure(str(PROCEDURES / "power_on.py")), bench, archive=None, listeners=[terminal])
    assert POWER_NOT_JUDGED in result.summary["remarks"]
    assert POWER_NOT_JUDGED in screen.getvalue()
