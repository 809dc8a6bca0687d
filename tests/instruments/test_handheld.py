"""A meter without an interface: what people type, and what is done about what they cannot have meant."""

from __future__ import annotations

import io
import math
import os
import threading
import time
from collections.abc import Mapping, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtest.errors import InstrumentError, NoReply
from benchtest.instruments.accuracy import Accuracy
from benchtest.instruments.handheld import TRIES, HandheldMultimeter, parse_typed, spoken
from benchtest.instruments.person import PersonOperator
from benchtest.instruments.protocols import Function, Multimeter, Operator

TYPED = [
    ("64 mV", "V", 0.064, 1e-3),
    ("64mV", "V", 0.064, 1e-3),
    ("-1,2mV", "V", -0.0012, 1e-4),
    ("0.064", "V", 0.064, 1e-3),
    ("+.5 V", "V", 0.5, 0.1),
    ("\u22123.25", "V", -3.25, 0.01),
    ("minus 3", "V", -3.0, 1.0),
    ("35.2 V DC", "V", 35.2, 0.1),
    ("230 VAC", "V", 230.0, 1.0),
    ("12.3mV~", "V", 0.0123, 1e-4),
    ("850 µV", "V", 850e-6, 1e-6),
    ("850 uV", "V", 850e-6, 1e-6),
    ("1.5e-3", "V", 0.0015, 1e-4),
    ("64 m", "V", 0.064, 1e-3),
    ("8.2", "ohm", 8.2, 0.1),
    ("8,20 Ω", "ohm", 8.2, 0.01),
    ("4.7k", "ohm", 4700.0, 100.0),
    ("4k7", "ohm", 4700.0, 100.0),
    ("0R22", "ohm", 0.22, 0.01),
    ("1.0 Mohm", "ohm", 1e6, 1e5),
    ("220 mohm", "ohm", 0.22, 1e-3),
    ("12 mA", "A", 0.012, 1e-3),
]


@pytest.mark.parametrize(("text", "unit", "value", "resolution"), TYPED, ids=[row[0] for row in TYPED])
def test_every_form_that_people_type(text, unit, value, resolution):
    typed = parse_typed(text, unit)
    assert typed.value == pytest.approx(value, rel=1e-12)
    assert typed.resolution == pytest.approx(resolution, rel=1e-9)


@pytest.mark.parametrize("text", ["OL", "ol", "0L", "O.L", "-OL", "1.", "overload", " open "])
def test_overload_is_never_a_number(text):
    assert parse_typed(text, "ohm").overload


@pytest.mark.parametrize(
    "text", ["", "  ", "abc", "1.2.3", "1,234,5", "64 ohm", "--5", "5 apples", "nan", "12 mA", "1 2"]
)
def test_what_is_no_reading_in_volts_is_refused_with_an_example(text):
    with pytest.raises(ValueError, match=r"Expected a number in V, such as '64 mV'"):
        parse_typed(text, "V")


@given(
    st.floats(-900, 900).filter(lambda v: abs(v) > 1e-5),
    st.sampled_from([("", 1.0), (" mV", 1e-3), ("uV", 1e-6)]),
    st.booleans(),
)
def test_typing_a_number_and_reading_it_is_a_round_trip(value, unit, comma):
    written = f"{value:.5f}{unit[0]}"
    written = written.replace(".", ",") if comma else written
    assert parse_typed(written, "V").value == pytest.approx(round(value, 5) * unit[1], rel=1e-9, abs=1e-15)


@given(st.integers(-(10**12), 10**12))
def test_what_is_read_back_is_what_was_typed(microvolts):
    value = microvolts * 1e-6
    assert parse_typed(spoken(value, "V"), "V").value == pytest.approx(value, rel=1e-8, abs=1e-15)


class ScriptedOperator:
    """Types what the script says, and remembers what it was shown."""

    def __init__(self, typed: Sequence[str], chosen: Sequence[str] = ()) -> None:
        self.typed = list(typed)
        self.chosen = list(chosen)
        self.heard: list[str] = []
        self.questions: list[str] = []

    def set(self, settings: Mapping[str, str], *, say: str) -> None:
        self.heard.append(say)

    def ask(self, question: str, choices: Sequence[str], *, about: str = "") -> str:
        self.questions.append(question)
        wanted = self.chosen.pop(0)
        assert wanted in choices, f"{wanted!r} is not offered: {choices}"
        return wanted

    def enter(self, question: str, *, unit: str) -> str:
        self.questions.append(question)
        return self.typed.pop(0)

    def tell(self, text: str) -> None:
        self.heard.append(text)

    def close(self) -> None:
        pass


def meter_read_by(*typed: str, chosen: Sequence[str] = (), **settings) -> tuple[HandheldMultimeter, ScriptedOperator]:
    operator = ScriptedOperator(typed, chosen)
    assert isinstance(operator, Operator)
    return HandheldMultimeter(operator, name="yellow meter", **settings), operator


def test_it_is_a_multimeter():
    assert isinstance(meter_read_by()[0], Multimeter)


