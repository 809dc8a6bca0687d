"""The SCPI driver against the simulated meter, over a TCP socket and over a pseudo-terminal."""

from __future__ import annotations

import math
import socket
import threading
import time
from collections.abc import Iterator

import numpy as np
import pytest

from benchtest.errors import FileError, GarbledReply, InstrumentError, NoReply
from benchtest.instruments.accuracy import Accuracy
from benchtest.instruments.multimeter import ScpiMultimeter
from benchtest.instruments.protocols import Function
from simulated_instruments.multimeter import SIMULATED_ACCURACY, MultimeterModel
from simulated_instruments.multimeter_server import Server, serve_pty, serve_tcp

FAST = 0.02


class Leads:
    """A test point that a test sets."""

    lead_ohm = 0.15

    def __init__(self) -> None:
        self.dc, self.ac_rms, self.ac_frequency_hz, self.source_ohm, self.ohm = 0.0, 0.0, 0.0, 0.0, math.inf

    def probe(self) -> Leads:
        return self

    def resistance(self) -> float:
        return self.ohm + self.lead_ohm


class Bench:
    """A served meter, what it was told, and the driver that talks to it."""

    def __init__(self, server: Server, leads: Leads, model: MultimeterModel) -> None:
        self.server, self.leads, self.model = server, leads, model
        self.heard: list[str] = []
        self.waited: list[float] = []
        self._drivers: list[ScpiMultimeter] = []
        handle = model.handle

        def listen(message: str) -> str | None:
            self.heard.append(message)
            return handle(message)

        model.handle = listen  # type: ignore[method-assign]

    def open(self, **settings) -> ScpiMultimeter:
        settings = {"accuracy": SIMULATED_ACCURACY, "timeout_s": 1.0, **settings}
        driver = ScpiMultimeter(self.server.resource, name="meter", **settings)
        self._drivers.append(driver)
        return driver

    def close(self) -> None:
        for driver in self._drivers:
            driver.close()
        self.server.close()


@pytest.fixture(params=["tcp", "pty"])
def bench(request) -> Iterator[Bench]:
    leads = Leads()
    model = MultimeterModel(leads, rng=np.random.default_rng(7))
    made = Bench({"tcp": serve_tcp, "pty": serve_pty}[request.param](model), leads, model)
    yield made
    made.close()


def within(value: float, truth: float, function: Function, full_scale: float, frequency: float | None = None) -> bool:
    """Inside the limits of the statement (a hundredth of it for noise)."""
    row = next(r for r in SIMULATED_ACCURACY if (r.function, r.range) == (function, full_scale) and r.covers(frequency))
    return abs(value - truth) <= 1.01 * row.limits(truth, full_scale)


def test_it_says_that_it_is_simulated(bench):
    assert "simulated" in bench.open().identity()


def test_dc_volts_on_a_fixed_range(bench):
    bench.leads.dc = 0.0641
    reading = bench.open().measure(Function.DC_VOLTS, range=0.1)
    assert reading.range == 0.1
    assert within(reading.value, 0.0641, Function.DC_VOLTS, 0.1)
    a = 0.005e-2 * abs(reading.value) + 0.0035e-2 * 0.1
    assert reading.standard_uncertainty == pytest.approx(a / math.sqrt(3))


def test_autorange_says_which_range_it_took(bench):
    meter = bench.open()
    for volts, full_scale in [(0.05, 0.1), (0.5, 1.0), (5.0, 10.0), (-35.0, 100.0)]:
        bench.leads.dc = volts
        reading = meter.measure(Function.DC_VOLTS)
        assert reading.range == full_scale
        assert within(reading.value, volts, Function.DC_VOLTS, full_scale)


def test_ac_volts_inside_its_band_and_refused_outside(bench):
    bench.leads.ac_rms, bench.leads.ac_frequency_hz = 2.83, 1000.0
    meter = bench.open()
    reading = meter.measure(Function.AC_VOLTS, frequency_hz=1000.0)
    assert within(reading.value, 2.83, Function.AC_VOLTS, 10.0, 1000.0)
    asked = len(bench.heard)
    with pytest.raises(InstrumentError, match="at 200000 Hz: outside its accuracy statement"):
        meter.measure(Function.AC_VOLTS, frequency_hz=200e3)
    assert len(bench.heard) == asked


def test_two_wires_contain_the_leads_and_four_do_not(bench):
    bench.leads.ohm = 8.02
    meter = bench.open()
    two, four = meter.measure(Function.RESISTANCE), meter.measure(Function.RESISTANCE_4W)
    assert within(two.value, 8.17, Function.RESISTANCE, 100.0)
    assert within(four.value, 8.02, Function.RESISTANCE_4W, 100.0)


def test_an_open_circuit_is_an_overload_without_a_number(bench):
    reading = bench.open().measure(Function.RESISTANCE)
    assert reading.overload
    assert reading.value is None
    assert math.isnan(reading.standard_uncertainty)


def test_too_much_for_a_fixed_range_is_an_overload(bench):
    bench.leads.dc = 35.0
    assert bench.open().measure(Function.DC_VOLTS, range=1.0).overload


