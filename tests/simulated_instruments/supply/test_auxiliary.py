"""The auxiliary rails against the zener regulator's circuit equations."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from simulated_instruments.amplifier.auxiliary import Auxiliary
from simulated_instruments.amplifier.supply import Supply, demo_supply


def test_regulated_output_satisfies_the_node_equation():
    """Current through the dropper = current of the zener + load."""
    a = Auxiliary(zener_v=15.0, zener_ohm=8.0, dropper_ohm=820.0, load_a=0.015)
    out = float(a.volts(42.0))
    assert (42.0 - out) / 820.0 == pytest.approx((out - 15.0) / 8.0 + 0.015)
    assert a.drawn(42.0) == pytest.approx((42.0 - out) / 820.0)


def test_ripple_is_divided_by_dropper_and_zener():
    a = Auxiliary()
    rail = 42.0 + np.sin(np.linspace(0.0, 20.0, 500))
    assert np.ptp(a.volts(rail)) / np.ptp(rail) == pytest.approx(8.0 / 828.0)


def test_starved_it_follows_the_rail():
    a = Auxiliary()
    assert float(a.volts(20.0)) == pytest.approx(20.0 - 820.0 * 0.015)
    assert float(a.volts(5.0)) == 0.0


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"zener_ohm": math.inf}, 42.0 - 820.0 * 0.015),
        ({"zener_v": 0.0}, 0.27),
        ({"dropper_ohm": math.inf}, 0.0),
    ],
    ids=["zener-open", "zener-shorted", "dropper-open"],
)
def test_faults(changes, expected):
    assert float(replace(Auxiliary(), **changes).volts(42.0)) == pytest.approx(expected, abs=0.05)


def test_auxiliary_rails_of_the_supply():
    supply = Supply(demo_supply())
    supply.switch(True)
    supply.advance(2.0, 0.1, 0.1)
    positive, negative = supply.auxiliary()
    assert 14.5 < positive < 15.6
    assert negative == pytest.approx(-positive, abs=0.1)
    supply.switch(False)
    supply.advance(10.0, 0.1, 0.1)
    assert supply.auxiliary()[0] == 0.0
