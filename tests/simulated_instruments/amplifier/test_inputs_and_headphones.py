"""Phono equalisation against the published curve, tape monitor, headphone socket."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulated_instruments.amplifier import Drive
from tests.simulated_instruments.amplifier.playing import (
    RATE,
    StiffSupply,
    band_rms,
    db,
    line,
    settled,
    switched_on,
    tone,
)

# Replay equalisation re 1 kHz, dB: 10 lg(1+(w t2)^2) - 10 lg(1+(w t1)^2) - 10 lg(1+(w t3)^2) with 3180, 318, 75 us
# (IEC 60098; 20 Hz, 100 Hz, 10 kHz and 20 kHz are also the figures usually printed).
RIAA = [(20.0, 19.274), (100.0, 13.088), (500.0, 2.648), (2000.0, -2.589), (10000.0, -13.73), (20000.0, -19.62)]


def phono(noise: float = 0.0):
    amplifier = switched_on(stiff=StiffSupply(), noise=noise)
    amplifier.select_input("phono")
    return amplifier


def level(amplifier, frequency: float, volts: float) -> float:
    y = amplifier.render(tone(frequency, volts, seconds=0.6), RATE)[:, 0]
    return abs(line(settled(y, frequency), frequency))


@pytest.mark.parametrize(("frequency", "expected"), RIAA)
def test_phono_follows_the_published_curve(frequency, expected):
    """The line input's own response (within 0.1 dB, see test_signal) is divided out."""
    amplifier = phono()
    through = db(level(amplifier, frequency, 0.2e-3) / level(amplifier, 1000.0, 0.2e-3))
    straight = switched_on(stiff=StiffSupply())
    flat = db(level(straight, frequency, 0.05) / level(straight, 1000.0, 0.05))
    assert through - flat == pytest.approx(expected, abs=0.15)


def test_phono_sensitivity():
    """2.5 mV or so for what 150 mV do at the line input."""
    amplifier = phono()
    assert level(amplifier, 1000.0, 0.2e-3) / 0.2e-3 == pytest.approx(60.0 * 37.6, rel=0.03)


def test_phono_noise_follows_its_density():
    amplifier = phono(noise=1.0)
    amplifier.connect_inputs("shorted")
    y = np.concatenate([amplifier.render(np.zeros((48000, 2)), RATE)[:, 0] for _ in range(4)])
    stage = amplifier.design.phono
    f = np.arange(20.0, 20000.0, 5.0)
    shape = np.array([abs(stage.response(x)) for x in f])
    own = math.sqrt(np.sum((stage.noise_v * shape) ** 2) * 5.0)
    expected = own * amplifier.design.left.line.gain * amplifier.design.left.feedback.gain
    assert band_rms(y) == pytest.approx(math.hypot(expected, 110e-6), rel=0.1)


def test_tape_monitor_silences_the_source():
    amplifier = switched_on(stiff=StiffSupply())
    amplifier.select_input("line", monitor=True)
    assert level(amplifier, 1000.0, 0.05) < 1e-6
    amplifier.select_input("line")
    assert level(amplifier, 1000.0, 0.05) > 1.0


def test_headphones_silence_the_loudspeakers_and_get_their_share():
    amplifier = switched_on(stiff=StiffSupply())
    drive = Drive((0.1, 0.1))
    amplifier.plug_headphones(32.0)
    assert amplifier.probe("left_output", drive).ac_rms == 0.0
    assert not amplifier.render(tone(1000.0, 0.1), RATE).any()
    expected = amplifier.operating(0, drive).rms_v * 32.0 / (32.0 + 330.0)
    assert amplifier.headphone_volts(0, drive) == pytest.approx(expected)
    amplifier.plug_headphones(None)
    assert amplifier.headphone_volts(0, drive) == 0.0
    assert amplifier.probe("left_output", drive).ac_rms > 3.0


def test_inputs_that_are_none():
    with pytest.raises(ValueError, match="Expected line or phono"):
        switched_on(stiff=StiffSupply()).select_input("tuner")  # type: ignore[arg-type]
