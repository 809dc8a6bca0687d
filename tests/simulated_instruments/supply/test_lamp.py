"""The series lamp: filament physics against lamp handbooks' laws, and what it shows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simulated_instruments.amplifier.lamp import AMBIENT_K, Lamp
from simulated_instruments.amplifier.supply import Supply, demo_supply


def test_hot_resistance_is_rated_voltage_squared_over_power():
    assert Lamp(100.0, 230.0).hot_ohm == pytest.approx(529.0)
    assert Lamp(100.0, 120.0).hot_ohm == pytest.approx(144.0)


def test_cold_resistance_is_a_fifteenth():
    """A 100 W, 120 V lamp measures about 10 ohm cold against 144 hot: a workshop's measurement, read at second hand."""
    lamp = Lamp(100.0, 120.0)
    assert lamp.cold_ohm == pytest.approx(10.0, rel=0.1)
    assert lamp.ohm(lamp.hot_k) == lamp.hot_ohm


@pytest.mark.parametrize("fraction", [0.5, 0.8, 1.2])
def test_current_and_power_follow_the_lamp_handbooks_exponents(fraction):
    """I goes with V^0.54, P with V^1.54 near rated voltage (lamp handbooks, from memory)."""
    lamp = Lamp(60.0)
    x = fraction ** (1.0 / 2.6)  # temperature: V^2 = P R = T^4 T^1.2
    current = fraction * lamp.rated_v / lamp.ohm(lamp.hot_k * x)
    rated = lamp.power_w / lamp.rated_v
    assert current / rated == pytest.approx(fraction**0.54, rel=0.01)
    assert lamp.brightness(lamp.hot_k * x) == pytest.approx(fraction**1.54, rel=0.01)


def test_cooling_is_the_solution_of_the_fourth_power_law():
    lamp = Lamp(60.0)

    def rate(_: float, kelvin: np.ndarray) -> np.ndarray:
        return -lamp.power_w * (kelvin / lamp.hot_k) ** 4 / lamp.joule_per_kelvin

    solved = solve_ivp(rate, (0.0, 0.5), [lamp.hot_k], rtol=1e-8, atol=1e-6, t_eval=[0.02, 0.1, 0.5])
    for t, kelvin in zip(solved.t, solved.y[0], strict=True):
        assert lamp.cooled(lamp.hot_k, float(t)) == pytest.approx(kelvin, rel=1e-5)
    assert lamp.cooled(lamp.hot_k, 1e6) == AMBIENT_K


def test_words_for_what_an_eye_sees():
    lamp = Lamp()
    assert [lamp.state(lamp.hot_k * f**0.25) for f in (0.001, 0.05, 0.4, 0.9)] == ["dark", "dull", "half", "bright"]


def switched_on(lamp: Lamp, current: float, seconds: float) -> Supply:
    supply = Supply(demo_supply())
    supply.insert_lamp(lamp)
    supply.switch(True)
    supply.advance(seconds, current, current)
    return supply


def test_healthy_amplifier_flashes_then_dims_with_rails_at_70_to_95_percent():
    """The bench's rule: a flash of 0.2 to 1 s, then dark or dull, rails 70 to 95 % (common practice)."""
    without = Supply(demo_supply())
    without.switch(True)
    without.advance(3.0, 0.1, 0.1)
    for power in (60.0, 100.0):
        supply = switched_on(Lamp(power), 0.1, 3.0)
        assert supply.lamp_state() in ("dark", "dull")
        assert 0.2 <= supply.lamp_flash.bright_s <= 1.0
        assert supply.lamp_flash.peak_brightness > 0.3
        assert 0.70 < supply.rails()[0] / without.rails()[0] < 0.95


def test_short_on_a_rail_keeps_the_lamp_bright():
    supply = switched_on(Lamp(100.0), 20.0, 5.0)
    assert supply.lamp_state() == "bright"
    assert supply.rails()[0] < 2.0
    assert supply.power_w == pytest.approx(100.0, rel=0.1)  # all the mains stands across the lamp
    assert supply.lamp_flash.bright_s > 4.5
    assert not supply.fuses_open["mains"]


def test_lamp_out_gives_full_rails_and_no_state():
    supply = switched_on(Lamp(60.0), 0.1, 3.0)
    supply.switch(False)
    supply.insert_lamp(None)
    supply.switch(True)
    supply.advance(3.0, 0.1, 0.1)
    assert supply.lamp_state() is None
    assert supply.rails()[0] > 41.0


def test_lamp_cools_while_mains_is_off():
    supply = switched_on(Lamp(100.0), 20.0, 2.0)
    hot = supply.state.filament_k
    supply.switch(False)
    supply.advance(0.5, 0.0, 0.0)
    assert supply.state.filament_k < 0.6 * hot
    assert supply.lamp_state() in ("dark", "dull")


def test_a_leaky_reservoir_lights_the_lamp_more():
    leaky = replace(demo_supply().reservoir_positive, leakage_a=0.8)
    supply = Supply(replace(demo_supply(), reservoir_positive=leaky))
    supply.insert_lamp(Lamp(60.0))
    supply.switch(True)
    supply.advance(5.0, 0.1, 0.1)
    assert supply.power_w > 1.4 * switched_on(Lamp(60.0), 0.1, 5.0).power_w
    assert supply.rails()[0] < -supply.rails()[1]


@pytest.mark.parametrize("changes", [{"power_w": 0.0}, {"rated_v": -230.0}])
def test_impossible_lamp_is_refused(changes):
    with pytest.raises(ValueError, match="Expected"):
        Lamp(**changes)
