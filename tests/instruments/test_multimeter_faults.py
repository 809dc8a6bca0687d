"""Meters that misbehave: whatever comes back, only a fresh and complete reply becomes a reading, and every call ends.

The simulated meter counts its samples: sample n reads n millivolts. So a value tells which sample it is, and a reading
is fresh if its sample was taken after the call began.
"""

from __future__ import annotations

import contextlib
import itertools
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from benchtest.errors import BenchtestError, GarbledReply, InstrumentError, NoReply
from benchtest.instruments.multimeter import ScpiMultimeter
from benchtest.instruments.protocols import Function
from simulated_instruments.hislip_server import serve_hislip
from simulated_instruments.multimeter import SIMULATED_ACCURACY, MultimeterModel
from simulated_instruments.multimeter_server import CLOSE, Action, Misbehaviour, Server, serve_pty, serve_tcp

TIMEOUT = 0.05
LATE = 0.25  # far enough beyond the timeout that a busy machine does not bring the two together
LONGEST = (
    5.0  # s; a call takes about 0.2 s at most (greeting, reading and one repetition), the rest is for a busy machine
)


class CountingLeads:
    """Sample n of a meter here reads n mV."""

    lead_ohm = 0.0
    ac_rms = ac_frequency_hz = source_ohm = 0.0

    def __init__(self) -> None:
        self.count = 0

    @property
    def dc(self) -> float:
        return self.count * 1e-3

    def probe(self) -> CountingLeads:
        self.count += 1
        return self

    def resistance(self) -> float:
        return 0.0


