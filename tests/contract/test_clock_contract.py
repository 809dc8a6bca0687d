"""What every clock keeps, whoever's it is."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest

from benchtest.instruments.clock import WallClock
from benchtest.instruments.control_port import RemoteClock
from benchtest.instruments.protocols import Clock
from simulated_instruments.bench import SimulatedBench
from simulated_instruments.control_port import serve_control


@pytest.fixture(params=["simulated", "remote", "wall"])
def clock(request: pytest.FixtureRequest) -> Iterator[Clock]:
    if request.param == "wall":
        yield WallClock()
        return
    bench = SimulatedBench(seed=3)
    if request.param == "simulated":
        yield bench.clock
    else:
        server = serve_control(bench)
        remote = RemoteClock(server.resource)
        yield remote
        remote.close()
        server.close()
    bench.close()


def test_it_is_a_clock(clock: Clock) -> None:
    assert isinstance(clock, Clock)


def test_time_never_goes_back(clock: Clock) -> None:
    times = [clock.now() for _ in range(5)]
    assert times == sorted(times)
    assert all(isinstance(time, float) and math.isfinite(time) for time in times)


def test_sleep_lets_at_least_that_time_pass(clock: Clock) -> None:
    before = clock.now()
    clock.sleep(0.02)
    assert clock.now() - before >= 0.02 - 1e-9


def test_sleeping_no_time_is_allowed(clock: Clock) -> None:
    before = clock.now()
    clock.sleep(0.0)
    assert clock.now() >= before
