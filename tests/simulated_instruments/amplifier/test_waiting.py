"""Unheard time after a tone: what the tone warmed cools as it does where the time is rendered sample by sample."""

from __future__ import annotations

import copy

import numpy as np
import pytest

from tests.simulated_instruments.amplifier.playing import RATE, switched_on, tone


def test_junctions_cool_alike_whether_time_is_rendered_or_passed() -> None:
    rendered = switched_on(seconds=600.0)
    idle_k = rendered.thermal.junction_k[0]
    rendered.render(tone(1000.0, 0.4, seconds=1.2), RATE)
    passed = copy.deepcopy(rendered)
    assert rendered.thermal.junction_k[0] > idle_k + 2.0
    rendered.render(np.zeros((round(8.0 * RATE), 2)), RATE)
    passed.advance(8.0)
    for c in (0, 1):
        assert passed.thermal.junction_k[c] == pytest.approx(rendered.thermal.junction_k[c], abs=0.15)
        assert passed.channels[c].idle_a == pytest.approx(rendered.channels[c].idle_a, rel=0.01)
