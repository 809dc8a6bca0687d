"""What every multimeter keeps, whoever's it is.

Add an implementation to ``IMPLEMENTATIONS``: a function that opens it on the leads of the test. Where BENCHTEST_METER
is set to a VISA resource name, the meter on the desk takes the tests that need no known voltage at its leads.
"""

from __future__ import annotations

import contextlib
import inspect
import math
import os
from collections.abc import Callable, Iterator, Mapping, Sequence

import numpy as np
import pytest

from benchtest.errors import InstrumentError
from benchtest.instruments.accuracy import DEFAULT, Accuracy
from benchtest.instruments.handheld import HandheldMultimeter
from benchtest.instruments.multimeter import ScpiMultimeter
from benchtest.instruments.protocols import Function, Multimeter
from simulated_instruments.hislip_server import serve_hislip
from simulated_instruments.meter_front_end import SIMULATED_ACCURACY
from simulated_instruments.multimeter import MultimeterModel
from simulated_instruments.multimeter_server import serve_pty, serve_tcp
from simulated_instruments.vxi11_server import serve_vxi11

ON_THE_DESK = os.environ.get("BENCHTEST_METER", "")


class Leads:
    """A test point that a test sets; what stands there at first is nothing."""

    lead_ohm = 0.15

    def __init__(self) -> None:
        self.dc = self.ac_rms = self.ac_frequency_hz = self.source_ohm = 0.0
        self.ohm = math.inf

    def probe(self) -> Leads:
        return self

    def resistance(self) -> float:
        return self.ohm + self.lead_ohm


class PersonAtTheMeter:
    """An operator who reads a hand-held meter of 6000 counts off these leads."""

    def __init__(self, leads: Leads) -> None:
        self._leads = leads

    def set(self, settings: Mapping[str, str], *, say: str) -> None: ...

    def ask(self, question: str, choices: Sequence[str], *, about: str = "") -> str:
        return next(choice for choice in choices if choice.startswith("it is"))

    def enter(self, question: str, *, unit: str) -> str:
        leads = self._leads
        value = leads.resistance() if unit == "ohm" else leads.ac_rms if unit == "V AC" else leads.dc
        return "OL" if math.isinf(value) or abs(value) > 1000 else f"{value:.3f}"

    def tell(self, text: str) -> None: ...

    def close(self) -> None: ...


def over(serve: Callable[..., contextlib.AbstractContextManager]) -> Callable[..., Multimeter]:
    def open_it(leads: Leads, opened: contextlib.ExitStack) -> Multimeter:
        server = opened.enter_context(serve(MultimeterModel(leads, rng=np.random.default_rng(11))))
        return ScpiMultimeter(server.resource, name="meter", accuracy=SIMULATED_ACCURACY)

    return open_it


def read_by_a_person(leads: Leads, opened: contextlib.ExitStack) -> Multimeter:
    accuracy = [row for row in DEFAULT if row.function is not Function.AC_VOLTS]
    accuracy.append(Accuracy(Function.AC_VOLTS, math.inf, (40.0, 1000.0), 1.0, 0.15))
    return HandheldMultimeter(PersonAtTheMeter(leads), name="meter", accuracy=accuracy)


def on_the_desk(leads: Leads, opened: contextlib.ExitStack) -> Multimeter:
    return ScpiMultimeter(ON_THE_DESK, name="meter")


IMPLEMENTATIONS: dict[str, Callable[[Leads, contextlib.ExitStack], Multimeter]] = {
    "scpi-socket": over(serve_tcp),
    "scpi-serial": over(serve_pty),
    "scpi-hislip": over(serve_hislip),
    "scpi-vxi11": over(serve_vxi11),
    "handheld": read_by_a_person,
}


@pytest.fixture
def leads() -> Leads:
    return Leads()


