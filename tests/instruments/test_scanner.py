"""A scanner as the operator, and a switched socket over SCPI: over TCP, with pyvisa, on the simulated bench."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from benchtest.amplifier_file import load_amplifier
from benchtest.bench_file import bench_as_toml, bench_from_text
from benchtest.config import FaultyFile
from benchtest.errors import FileError, InstrumentError, SafetyStop
from benchtest.instruments.protocols import Operator, SwitchedSocket
from benchtest.instruments.scanner import Connection, ScannerOperator
from benchtest.instruments.scpi_socket import ScpiSocket
from benchtest.safety import open_bench
from simulated_instruments.bench import SimulatedBench
from simulated_instruments.multimeter_server import serve_tcp
from simulated_instruments.switching import SwitchingModel
from simulated_instruments.truth import bench_text
from tests.safety.conftest import DEMO

METER = "bench meter"
ROWS = [
    Connection(METER, "left_output", (101,)), Connection(METER, "right_output", (102, 103)),
    Connection("inputs", "shorted", (201,)),
]  # fmt: skip


@pytest.fixture
def simulated() -> Iterator[SimulatedBench]:
    bench = SimulatedBench(seed=1)
    yield bench
    bench.close()


@pytest.fixture
def box(simulated: SimulatedBench) -> SwitchingModel:
    return SwitchingModel(
        {
            101: lambda: simulated.move_leads(METER, "left_output"),
            102: lambda: simulated.move_leads(METER, "right_output"),
            103: lambda: None,
            201: lambda: simulated.connect_inputs("shorted"),
        },
        output=simulated.switch_mains,
        is_on=lambda: simulated.mains_on,
    )


@pytest.fixture
def served(box: SwitchingModel):
    with serve_tcp(box) as server:
        yield server


@pytest.fixture
def scanner(simulated, box, served) -> Iterator[ScannerOperator]:
    operator = ScannerOperator(simulated.operator(), served.resource, ROWS)
    box.log.clear()
    yield operator
    operator.close()


def test_it_is_an_operator(scanner) -> None:
    assert isinstance(scanner, Operator)
    assert "simulated scanner" in scanner.identity


def test_what_has_a_relay_is_connected_and_the_rest_is_asked_for(scanner, simulated, box) -> None:
    scanner.set({METER: "left_output", "volume": "full"}, say="volume up")
    assert simulated.leads[METER].place == "left_output"
    assert box.closed == {101}
    assert simulated.operator().told == ["volume up"]


def test_break_before_make(scanner, box) -> None:
    scanner.set({METER: "left_output"}, say="")
    box.log.clear()
    scanner.set({METER: "right output"}, say="")
    assert box.closed == {102, 103}
    opened, closed = (
        next(i for i, t in enumerate(box.log) if t.startswith(word)) for word in ("ROUT:OPEN", "ROUT:CLOS (")
    )
    assert box.log[opened] == "ROUT:OPEN (@101)"
    assert opened < closed
    assert box.log.index("ROUT:CLOS? (@101)") < closed  # and it was seen to be open


def test_leads_that_a_hand_moves_have_no_relay_closed(scanner, simulated, box) -> None:
    scanner.set({METER: "left_output"}, say="")
    scanner.set({METER: "rail_positive"}, say="by hand")
    assert box.closed == set()
    assert simulated.leads[METER].place == "rail_positive"


@pytest.mark.parametrize("stuck_closed", [True, False])
def test_a_relay_that_sticks_is_said_and_everything_else_opened(scanner, box, stuck_closed) -> None:
    scanner.set({METER: "left_output", "inputs": "shorted"}, say="")
    box.stuck = {101} if stuck_closed else {102}
    words = "channel 101 was told to be open" if stuck_closed else "channel 102 was told to be closed"
    with pytest.raises(InstrumentError, match=words):
        scanner.set({METER: "right_output"}, say="")
    assert box.closed == ({101} if stuck_closed else set())


def test_a_channel_that_it_has_not_is_refused_when_it_is_opened(simulated, served) -> None:
    with pytest.raises(InstrumentError, match=r"refused 'ROUT:OPEN \(@999\)': -222"):
        ScannerOperator(simulated.operator(), served.resource, [Connection(METER, "left_output", (999,))])


def test_on_the_way_out_its_relays_are_open(scanner, box) -> None:
    scanner.set({METER: "left_output"}, say="")
    scanner.close()
    assert box.closed == set()
    with pytest.raises(InstrumentError, match="closed"):
        scanner.set({METER: "left_output"}, say="")


def test_a_connection_that_was_cut_is_made_again(scanner, box, served) -> None:
    served.drop_connections()
    scanner.set({METER: "left_output"}, say="")
    assert box.closed == {101}


# The switched socket ----------------------------------------------------------------------------------------------------


@pytest.fixture
def socket(served) -> Iterator[ScpiSocket]:
    opened = ScpiSocket(served.resource)
    yield opened
    opened.close()


def test_socket_switches_and_is_read_back(socket, simulated) -> None:
    assert isinstance(socket, SwitchedSocket)
    assert not socket.is_on()
    socket.on()
    assert simulated.mains_on
    assert socket.is_on()
    socket.off()
    socket.off()
    assert not simulated.mains_on


def test_socket_that_does_not_switch_says_at_the_wall(simulated, box, socket) -> None:
    socket.on()
    box._output = lambda on: None  # its relay is welded
    with pytest.raises(InstrumentError, match="AT THE WALL"):
        socket.off()


def test_socket_that_is_silent_says_at_the_wall(served, socket) -> None:
    served.misbehave = lambda message, reply: []
    with pytest.raises(InstrumentError, match=r"not known: switch off AT THE WALL"):
        socket.off()


def test_socket_with_words_of_its_own(served, box) -> None:
    handle = box.handle
    box.handle = lambda text: handle({"RELAY 1": "OUTP ON", "RELAY 0": "OUTP OFF", "RELAY?": "OUTP?"}.get(text, text))
    socket = ScpiSocket(served.resource, overrides={"on": "RELAY 1", "off": "RELAY 0", "state": "RELAY?"})
    socket.on()
    assert socket.is_on()
    socket.close()
    with pytest.raises(FileError, match="maybe is none of them"):
        ScpiSocket(served.resource, overrides={"maybe": "x"})


# Both in a bench file ---------------------------------------------------------------------------------------------------


def text_with(resource: str, *, rows: str = "") -> str:
    kept = bench_text().partition("[mains_socket]")[0]
    rows = rows or f'{{ setting = "{METER}", state = "left_output", channels = "101" }}'
    return (
        f'{kept}\n[mains_socket]\ndriver = "scpi"\nresource = "{resource}"\n'
        f'[scanner]\nresource = "{resource}"\nconnections = [\n    {rows},\n]\n'
    )


def test_bench_file_goes_round() -> None:
    read = bench_from_text(text_with("TCPIP0::127.0.0.1::5025::SOCKET"), "bench.toml")
    assert bench_from_text(bench_as_toml(read), "again.toml") == read


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ('{ setting = "bench meter", state = "left_outpt", channels = "101" }', "Did you mean left_output"),
        ('{ setting = "volume", state = "full", channels = "101" }', "knobs, lid and mains are not theirs"),
        ('{ setting = "inputs", state = "shorted", channels = "1O1" }', "channel numbers"),
    ],
)
def test_bench_file_with_a_connection_that_cannot_be_meant(row, said) -> None:
    with pytest.raises(FaultyFile, match=said):
        bench_from_text(text_with("TCPIP0::127.0.0.1::5025::SOCKET", rows=row), "bench.toml")


def test_a_bench_with_both_measures_and_a_stop_switches_the_socket_off(tmp_path, monkeypatch) -> None:
    import benchtest.bench

    make = benchtest.bench._simulated_bench
    made: dict[str, SimulatedBench] = {}

    def remembered(seed, scenario, channel):
        made["bench"] = make(seed, scenario, channel)
        return made["bench"]

    monkeypatch.setattr(benchtest.bench, "_simulated_bench", remembered)
    box = SwitchingModel(
        {101: lambda: made["bench"].move_leads(METER, "left_output")},
        output=lambda on: made["bench"].switch_mains(on),
        is_on=lambda: made["bench"].mains_on,
    )
    with serve_tcp(box) as server:
        path = tmp_path / "bench.toml"
        path.write_text(text_with(server.resource), encoding="utf-8")
        with open_bench(path, amplifier=load_amplifier(DEMO), calibrate=False) as bench:
            bench.hook_up(lamp="out", load="1 kilohm", inputs="shorted", volume="full")
            bench.mains_on()
            bench.move_meter("left_output")
            assert made["bench"].mains_on
            assert {i["name"] for i in bench.describe()["instruments"]} >= {"scanner", "mains socket"}
            with pytest.raises(SafetyStop, match="smoke"):
                bench.stop("smoke")
            assert not made["bench"].mains_on
    assert box.closed == set()
