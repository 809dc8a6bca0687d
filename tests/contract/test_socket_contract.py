"""What every switched mains socket keeps."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from benchtest.errors import InstrumentError
from benchtest.instruments.control_port import RemoteSocket
from benchtest.instruments.protocols import SwitchedSocket
from simulated_instruments.bench import SimulatedBench
from simulated_instruments.control_port import serve_control


@pytest.fixture(params=["simulated", "remote"])
def mains(request: pytest.FixtureRequest) -> Iterator[SwitchedSocket]:
    bench = SimulatedBench(seed=3)
    if request.param == "simulated":
        yield bench.mains_socket()
    else:
        server = serve_control(bench)
        remote = RemoteSocket(server.resource)
        yield remote
        remote.close()
        server.close()
    bench.close()


def test_it_is_a_switched_socket(mains: SwitchedSocket) -> None:
    assert isinstance(mains, SwitchedSocket)


def test_it_is_off_at_first(mains: SwitchedSocket) -> None:
    assert mains.is_on() is False


def test_it_switches_and_says_so(mains: SwitchedSocket) -> None:
    mains.on()
    assert mains.is_on() is True
    mains.off()
    assert mains.is_on() is False


def test_off_twice_is_off(mains: SwitchedSocket) -> None:
    mains.off()
    mains.off()
    assert mains.is_on() is False


def test_a_closed_one_does_not_pretend(mains: SwitchedSocket) -> None:
    mains.close()
    with pytest.raises(InstrumentError, match="closed"):
        mains.off()
