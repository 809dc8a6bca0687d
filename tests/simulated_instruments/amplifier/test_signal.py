"""Gain, response, noise, hum, crosstalk, controls: each parameter does what its physics says."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from simulated_instruments.amplifier import SILENCE as QUIET
from simulated_instruments.amplifier import Drive, demo_amplifier
from simulated_instruments.amplifier.controls import Balance, Tone, VolumeTrack
from simulated_instruments.amplifier.design import Crosstalk
from simulated_instruments.amplifier.noise import Flicker, mains_sine, white
from tests.simulated_instruments.amplifier.playing import (
    GAIN_HINT,
    RATE,
    StiffSupply,
    band_rms,
    db,
    harmonics,
    line,
    played,
    settled,
    switched_on,
    thd,
    tone,
)


def level(amplifier, frequency: float, volts: float = 0.05, channel: int = 0) -> float:
    y = settled(amplifier.render(tone(frequency, volts), RATE)[:, channel], frequency)
    return abs(line(y, frequency))


def test_gain_is_that_of_the_dividers():
    """Input divider, line stage, 1 + Rf / Rg, output divider, all from the design's resistors."""
    amplifier = switched_on(stiff=StiffSupply())
    d = amplifier.design
    path = d.selector.left
    expected = path.resistance_ohm / (path.resistance_ohm + path.series_ohm + 100.0)
    expected *= d.left.line.gain * (1.0 + d.left.feedback.series_ohm / d.left.feedback.shunt_ohm)
    expected *= 8.0 / (8.0 + amplifier.path(0).series_ohm + amplifier.output_ohm(0, 1000.0))
    assert level(amplifier, 1000.0) / 0.05 == pytest.approx(expected, rel=2e-3)


def test_both_channels_are_alike_within_a_third_of_a_decibel():
    amplifier = switched_on()
    y = settled(played(amplifier, 1000.0, 2.83), 1000.0)
    assert abs(db(float(np.std(y[:, 0]) / np.std(y[:, 1])))) < 0.3


@pytest.mark.parametrize("frequency", [10.0, 20.0, 100.0, 5000.0, 20000.0])
def test_response_is_the_product_of_first_order_sections(frequency):
    """Coupling and feedback capacitors below, input pole and closed loop above; all corners from component values."""
    amplifier = switched_on(stiff=StiffSupply())
    d = amplifier.design
    coupling = 1 / (2 * math.pi * d.left.coupling.capacitance_f * d.controls.volume[0].resistance_ohm)
    feedback = 1 / (2 * math.pi * d.left.feedback.shunt_ohm * d.left.feedback.capacitance_f)
    gain = d.left.feedback.gain
    closed = (
        d.left.gain_stage.gain_bandwidth_hz / gain + d.left.gain_stage.gain_bandwidth_hz / d.left.gain_stage.dc_gain
    )
    jf = 1j * frequency
    expected = (jf / (jf + coupling)) * ((1 / gain * feedback + jf) / (feedback + jf))
    expected /= (1 + jf / closed) * (1 + jf / d.left.gain_stage.input_pole_hz)
    jk = 1000j
    reference = (jk / (jk + coupling)) * ((1 / gain * feedback + jk) / (feedback + jk))
    reference /= (1 + jk / closed) * (1 + jk / d.left.gain_stage.input_pole_hz)
    found = level(amplifier, frequency) / level(amplifier, 1000.0)
    assert db(found) == pytest.approx(db(abs(expected / reference)), abs=0.1)


def test_error_feedback_divides_what_the_output_stage_adds():
    """THD at 1 kHz goes as one over the loop gain: half the gain-bandwidth, twice the distortion."""
    design = demo_amplifier()

    def distortion(bandwidth: float) -> float:
        stage = replace(design.left.gain_stage, gain_bandwidth_hz=bandwidth)
        d = replace(design, left=replace(design.left, gain_stage=stage))
        return thd(played(switched_on(d, stiff=StiffSupply()), 1000.0, 2.83)[:, 0], 1000.0)

    assert distortion(0.9e6) == pytest.approx(2.0 * distortion(1.8e6), rel=0.1)


def test_distortion_rises_with_frequency():
    amplifier = switched_on()
    low = harmonics(played(amplifier, 500.0, 15.0)[:, 0], 500.0, range(1, 3))
    high = harmonics(played(amplifier, 5000.0, 15.0)[:, 0], 5000.0, range(1, 3))
    # the second harmonic's loop gain falls by ten from 1 to 10 kHz
    assert (high[1] / high[0]) / (low[1] / low[0]) == pytest.approx(10.0, rel=0.35)


def test_healthy_distortion():
    amplifier = switched_on()
    assert 1e-5 < thd(played(amplifier, 1000.0, 2.83)[:, 0], 1000.0) < 5e-4
    assert thd(played(amplifier, 1000.0, 15.5)[:, 0], 1000.0) < 5e-4