def test_the_value_is_repeated_back():
    meter, operator = meter_read_by("-1,2mV")
    assert meter.measure(Function.DC_VOLTS).value == -0.0012
    assert operator.heard == ["yellow meter: -1.2 mV."]
    assert "yellow meter on DC volts" in operator.questions[0]


def test_overload_has_no_value():
    meter, _ = meter_read_by("OL")
    reading = meter.measure(Function.RESISTANCE)
    assert reading.overload
    assert reading.value is None
    assert math.isnan(reading.standard_uncertainty)


def test_millivolts_typed_without_a_unit_are_asked_about():
    meter, operator = meter_read_by("64", chosen=["it is 64 mV"])
    assert meter.measure(Function.DC_VOLTS, range=1.0).value == 0.064
    assert "Up to 1 V is expected here" in operator.questions[1]


def test_a_person_may_insist():
    meter, _ = meter_read_by("64.0", chosen=["it is 64 V"])
    assert meter.measure(Function.DC_VOLTS, range=1.0).value == 64.0


def test_asked_again_until_it_is_a_number():
    meter, operator = meter_read_by("what?", "12 mA", "8.1 ohm", chosen=[])
    assert meter.measure(Function.RESISTANCE).value == 8.1
    assert "is not a number" in operator.questions[1]
    assert "is in A, not in ohm" in operator.questions[2]


def test_more_than_any_meter_shows_is_never_accepted():
    meter, operator = meter_read_by("35000", "35.0", chosen=["again"])
    assert meter.measure(Function.DC_VOLTS).value == 35.0
    assert "No meter shows more than 1 kV" in operator.questions[1]


def test_a_bare_zero_is_asked_about_because_its_digits_are_unknown():
    meter, operator = meter_read_by("0", "0.000", chosen=["again"])
    reading = meter.measure(Function.DC_VOLTS)
    assert reading.value == 0.0
    assert reading.standard_uncertainty == pytest.approx(0.001 * 2 / math.sqrt(3))  # 0.1 % of a 2 V range
    assert "every digit" in operator.questions[1]


def test_gives_up_after_some_tries():
    meter, _ = meter_read_by(*["?"] * TRIES)
    with pytest.raises(NoReply, match=f"nothing usable was typed in {TRIES} tries"):
        meter.measure(Function.DC_VOLTS)


def test_negative_ohms_mean_a_voltage_on_the_leads():
    meter, operator = meter_read_by("-12.0", "8.0", chosen=["again"])
    assert meter.measure(Function.RESISTANCE).value == 8.0
    assert "voltage on the leads" in operator.questions[1]


def test_outside_the_stated_band_it_is_refused_before_anybody_is_asked():
    meter, operator = meter_read_by("1.0")
    with pytest.raises(InstrumentError, match="40 to 500 Hz"):
        meter.measure(Function.AC_VOLTS, frequency_hz=1000.0)
    assert operator.questions == []


def test_uncertainty_is_the_statement_and_half_a_digit_only_where_counts_are_not_stated():
    statement = [Accuracy(Function.DC_VOLTS, 2.0, None, 0.5, 0.1)]
    meter, _ = meter_read_by("1.000", accuracy=statement)
    # JCGM 100:2008 4.3.7: a = 0.5 % of 1 V + 0.1 % of 2 V = 7 mV, u = a / sqrt(3)
    assert meter.measure(Function.DC_VOLTS).standard_uncertainty == pytest.approx(0.007 / math.sqrt(3))
    meter, _ = meter_read_by("1.000", accuracy=[Accuracy(Function.DC_VOLTS, 2.0, None, 0.5, 0.0)])
    expected = math.hypot(0.005, 0.0005) / math.sqrt(3)
    assert meter.measure(Function.DC_VOLTS).standard_uncertainty == pytest.approx(expected)


@pytest.mark.parametrize(
    ("typed", "value"), [("64 mV", 0.064), ("-1,2mV", -0.0012), ("0.064", 0.064), ("850 µV", 850e-6), ("OL", None)]
)
def test_typed_at_a_terminal(typed, value):
    pty = pytest.importorskip("pty", reason="pseudo-terminals are a thing of Unix")
    fingers, person = pty.openpty()
    screen = io.StringIO()
    with os.fdopen(person, "r") as keys:
        operator = PersonOperator(keys=keys, screen=screen)
        answers: list[float | None] = []
        meter = HandheldMultimeter(operator, name="yellow meter")
        asking = threading.Thread(target=lambda: answers.append(meter.measure(Function.DC_VOLTS).value), daemon=True)
        asking.start()
        deadline = time.monotonic() + 10.0
        while "yellow meter on DC volts" not in screen.getvalue() and time.monotonic() < deadline:
            time.sleep(0.005)
        time.sleep(0.05)  # from the print to the moment in which answers are taken
        os.write(fingers, typed.encode() + b"\n")
        asking.join(10.0)
        operator.close()
    os.close(fingers)
    assert answers == [value]
    assert "yellow meter: " + ("overload (OL)." if value is None else "") in screen.getvalue()