@pytest.fixture(params=[*IMPLEMENTATIONS, *([pytest.param("desk", marks=pytest.mark.hardware)] if ON_THE_DESK else [])])
def meter(request: pytest.FixtureRequest, leads: Leads) -> Iterator[Multimeter]:
    if request.param == "desk" and "leads" in inspect.signature(request.function).parameters:
        pytest.skip("what is at the leads of the meter on the desk is not known")
    with contextlib.ExitStack() as opened:
        opened_meter = IMPLEMENTATIONS.get(request.param, on_the_desk)(leads, opened)
        opened.callback(opened_meter.close)
        yield opened_meter


def test_it_is_a_multimeter(meter: Multimeter) -> None:
    assert isinstance(meter, Multimeter)
    assert meter.name == "meter"
    assert meter.connected_to == "movable"


def test_it_says_who_it_is(meter: Multimeter) -> None:
    assert meter.identity().strip()
    assert meter.identity() == meter.identity()


def test_readings_say_function_range_and_uncertainty(meter: Multimeter) -> None:
    reading = meter.measure(Function.DC_VOLTS)
    assert reading.function is Function.DC_VOLTS
    assert reading.range > 0
    assert reading.overload == (reading.value is None)
    if reading.value is not None:
        assert math.isfinite(reading.value)
        assert 0 < reading.standard_uncertainty < math.inf


@pytest.mark.parametrize("volts", [0.064, -1.25, 35.2, -62.0])
def test_dc_volts_are_right_within_three_standard_uncertainties(meter: Multimeter, leads: Leads, volts: float) -> None:
    leads.dc = volts
    reading = meter.measure(Function.DC_VOLTS)
    assert reading.value is not None
    assert abs(reading.value - volts) <= 3 * reading.standard_uncertainty
    assert reading.range >= abs(volts) / 1.2


def test_ac_volts_are_rms_and_blind_to_dc(meter: Multimeter, leads: Leads) -> None:
    leads.dc, leads.ac_rms, leads.ac_frequency_hz = 0.5, 2.828, 400.0
    reading = meter.measure(Function.AC_VOLTS, frequency_hz=400.0)
    assert reading.value is not None
    assert abs(reading.value - 2.828) <= 3 * reading.standard_uncertainty


def test_ohms(meter: Multimeter, leads: Leads) -> None:
    leads.ohm = 8.02
    reading = meter.measure(Function.RESISTANCE)
    assert reading.value is not None
    assert abs(reading.value - 8.17) <= 3 * reading.standard_uncertainty


def test_an_open_circuit_is_an_overload_and_has_no_value(meter: Multimeter, leads: Leads) -> None:
    reading = meter.measure(Function.RESISTANCE)
    assert reading.overload
    assert reading.value is None


def test_a_reading_is_fresh(meter: Multimeter, leads: Leads) -> None:
    for volts in (1.0, 2.0, -3.0):
        leads.dc = volts
        reading = meter.measure(Function.DC_VOLTS, range=10.0)
        assert reading.value == pytest.approx(volts, abs=0.01)


def test_a_fixed_range_is_at_least_what_was_asked_for(meter: Multimeter, leads: Leads) -> None:
    leads.dc = 0.5
    reading = meter.measure(Function.DC_VOLTS, range=1.0)
    assert reading.range >= 1.0
    assert reading.value == pytest.approx(0.5, abs=0.01)


def test_outside_the_stated_band_a_reading_is_refused(meter: Multimeter) -> None:
    with pytest.raises(InstrumentError, match="outside its accuracy statement"):
        meter.measure(Function.AC_VOLTS, frequency_hz=5e6)


@pytest.mark.parametrize("full_scale", [-1.0, 0.0, math.nan, math.inf])
def test_a_range_that_makes_no_sense_is_refused(meter: Multimeter, full_scale: float) -> None:
    with pytest.raises(InstrumentError, match="Expected a full scale above 0"):
        meter.measure(Function.DC_VOLTS, range=full_scale)


def test_no_errors_are_left_by_measuring(meter: Multimeter, leads: Leads) -> None:
    meter.errors()
    for function in (Function.DC_VOLTS, Function.AC_VOLTS, Function.RESISTANCE):
        meter.measure(function)
    assert meter.errors() == []


def test_closing_twice_does_no_harm(meter: Multimeter) -> None:
    meter.close()
    meter.close()