def test_current_and_diode(bench):
    meter = bench.open()
    bench.leads.dc, bench.leads.source_ohm = 1.0, 99.9
    assert meter.measure(Function.DC_CURRENT).value == pytest.approx(0.01, rel=0.05)  # the shunt adds up to 5 ohm
    bench.leads.dc, bench.leads.ohm = 0.0, 600.0
    assert meter.measure(Function.DIODE).value == pytest.approx(0.6, rel=1e-3)  # 1 mA through 600 ohm


def test_a_repeated_reading_sends_nothing_but_the_query(bench):
    meter = bench.open()
    meter.measure(Function.DC_VOLTS, range=1.0)
    bench.heard.clear()
    for _ in range(3):
        meter.measure(Function.DC_VOLTS, range=1.0)
    assert bench.heard == ["READ?"] * 3


def test_a_change_sends_what_is_needed_again(bench):
    meter = bench.open()
    meter.measure(Function.DC_VOLTS, range=1.0)
    meter.measure(Function.RESISTANCE, range=100.0)
    bench.heard.clear()
    meter.measure(Function.DC_VOLTS, range=1.0, line_cycles=1.0)
    assert bench.heard[:2] == ["CONF:VOLT:DC 1", "VOLT:DC:NPLC 1"]


def test_every_reading_is_fresh(bench):
    meter = bench.open()
    for volts in (1.0, 2.0, 3.0):
        bench.leads.dc = volts
        assert meter.measure(Function.DC_VOLTS, range=10.0).value == pytest.approx(volts, rel=1e-3)


def test_errors_are_drained_oldest_first_and_once(bench):
    meter = bench.open()
    bench.model.status.report(-113)
    bench.model.status.report(-222)
    assert meter.errors() == ['-113,"Undefined header"', '-222,"Data out of range"']
    assert meter.errors() == []


def test_a_queue_that_never_ends_is_not_drained_for_ever(bench):
    meter = bench.open()
    bench.server.misbehave = lambda message, reply: [b'-100,"Command error"\n'] if "ERR" in message else []
    found = meter.errors()
    assert len(found) == 31
    assert "not empty after 30" in found[-1]


def test_a_meter_that_refuses_the_range_is_never_read(bench):
    meter = bench.open()
    bench.heard.clear()
    with pytest.raises(InstrumentError, match=r"refused 'CONF:VOLT:DC 5000': -222,\"Data out of range\"") as caught:
        meter.measure(Function.DC_VOLTS, range=5000.0)
    assert "Choose a range" in str(caught.value)
    assert "READ?" not in bench.heard


def test_a_meter_without_line_cycles_is_read_all_the_same(bench):
    meter = bench.open(overrides={"line_cycles": "{function}:CYCLES {line_cycles}"})
    bench.leads.dc = 0.5
    assert meter.measure(Function.DC_VOLTS, range=1.0).value == pytest.approx(0.5, rel=1e-3)
    assert any("Undefined header" in error for error in meter.errors())
    bench.heard.clear()
    meter.measure(Function.RESISTANCE)
    meter.measure(Function.DC_VOLTS, range=1.0)
    assert not any("VOLT:DC:CYCLES" in message for message in bench.heard)


def test_a_meter_that_cannot_join_queries_is_asked_one_by_one(bench):
    model, handle = bench.model, bench.model.handle
    model.handle = lambda message: None if ";" in message else handle(message)  # type: ignore[method-assign]
    meter = bench.open(timeout_s=0.1)
    bench.leads.dc = 0.5
    reading = meter.measure(Function.DC_VOLTS)
    assert (reading.range, reading.value) == (1.0, pytest.approx(0.5, rel=1e-3))


def test_overrides_reach_the_wire(bench):
    bench.open(overrides={"remote": "SYST:REM", "clear": ""})
    assert bench.heard == ["SYST:REM", "*IDN?"]


def test_unknown_override_is_a_bad_file(bench):
    with pytest.raises(FileError, match=r"no command is called 'reed'\. Did you mean 'read'"):
        bench.open(overrides={"reed": "READ?"})


@pytest.mark.parametrize(
    ("request_", "words"),
    [
        ({"range": -1.0}, "range -1.0. Expected a full scale above 0"),
        ({"range": math.nan}, "range nan"),
        ({"line_cycles": 0.0}, "0.0 line cycles"),
        ({"line_cycles": math.nan}, "nan line cycles"),
        ({"frequency_hz": math.inf}, "frequency inf Hz"),
    ],
)
def test_requests_that_make_no_sense(bench, request_, words):
    with pytest.raises(InstrumentError, match=words):
        bench.open().measure(Function.DC_VOLTS, **request_)


def test_a_statement_that_lacks_the_function_refuses_before_measuring(bench):
    meter = bench.open(accuracy=[Accuracy(Function.DC_VOLTS, math.inf, None, 0.5, 0.1)])
    with pytest.raises(InstrumentError, match="no accuracy statement for resistance"):
        meter.measure(Function.RESISTANCE)


def test_closed_means_closed(bench):
    meter = bench.open()
    meter.close()
    meter.close()
    with pytest.raises(InstrumentError, match="has been closed"):
        meter.measure(Function.DC_VOLTS)


