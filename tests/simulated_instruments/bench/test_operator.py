"""The simulated operator: what it does to the bench, how long it takes, and what it sees."""

from __future__ import annotations

import math

import pytest

from benchtest.errors import InstrumentError
from simulated_instruments.bench import SimulatedBench


@pytest.fixture
def cold():
    bench = SimulatedBench(seed=2)
    yield bench
    bench.close()


def test_a_hook_up_takes_bench_time(cold):
    cold.operator().set({"load": "load", "bench meter": "left_output"}, say="both")
    assert cold.now() == pytest.approx(15.0 + 4.0)


def test_settings_reach_the_bench_in_their_order(cold, monkeypatch):
    done: list[tuple] = []
    monkeypatch.setattr(cold.amplifier, "set_volume", lambda db: done.append(("volume", db)))
    monkeypatch.setattr(cold.amplifier, "switch_mains", lambda on: done.append(("mains", on)))
    cold.operator().set({"volume": "minimum", "mains": "on"}, say="up")
    cold.operator().set({"mains": "off", "volume": "full"}, say="down")
    assert done == [("volume", -math.inf), ("mains", True), ("mains", False), ("volume", 0.0)]


def test_a_knob_is_set_to_a_mark_within_a_third_of_a_decibel(cold, monkeypatch):
    set_to: list[float] = []
    monkeypatch.setattr(cold.amplifier, "set_volume", set_to.append)
    for _ in range(50):
        cold.operator().set({"volume": "-20 dB"}, say="to the mark")
    assert all(abs(db + 20.0) <= 0.3 for db in set_to)
    assert len(set(set_to)) == 50


def test_the_lamp_is_looked_at(cold):
    operator = cold.operator()
    choices = ["dark", "dull", "half", "bright"]
    operator.set({"lamp": "in"}, say="lamp in")
    assert operator.ask("How bright?", choices, about="lamp") == "dark"
    operator.set({"mains": "on"}, say="on")
    before = cold.now()
    assert operator.ask("How bright?", choices, about="lamp") in {"dull", "dark"}  # a healthy amplifier
    assert cold.now() - before == pytest.approx(2.0)


def test_what_needs_no_eyes_is_confirmed(cold):
    assert cold.operator().ask("Hooked up?", ["no", "yes"]) == "yes"
    assert cold.operator().ask("Any smoke?", ["yes", "no"], about="smoke") == "no"


def test_it_stands_by_what_it_has_read(cold):
    choices = ["it is 0.12 V", "again", "it is 120 V"]
    assert cold.operator().ask("bench meter: 120 V? Which is right?", choices, about="reading") == "it is 120 V"


def test_values_are_read_off_as_shown(cold):
    operator = cold.operator()
    operator.set({"bench meter": "left_load"}, say="to the load")
    ohm = float(operator.enter("bench meter on left_load, ohms", unit="ohm").removesuffix(" ohm"))
    assert ohm == pytest.approx(cold.truth.load_ohm[0] + cold.truth.lead_ohm["bench meter"], abs=0.051)
    operator.set({"mains": "on"}, say="on")
    cold.clock.sleep(10.0)
    rail = operator.enter("The positive rail (rail_positive)?", unit="V")
    assert float(rail.removesuffix(" V")) == pytest.approx(cold.leads["plus rail meter"].probe().dc, rel=1e-2)


def test_an_open_circuit_is_read_off_as_such(cold):
    cold.operator().set({"load": "none", "bench meter": "left_relay_contact"}, say="across the relay")
    assert cold.operator().enter("bench meter, ohms", unit="ohm") == "OL"


@pytest.mark.parametrize(
    ("question", "unit", "lists"),
    [("What is the time?", "V", "neither a meter"), ("left meter?", "furlongs", "V DC")],
)
def test_what_cannot_be_read_off_is_an_error(cold, question, unit, lists):
    with pytest.raises(InstrumentError, match=lists):
        cold.operator().enter(question, unit=unit)


def test_the_lid_is_in_the_way(cold):
    cold.operator().set({"lid": "on"}, say="lid on")
    with pytest.raises(InstrumentError, match="lid"):
        cold.operator().set({"bench meter": "rail_positive"}, say="to the rail")


def test_unsafe_acts_are_done_and_noted(cold):
    operator = cold.operator()
    operator.set({"mains": "on", "bench meter": "left_amplifier_output", "load": "load", "lamp": "in"}, say="hurry")
    assert len(cold.unsafe_acts) == 3
    assert cold.load == "load"


def test_a_safe_order_notes_nothing(cold):
    operator = cold.operator()
    operator.set({"bench meter": "left_amplifier_output", "load": "1 kilohm", "lamp": "in", "mains": "on"}, say="go")
    operator.set({"bench meter": "left_output"}, say="outside")
    operator.set({"mains": "off", "load": "load", "lamp": "out"}, say="off")
    assert cold.unsafe_acts == []
