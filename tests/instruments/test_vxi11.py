"""The SCPI driver over VXI-11: a meter that is silent, hangs up, or is not there. What works is in the contract tests."""

from __future__ import annotations

import gc
import time
from types import SimpleNamespace

import numpy as np
import pytest

from benchtest.errors import InstrumentError, NoReply
from benchtest.instruments.multimeter import ScpiMultimeter
from benchtest.instruments.protocols import Function
from simulated_instruments.meter_front_end import SIMULATED_ACCURACY
from simulated_instruments.multimeter import MultimeterModel
from simulated_instruments.vxi11_server import serve_vxi11


@pytest.fixture
def model():
    probe = SimpleNamespace(dc=1.5, ac_rms=0.0, ac_frequency_hz=0.0, source_ohm=1.0)
    source = SimpleNamespace(lead_ohm=0.1, probe=lambda: probe, resistance=lambda: 1.1)
    return MultimeterModel(source, rng=np.random.default_rng(1))


@pytest.fixture
def served(model):
    with serve_vxi11(model) as server:
        yield server


@pytest.fixture
def meter(served):
    opened = ScpiMultimeter(served.resource, name="meter", accuracy=SIMULATED_ACCURACY, timeout_s=0.3)
    yield opened
    opened.close()


def test_a_meter_that_is_silent_is_said_in_time_and_answers_afterwards(meter, model) -> None:
    meter.measure(Function.DC_VOLTS)
    receive, model.receive = model.receive, lambda text: None
    began = time.monotonic()
    with pytest.raises(NoReply, match="'meter' at 'TCPIP"):
        meter.measure(Function.DC_VOLTS)
    assert time.monotonic() - began < 5.0
    model.receive = receive
    assert meter.measure(Function.DC_VOLTS).value == pytest.approx(1.5, rel=1e-3)


def test_a_connection_that_was_cut_is_made_again(meter, served) -> None:
    meter.measure(Function.DC_VOLTS)
    served.drop_connections()
    assert meter.measure(Function.DC_VOLTS).value == pytest.approx(1.5, rel=1e-3)


@pytest.mark.filterwarnings(
    "ignore::pytest.PytestUnraisableExceptionWarning"
)  # pyvisa-py leaves its refused socket open
def test_nobody_there(served) -> None:
    resource = served.resource
    served.close()
    with pytest.raises(InstrumentError, match="cannot be opened"):
        ScpiMultimeter(resource, name="meter", open_timeout_s=1.0)
    gc.collect()
