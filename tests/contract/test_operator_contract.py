"""What every operator that is a program keeps: the vocabulary of the protocol, and nothing beside it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from benchtest.errors import InstrumentError
from benchtest.instruments.control_port import RemoteOperator
from benchtest.instruments.protocols import Operator
from simulated_instruments.bench import SimulatedBench
from simulated_instruments.control_port import serve_control


@pytest.fixture
def bench() -> Iterator[SimulatedBench]:
    bench = SimulatedBench(seed=3)
    yield bench
    bench.close()


@pytest.fixture(params=["simulated", "remote"])
def operator(request: pytest.FixtureRequest, bench: SimulatedBench) -> Iterator[Operator]:
    if request.param == "simulated":
        yield bench.operator()
        return
    server = serve_control(bench)
    remote = RemoteOperator(server.resource)
    yield remote
    remote.close()
    server.close()


VOCABULARY = [
    ("mains", ["on", "off"]),
    ("lamp", ["in", "out"]),
    ("volume", ["minimum", "full", "-20 dB", "-6.5 dB"]),
    ("inputs", ["shorted", "sound_card", "open"]),
    ("load", ["none", "1 kilohm", "load", "second load"]),
    ("bench meter", ["left_output", "leads shorted", "leads_shorted"]),
    ("lid", ["on", "off"]),
    ("sound_card", ["amplifier", "loopback"]),
    ("tone_controls", ["flat", "defeat", "bass up", "bass down", "treble up", "treble down"]),
    ("balance", ["left", "right", "centre"]),
    ("source", ["phono", "line"]),
    ("monitor", ["in", "out"]),
    ("headphones", ["in", "out"]),
    ("series_resistor", ["in", "out"]),
]


def test_it_is_an_operator(operator: Operator) -> None:
    assert isinstance(operator, Operator)


@pytest.mark.parametrize(("name", "states"), VOCABULARY, ids=[name for name, _ in VOCABULARY])
def test_the_whole_vocabulary_is_understood(operator: Operator, name: str, states: list[str]) -> None:
    for state in states:
        operator.set({name: state}, say=f"{name} to {state}")


def test_an_unknown_thing_is_an_error_that_lists_what_is_known(operator: Operator) -> None:
    with pytest.raises(InstrumentError, match=r"'mood'.*mains.*volume.*bench meter"):
        operator.set({"mood": "left"}, say="turn it")


@pytest.mark.parametrize(
    ("name", "state", "listed"),
    [
        ("mains", "half", "on, off"),
        ("volume", "loud", "minimum"),
        ("volume", "+3 dB", "minimum"),
        ("inputs", "guitar", "shorted"),
        ("bench meter", "somewhere", "left_output"),
        ("left meter", "right_output", "fixed to left_output"),
    ],
)
def test_an_impossible_state_is_an_error_that_lists_the_possible(
    operator: Operator, name: str, state: str, listed: str
) -> None:
    with pytest.raises(InstrumentError, match=listed):
        operator.set({name: state}, say="do it")


def test_nothing_is_done_where_a_part_cannot_be(operator: Operator, bench: SimulatedBench) -> None:
    with pytest.raises(InstrumentError):
        operator.set({"mains": "on", "volume": "loud"}, say="both")
    assert bench.mains_on is False


def test_the_answer_is_one_of_the_choices(operator: Operator) -> None:
    assert operator.ask("Is the lamp dark, dull or bright?", ["dark", "dull", "bright"], about="lamp") == "dark"


def test_a_question_that_it_cannot_answer_is_an_error(operator: Operator) -> None:
    with pytest.raises(InstrumentError, match="lamp"):
        operator.ask("What does it weigh?", ["a lot", "little"], about="weight")


def test_choices_without_the_answer_are_an_error(operator: Operator) -> None:
    with pytest.raises(InstrumentError, match="dark"):
        operator.ask("Which colour?", ["red", "blue"], about="lamp")


def test_a_value_is_entered_as_a_person_reads_it_off(operator: Operator) -> None:
    assert operator.enter("What does the bench meter show?", unit="V") == "0.0 mV"
    assert operator.enter("The bench meter, ohms?", unit="ohm") in {"0.1 ohm", "0.2 ohm", "0.3 ohm"}  # its leads


def test_it_can_be_told_something(operator: Operator) -> None:
    operator.tell("The load sings; that is normal.")