def test_low_bias_makes_odd_harmonics_that_double_as_the_level_halves():
    design = demo_amplifier()
    bias = replace(design.left.bias, trim_v=-0.5)
    amplifier = switched_on(replace(design, left=replace(design.left, bias=bias)), stiff=StiffSupply())
    loud, quiet = (harmonics(played(amplifier, 1000.0, v)[:, 0], 1000.0, range(1, 10)) for v in (8.0, 4.0))
    odd = loud[2::2] / loud[0]
    assert odd[0] > 3e-4
    assert np.all(odd[1:] < odd[:-1])
    assert odd[3] > 0.2 * odd[0], "slowly falling 3-5-7-9"
    assert loud[2] > 3.0 * loud[1]
    assert (quiet[2] / quiet[0]) / (loud[2] / loud[0]) == pytest.approx(2.0, rel=0.25)


def test_noise_follows_the_stated_densities():
    """White densities add in power: line stage, input pair, track resistance, source; then the gain."""
    for volume_db in (0.0, -math.inf):
        amplifier = switched_on(noise=1.0, inputs="shorted", volume_db=volume_db)
        y = np.concatenate([amplifier.render(np.zeros((48000, 2)), RATE)[:, 0] for _ in range(4)])
        d = amplifier.design.left
        power = (d.line.noise_v * d.line.gain) ** 2 + d.input_stage.noise_v**2
        if volume_db == 0.0:
            power += (4.07e-9 * math.sqrt(0.47) * d.line.gain) ** 2  # 470 ohm at 4.07 nV per root kilohm-hertz
        expected = math.sqrt(power * 20e3) * d.feedback.gain
        assert band_rms(y, 200.0, 20200.0) == pytest.approx(expected, rel=0.06)
        assert 60e-6 < expected < 150e-6


def test_hum_lines_are_below_a_tenth_of_a_millivolt():
    amplifier = switched_on(noise=0.0, inputs="shorted")
    y = amplifier.render(np.zeros((96000, 2)), RATE)
    for frequency in (50.0, 100.0, 150.0, 200.0, 250.0, 300.0):
        assert abs(line(y[:, 0], frequency)) < 100e-6
    assert abs(line(y[:, 0], 50.0)) == pytest.approx(amplifier.design.left.magnetic_hum_v, rel=0.05)


def test_hum_at_twice_the_mains_is_the_ripple_times_the_rejection():
    """Both rails given the ripple of the real supply; the terminals' 100 Hz line is their weighted sum."""
    amplifier = switched_on(noise=0.0, inputs="shorted")
    supply = amplifier.supply
    drawn = amplifier.drawn(QUIET)
    rails = supply.waveform(np.tile([drawn], (96000, 1)), RATE, commit=False)
    r = amplifier.design.left.rejection
    expected = abs(line(rails[:, 0], 100.0) * r.positive + line(rails[:, 1], 100.0) * r.negative)
    y = amplifier.render(np.zeros((96000, 2)), RATE)
    assert abs(line(y[:, 0], 100.0)) == pytest.approx(expected, rel=0.1)


def test_the_ripple_a_meter_sees_goes_evenly_with_the_idle_current(monkeypatch):
    """A current that drifts by a milliampere moves it by a milliampere's share, with no step on the way."""
    amplifier = switched_on(inputs="shorted")
    seen = []
    currents = np.arange(0.150, 0.210, 0.001)
    for amperes in currents:
        monkeypatch.setattr(amplifier, "drawn_exactly", lambda points, amperes=amperes: (amperes, amperes))
        seen.append(amplifier.rail_ripple(QUIET)[0])
    steps = np.diff(seen)
    assert np.all(steps > 0.0)
    assert np.max(steps) < 2.0 * np.median(steps)  # ten times it where it went in steps of ten milliamperes


def test_ground_loop_hum_enters_with_the_cable():
    amplifier = switched_on(noise=0.0)
    amplifier.connect_inputs("source", 100.0, (0.5e-3, 0.0))
    y = amplifier.render(np.zeros((96000, 2)), RATE)
    assert abs(line(y[:, 0], 50.0)) == pytest.approx(0.5e-3 * 37.6, rel=0.05)
    assert abs(line(y[:, 0], 150.0)) > 0.2 * abs(line(y[:, 0], 50.0))
    assert abs(line(y[:, 1], 50.0)) < 1e-3
    amplifier.connect_inputs("shorted")
    y = amplifier.render(np.zeros((96000, 2)), RATE)
    assert abs(line(y[:, 0], 50.0)) < 100e-6


