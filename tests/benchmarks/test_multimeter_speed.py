"""How long a reading takes through the driver, beside a bare pyvisa query to the same simulated meter."""

from __future__ import annotations

import math
import time
from collections.abc import Callable

import numpy as np
import pytest
import pyvisa

from benchtest.instruments.multimeter import ScpiMultimeter
from benchtest.instruments.protocols import Function
from simulated_instruments.meter_front_end import SIMULATED_ACCURACY
from simulated_instruments.multimeter import MultimeterModel
from simulated_instruments.multimeter_server import serve_tcp

pytestmark = pytest.mark.benchmark


class Leads:
    lead_ohm = 0.15
    dc, ac_rms, ac_frequency_hz, source_ohm = 0.5, 0.0, 0.0, 0.0

    def probe(self) -> Leads:
        return self

    def resistance(self) -> float:
        return math.inf


def best_time(act: Callable[[], object], *, rounds: int = 7, calls: int = 300) -> float:
    """Seconds a call, the best of some rounds: what the machine can do when nobody else wants it."""
    times = []
    for _ in range(rounds):
        started = time.perf_counter()
        for _ in range(calls):
            act()
        times.append((time.perf_counter() - started) / calls)
    return min(times)


def test_a_reading_beside_a_bare_query(capsys: pytest.CaptureFixture[str]) -> None:
    with serve_tcp(MultimeterModel(Leads(), rng=np.random.default_rng(1))) as server:
        manager = pyvisa.ResourceManager("@py")
        bare = manager.open_resource(server.resource, read_termination="\n", write_termination="\n")
        bare.write("CONF:VOLT:DC 1")
        bare_fixed = best_time(lambda: bare.query("READ?"))
        bare_auto = best_time(lambda: bare.query("MEAS:VOLT:DC?"))
        bare.close()
        with ScpiMultimeter(server.resource, name="meter", accuracy=SIMULATED_ACCURACY) as meter:
            fixed = best_time(lambda: meter.measure(Function.DC_VOLTS, range=1.0))
            auto = best_time(lambda: meter.measure(Function.DC_VOLTS))
    with capsys.disabled():
        print(
            f"\nmultimeter: fixed range {fixed * 1e6:.0f} us, {fixed / bare_fixed:.2f} of a bare READ?; "
            f"autorange {auto * 1e6:.0f} us, {auto / bare_auto:.2f} of a bare MEAS:VOLT:DC? (goal: at most 1.5)"
        )
    assert min(fixed, auto, bare_fixed, bare_auto) > 0