def test_silence_is_said_with_command_time_and_remedy(bench):
    meter = bench.open(timeout_s=0.1)
    meter.measure(Function.DC_VOLTS, range=1.0, line_cycles=FAST)
    bench.server.misbehave = lambda message, reply: []
    with pytest.raises(NoReply) as caught:
        meter.measure(Function.DC_VOLTS, range=1.0, line_cycles=FAST)
    for part in (
        bench.server.resource,
        "no reply to 'READ?' within 0.101 s",
        "Expected one line",
        "Check that it is on",
    ):
        assert part in str(caught.value)


def test_after_silence_the_next_call_measures_again(bench):
    meter = bench.open(timeout_s=0.2)
    bench.leads.dc = 0.5
    bench.server.misbehave = lambda message, reply: []
    with pytest.raises(NoReply):
        meter.measure(Function.DC_VOLTS, range=1.0, line_cycles=FAST)
    bench.server.misbehave = None
    assert meter.measure(Function.DC_VOLTS, range=1.0, line_cycles=FAST).value == pytest.approx(0.5, rel=1e-3)


def test_another_instrument_at_the_same_address_is_not_read():
    one, two = (MultimeterModel(Leads(), rng=np.random.default_rng(1), identity=f"make,model,{n},1") for n in (1, 2))
    with serve_tcp(one) as server, ScpiMultimeter(server.resource, name="meter") as meter:
        server.model = two
        server.drop_connections()
        with pytest.raises(InstrumentError, match=r"now answers as 'make,model,2,1'\. Expected 'make,model,1,1'"):
            meter.measure(Function.DC_VOLTS)


def test_a_pulled_cable_is_plugged_in_again_within_one_call():
    leads = Leads()
    leads.dc = 0.5
    model = MultimeterModel(leads, rng=np.random.default_rng(1))
    with serve_tcp(model) as server, ScpiMultimeter(server.resource, name="meter") as meter:
        meter.measure(Function.DC_VOLTS, range=1.0)
        server.drop_connections()
        assert meter.measure(Function.DC_VOLTS, range=1.0).value == pytest.approx(0.5, rel=1e-3)


def test_a_meter_that_has_gone_is_given_up_after_some_tries():
    server = serve_tcp(MultimeterModel(Leads(), rng=np.random.default_rng(1)))
    with ScpiMultimeter(server.resource, name="meter", timeout_s=0.2) as meter:
        server.close()
        with pytest.raises(InstrumentError, match="Check that it is on and in the network"):
            meter.measure(Function.DC_VOLTS)


@pytest.mark.parametrize(
    ("resource", "words"),
    [
        ("TCPIP::127.0.0.1::1::SOCKET", "cannot be opened: Connection refused. Check that it is on and in the network"),
        (
            "ASRL/dev/no_such_port::INSTR",
            "cannot be opened: .*no_such_port.* Check that it is on, cabled and set to 9600 baud",
        ),
        ("not a resource", "cannot be opened"),
    ],
)
def test_what_cannot_be_opened_says_why(resource, words):
    with pytest.raises(InstrumentError, match=words):
        ScpiMultimeter(resource, name="meter", open_timeout_s=1.0)


def test_a_port_that_never_answers_ends_with_the_timeout():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
        started = time.monotonic()
        with pytest.raises(NoReply, match=r"no reply to '\*IDN\?' within 0.2 s"):
            ScpiMultimeter(f"TCPIP::127.0.0.1::{port}::SOCKET", name="meter", timeout_s=0.2)
        assert time.monotonic() - started < 5.0  # generous: the machine may be busy; without the bound it is for ever


def test_opening_that_hangs_is_given_up(monkeypatch):
    release = threading.Event()

    class Hanging:
        def open_resource(self, *_: object, **__: object) -> None:
            release.wait(30.0)
            raise OSError("too late")

    try:
        with pytest.raises(NoReply, match=r"did not open within 0\.1 s"):
            ScpiMultimeter("TCPIP::host::inst0::INSTR", name="meter", open_timeout_s=0.1, resource_manager=Hanging())
    finally:
        release.set()


def test_an_instrument_that_is_none_is_not_opened():
    with serve_tcp(MultimeterModel(Leads(), rng=np.random.default_rng(1))) as server:
        server.misbehave = lambda message, reply: [b"220 mail ready \xff\n"] if "IDN" in message else []
        with pytest.raises(GarbledReply, match="Expected plain ASCII"):
            ScpiMultimeter(server.resource, name="meter")


def test_two_threads_share_one_meter(bench):
    meter = bench.open()
    bench.leads.dc, bench.leads.ohm = 0.0, 50.0
    readings: list[tuple[Function, float]] = []

    def measure(function: Function) -> None:
        for _ in range(20):
            readings.append((function, meter.measure(function).value))

    threads = [threading.Thread(target=measure, args=(f,)) for f in (Function.DC_VOLTS, Function.RESISTANCE)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30.0)
    assert len(readings) == 40
    assert all(abs(value - (0.0 if function is Function.DC_VOLTS else 50.15)) < 0.05 for function, value in readings)