@pytest.mark.parametrize(("frequency", "at_most"), [(1000.0, -62.0), (10000.0, -45.0)])
def test_crosstalk(frequency, at_most):
    """Shared ground and capacitance in quadrature, from the design's values; the supply adds little."""
    amplifier = switched_on(noise=0.0)
    y = settled(amplifier.render(tone(frequency, 2.83 / 37.6, 0.0), RATE), frequency)
    found = db(abs(line(y[:, 1], frequency)) / abs(line(y[:, 0], frequency)))
    c = amplifier.design.crosstalk
    expected = db(math.hypot(c.shared, 2 * math.pi * frequency * c.capacitance_f * c.impedance_ohm))
    assert found == pytest.approx(expected, abs=1.5)
    assert found < at_most


def test_volume_and_its_tracking():
    track = VolumeTrack(tracking_full_db=0.1, tracking_db_per_20db=-0.5)
    assert db(track.gain(0.0)) == pytest.approx(0.1)
    assert db(track.gain(-40.0)) == pytest.approx(-40.0 + 0.1 - 1.0)
    amplifier = switched_on(stiff=StiffSupply())
    full = level(amplifier, 1000.0)
    amplifier.set_volume(-20.0)
    amplifier.advance(1.0)
    assert db(level(amplifier, 1000.0) / full) == pytest.approx(-20.0, abs=0.1)
    amplifier.set_volume(-math.inf)
    amplifier.advance(1.0)
    assert level(amplifier, 1000.0) < 1e-3 * full


def test_balance_leaves_the_favoured_side_alone():
    assert [Balance().gain(p, 0) for p in (-1.0, 0.0, 0.5, 1.0)] == [1.0, 1.0, 0.5, 0.0]
    assert [Balance().gain(p, 1) for p in (-1.0, -0.5, 0.0, 1.0)] == [0.0, 0.5, 1.0, 1.0]


def test_tone_controls_shelve_the_ends_and_defeat_takes_them_out():
    amplifier = switched_on(stiff=StiffSupply())
    flat = {f: level(amplifier, f) for f in (20.0, 1000.0, 20000.0)}
    amplifier.set_tone(6.0, -6.0, defeat=False)
    amplifier.advance(1.0)
    assert db(level(amplifier, 20.0) / flat[20.0]) == pytest.approx(6.0, abs=0.6)
    assert db(level(amplifier, 20000.0) / flat[20000.0]) == pytest.approx(-6.0, abs=0.6)
    assert db(level(amplifier, 1000.0) / flat[1000.0]) == pytest.approx(0.0, abs=0.7)
    amplifier.set_tone(6.0, -6.0, defeat=True)
    amplifier.advance(1.0)
    assert level(amplifier, 20.0) == pytest.approx(flat[20.0], rel=1e-3)
    assert Tone().sections(0.0, 0.0, defeat=False) == ()


def test_slew_limit_turns_a_fast_sine_into_a_triangle():
    """A sine of peak V at f is steeper than S when 2 pi f V > S; fully slewed its peak is S / (4 f)."""
    design = demo_amplifier()
    stage = replace(design.left.gain_stage, slew_v_per_s=0.8e6, degeneration=0.0)
    amplifier = switched_on(replace(design, left=replace(design.left, gain_stage=stage)), stiff=StiffSupply())
    y = settled(played(amplifier, 16000.0, 21.0)[:, 0], 16000.0)
    share = amplifier.path(0).share
    assert np.abs(np.diff(y)).max() * RATE <= 0.8e6 * share * 1.3
    # a triangle's fundamental is 8 / pi^2 of its peak
    peak = math.sqrt(2) * abs(line(y, 16000.0)) * math.pi**2 / 8
    assert peak == pytest.approx(0.8e6 / (4 * 16000.0), rel=0.1)


def test_slewing_distortion_grows_with_frequency_and_level():
    design = demo_amplifier()
    stage = replace(design.left.gain_stage, slew_v_per_s=3e6, degeneration=20.0)
    amplifier = switched_on(replace(design, left=replace(design.left, gain_stage=stage)), stiff=StiffSupply())

    def third(frequency: float, volts: float) -> float:
        found = harmonics(played(amplifier, frequency, volts)[:, 0], frequency, range(1, 4))
        return float(found[2] / found[0])

    # the bend's cubic term: error voltage with the cube of the slope, 2 pi f V; relative to V that is f^3 V^2
    assert third(8000.0, 10.0) / third(4000.0, 10.0) == pytest.approx(8.0, rel=0.3)
    assert third(8000.0, 10.0) / third(8000.0, 5.0) == pytest.approx(4.0, rel=0.3)