FAULTS: dict[str, object] = {
    "slow": lambda reply: [TIMEOUT / 3, reply + b"\n"],
    "late": lambda reply: [LATE, reply + b"\n"],
    "silent": lambda reply: [],
    "cut": lambda reply: [reply[: len(reply) // 2]],
    "cut and closed": lambda reply: [reply[: len(reply) // 2], CLOSE],
    "cut, rest late": lambda reply: [reply[: len(reply) // 2], LATE, reply[len(reply) // 2 :] + b"\n"],
    "trickling": lambda reply: [reply[:1], 0.003, reply[1:3], 0.003, reply[3:], 0.003, b"\n"],
    "CR LF": lambda reply: [reply + b"\r\n"],
    "no terminator": lambda reply: [reply],
    "rubbish": lambda reply: [b"\xfe\x00\x81" + reply[3:] + b"\n"],
    "rubbish before": lambda reply: [b"#@!\n", reply + b"\n"],
    "empty line": lambda reply: [b"\n"],
    "two at once": lambda reply: [reply + b"\n" + reply + b"\n"],
    "overload": lambda reply: [b"+9.90000000E+37\n"],
    "not a number": lambda reply: [b"NAN\n"],
    "9.91E+37": lambda reply: [b"+9.91000000E+37\n"],
    "closed": lambda reply: [CLOSE],
    "answered, closed": lambda reply: [reply + b"\n", CLOSE],
}
ENDS_IN_A_READING = ("slow", "trickling", "CR LF", "answered, closed")
ENDS_IN_AN_OVERLOAD = ("overload", "9.91E+37")
NEEDS_A_CONNECTION = ("cut and closed", "closed", "answered, closed")


def misbehaving(faults: Iterator[str]) -> Misbehaviour:
    def misbehave(message: str, reply: str | None) -> Sequence[Action]:
        if reply is None:
            return []
        fault = next(faults, "")
        return FAULTS[fault](reply.encode()) if fault else [reply.encode() + b"\n"]

    return misbehave


def served(transport: str) -> tuple[Server, CountingLeads]:
    leads = CountingLeads()
    model = MultimeterModel(leads, rng=np.random.default_rng(1))
    return {"tcp": serve_tcp, "pty": serve_pty}[transport](model), leads


@contextlib.contextmanager
def opened(server: Server, timeout_s: float = TIMEOUT) -> Iterator[ScpiMultimeter]:
    """The driver on a meter that behaves; tried again where a busy machine let the short timeout pass."""
    with server:
        for tries_left in reversed(range(20)):
            try:
                meter = ScpiMultimeter(server.resource, name="meter", accuracy=SIMULATED_ACCURACY, timeout_s=timeout_s)
                break
            except NoReply:
                assert tries_left
        with meter:
            yield meter


def unhurried(attempt: Callable[[], str]) -> str:
    """What an attempt ends in, tried again where a busy machine may have let the short timeout pass."""
    for _ in range(6):
        outcome = attempt()
        if outcome != "NoReply":
            break
    return outcome


def sample_of(value: float) -> int:
    """The number of the sample behind a value; a value that is no sample's fails the test."""
    nearest = round(value * 1e3)
    assert abs(value * 1e3 - nearest) < 0.4  # 10 V range: gain and zero within 0.4 mV at 10 V
    return nearest


def measure(meter: ScpiMultimeter, leads: CountingLeads) -> str:
    """One call: "reading", "overload" or the name of its error; asserts freshness and time."""
    before, started = leads.count, time.monotonic()
    try:
        reading = meter.measure(Function.DC_VOLTS, range=10.0, line_cycles=0.02)
    except BenchtestError as error:
        return type(error).__name__
    finally:
        assert time.monotonic() - started < LONGEST
    if reading.overload:
        assert reading.value is None
        return "overload"
    assert before < sample_of(reading.value) <= leads.count
    return "reading"


@pytest.mark.parametrize(
    ("transport", "fault"),
    [("tcp", fault) for fault in FAULTS] + [("pty", fault) for fault in FAULTS if fault not in NEEDS_A_CONNECTION],
)
def test_each_fault_alone(transport, fault):
    server, leads = served(transport)
    with opened(server) as meter:

        def with_the_fault() -> str:
            server.misbehave = misbehaving(iter([fault]))
            return measure(meter, leads)

        assert unhurried(lambda: measure(meter, leads)) == "reading"
        if fault in ENDS_IN_A_READING or fault in NEEDS_A_CONNECTION:
            assert unhurried(with_the_fault) == "reading"  # a closed connection is opened again within the call
        elif fault in ENDS_IN_AN_OVERLOAD:
            assert unhurried(with_the_fault) == "overload"
        else:
            assert with_the_fault() in ("NoReply", "GarbledReply")
        server.misbehave = None
        measured_again(meter, leads)


def measured_again(meter: ScpiMultimeter, leads: CountingLeads) -> None:
    """Two readings in a row within 20 calls: a serial line may still have late replies to get rid of."""
    after: list[str] = []
    while after[-2:] != ["reading", "reading"]:
        after.append(measure(meter, leads))
        assert len(after) < 20, after


@pytest.mark.parametrize("transport", ["tcp", "pty"])
@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault not in NEEDS_A_CONNECTION])
def test_a_fault_that_stays_never_ends_in_a_wrong_reading(transport, fault):
    server, leads = served(transport)
    with opened(server) as meter:
        server.misbehave = misbehaving(itertools.repeat(fault))
        if fault in ENDS_IN_A_READING:
            assert {unhurried(lambda: measure(meter, leads)) for _ in range(3)} == {"reading"}
        else:
            assert "reading" not in {measure(meter, leads) for _ in range(3)}


@pytest.mark.parametrize("transport", ["tcp", "pty"])
@pytest.mark.parametrize("fault", FAULTS)
def test_opening_a_meter_that_misbehaves_ends(transport, fault):
    server, _ = served(transport)
    with server:
        server.misbehave = misbehaving(itertools.repeat(fault))
        started = time.monotonic()
        try:
            ScpiMultimeter(server.resource, name="meter", timeout_s=TIMEOUT).close()
            ended = "open"
        except InstrumentError as error:
            ended = type(error).__name__
        assert time.monotonic() - started < LONGEST
        if fault in ("silent", "cut", "no terminator", "rubbish", "empty line", "not a number", "late"):
            assert ended in ("NoReply", "GarbledReply", "ConnectionLost")


HISLIP_FAULTS = ("late", "silent", "rubbish", "empty line", "two at once", "not a number", "overload", "closed")


@pytest.mark.parametrize("fault", HISLIP_FAULTS)
def test_faults_over_hislip(fault):
    leads = CountingLeads()
    server = serve_hislip(MultimeterModel(leads, rng=np.random.default_rng(1)))
    with opened(server) as meter:
        assert unhurried(lambda: measure(meter, leads)) == "reading"
        server.misbehave = misbehaving(iter([fault]))
        outcome = measure(meter, leads)
        if fault in ("overload", "closed"):
            assert outcome in ("NoReply", {"overload": "overload", "closed": "reading"}[fault])
        else:
            assert outcome in ("NoReply", "GarbledReply")
        server.misbehave = None
        measured_again(meter, leads)


@pytest.mark.parametrize("every", [2, 3, 5, 9])
def test_a_connection_that_is_dropped_at_every_nth_command(every):
    server, leads = served("tcp")
    with opened(server) as meter:
        faults = itertools.cycle(["closed"] + [""] * (every - 1))
        server.misbehave = misbehaving(faults)
        outcomes = [measure(meter, leads) for _ in range(10)]
    assert set(outcomes) <= {"reading", "ConnectionLost", "NoReply"}
    if every > 5:  # a new connection costs four queries before its reading
        assert "reading" in outcomes


def test_a_flood_without_an_end_is_cut_off():
    server, _ = served("tcp")
    with opened(server, 0.5) as meter:
        server.misbehave = lambda message, reply: [b"1" * 100_000] if reply else []
        with pytest.raises(GarbledReply, match="4096 bytes or more, beginning with '1111"):
            meter.measure(Function.DC_VOLTS, range=10.0)


def test_a_trickle_without_an_end_is_given_up():
    server, _ = served("tcp")
    with opened(server, 0.3) as meter:
        server.misbehave = lambda message, reply: [b"1", 0.01] * 500 if reply else []
        started = time.monotonic()
        with pytest.raises(NoReply, match="no complete reply, only '1"):
            meter.measure(Function.DC_VOLTS, range=10.0)
        assert time.monotonic() - started < 4.0  # the trickle itself lasts 5 s


def run_sequence(seed: int) -> list[str]:
    """One random sequence of faults, then a meter that behaves: what each call ended in."""
    rng = np.random.default_rng(seed)
    transport = "pty" if seed % 3 == 2 else "tcp"
    possible = [fault for fault in FAULTS if transport == "tcp" or fault not in NEEDS_A_CONNECTION]
    weight = rng.uniform(0.1, 0.6)
    drawn = [str(rng.choice(possible)) if rng.random() < weight else "" for _ in range(40)]
    server, leads = served(transport)
    with opened(server) as meter:
        server.misbehave = misbehaving(iter(drawn))
        outcomes = [measure(meter, leads) for _ in range(5)]
        server.misbehave = None
        measured_again(meter, leads)
    return outcomes


def run_sequences(seeds: range) -> None:
    with ThreadPoolExecutor(8) as pool:  # they mostly wait
        seen = list(itertools.chain.from_iterable(pool.map(run_sequence, seeds)))
    assert {"reading", "overload", "NoReply", "GarbledReply"} <= set(seen)  # the draw reached every kind of end


def test_random_sequences_of_faults():
    run_sequences(range(100))


@pytest.mark.slow
def test_a_thousand_random_sequences_of_faults():
    run_sequences(range(1000, 2000))