@pytest.mark.parametrize("volts", [0.3, 15.0, 24.5])
@pytest.mark.parametrize("block", [1024, 8192, 5000])
def test_streaming_in_blocks_gives_what_one_call_gives(volts, block):
    """To one twenty-thousandth of the level: what heats in between (fuse, junctions) is taken once a block."""
    stimulus = tone(1000.0, volts / 37.6, seconds=0.4)
    whole = switched_on(stiff=StiffSupply(36.0, -36.0)).render(stimulus, RATE)
    amplifier = switched_on(stiff=StiffSupply(36.0, -36.0))
    parts = [amplifier.render(stimulus[i : i + block], RATE) for i in range(0, len(stimulus), block)]
    np.testing.assert_allclose(np.concatenate(parts), whole, atol=5e-5 * volts + 1e-6)


def test_output_lags_by_the_stated_frames():
    amplifier = switched_on(stiff=StiffSupply(), load=math.inf)
    x = tone(1000.0, 0.01, seconds=0.2)
    y = amplifier.render(x, RATE)
    lag = amplifier.latency_frames
    part = slice(4800 + lag, 14400 + lag)
    phase = np.angle(line(y[part, 0], 1000.0) / line(x[4800:14400, 0], 1000.0))
    # what is left is the phase of the circuit itself: a degree or so at 1 kHz
    assert abs(phase) < 0.03


def test_render_refuses_what_is_no_signal():
    amplifier = switched_on(stiff=StiffSupply())
    with pytest.raises(ValueError, match="shape"):
        amplifier.render(np.zeros(10), RATE)
    with pytest.raises(ValueError, match="not finite"):
        amplifier.render(np.full((10, 2), np.nan), RATE)
    with pytest.raises(ValueError, match="sample rate"):
        amplifier.render(np.zeros((10, 2)), 0.0)
    assert amplifier.render(np.zeros((0, 2)), RATE).shape == (0, 2)


def test_noise_from_the_pool_is_white_and_never_the_same():
    rng = np.random.default_rng(0)
    one, two = white(rng, 8192, 1.0), white(rng, 8192, 1.0)
    assert np.std(one) == pytest.approx(1.0, abs=0.05)
    assert abs(np.corrcoef(one, two)[0, 1]) < 0.06
    spectrum = np.abs(np.fft.rfft(one)) ** 2
    assert spectrum[1:2000].mean() == pytest.approx(spectrum[2000:4000].mean(), rel=0.12)


def test_flicker_noise_rises_three_decibels_an_octave():
    y = Flicker(np.random.default_rng(1))(960000, RATE, 1e-9, 300.0)
    power = np.abs(np.fft.rfft(y)) ** 2
    f = np.fft.rfftfreq(len(y), 1 / RATE)
    density = [power[(f > low) & (f < 2 * low)].mean() for low in (2.0, 8.0, 32.0, 128.0)]
    ratios = 10 * np.log10(np.array(density[:-1]) / density[1:])
    np.testing.assert_allclose(ratios, 6.0, atol=2.0)  # two octaves each


def test_mains_sine_is_a_sine():
    t = 12.345 + np.arange(1000) / RATE
    np.testing.assert_allclose(mains_sine(314.159, 12.345, 1000, RATE), np.sin(314.159 * t), atol=1e-9)


@pytest.mark.parametrize("load", [8.0, 4.0, math.inf])
@pytest.mark.parametrize("frequency", [50.0, 1000.0, 10000.0, 20000.0])
def test_a_meter_and_a_recording_agree(frequency, load):
    """Two ways through the same circuit, closed form and rendered: crosstalk, what feedback leaves of the output
    stage's loss, and the coil all count in both."""
    amplifier = switched_on(seconds=600.0, load=load)
    volts = 2.0 / GAIN_HINT
    heard = settled(amplifier.render(tone(frequency, volts, seconds=0.6), RATE), frequency, skip_s=0.3)
    for channel, name in enumerate(("left", "right")):
        seen = amplifier.probe(f"{name}_output", Drive((volts, volts), frequency)).ac_rms
        assert abs(line(heard[:, channel], frequency)) == pytest.approx(seen, rel=1e-3)


def test_capacitive_crosstalk_turns_the_phase_by_a_quarter():
    """jw C R: with one channel driven, the other's share is in quadrature and rises with frequency."""
    amplifier = switched_on(replace(demo_amplifier(), crosstalk=Crosstalk(capacitance_f=70e-12, shared=0.0)))
    for frequency in (1000.0, 10000.0, 20000.0):
        y = settled(amplifier.render(tone(frequency, 0.02, 0.0), RATE), frequency)
        ratio = line(y[:, 1], frequency) / line(y[:, 0], frequency)
        expected = 2j * math.pi * frequency * 70e-12 * 6.8e3
        assert abs(ratio) == pytest.approx(abs(expected), rel=0.04)
        assert abs(np.angle(ratio / expected)) < 0.02
