"""Each error of the simulated sound card's converters does what its name says; expected values are closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulated_instruments.converters import (
    ConverterErrors,
    NoiseTape,
    Recorder,
    crossed,
    distorted,
    draw_converter_errors,
    interpolated,
    played,
    quantised,
)

RATE = 96000
IDEAL = ConverterErrors(
    output_full_scale_v=(2.0, 2.0), input_full_scale_v=(2.0, 2.0), latency_frames=0, rate_ppm=0.0, record_ppm=0.0,
    output_h2_db=-400.0, output_h3_db=-400.0, input_h2_db=-400.0, input_h3_db=-400.0, noise_db=-400.0,
    crosstalk_db=-400.0, input_highpass_hz=1e-9, output_ohm=100.0,
)  # fmt: skip


def tape(seed: int) -> NoiseTape:
    return NoiseTape(np.random.default_rng(seed))


def tone(frequency: float, frames: int, amplitude: float = 1.0) -> np.ndarray:
    wave = amplitude * np.sin(2 * np.pi * frequency / RATE * np.arange(frames))
    return np.column_stack([wave, wave])


def line(samples: np.ndarray, frequency: float) -> np.ndarray:
    """Amplitude of one line, by correlation over whole periods; both channels."""
    n = np.arange(len(samples))
    return np.abs(2 * np.mean(samples * np.exp(-2j * np.pi * frequency / RATE * n)[:, None], axis=0))


def test_harmonics_of_a_full_scale_sine_stand_at_their_levels():
    # cos^2 = 1/2 + cos(2x)/2; cos^3 = 3/4 cos x + 1/4 cos 3x.
    distorted_tone = distorted(tone(1000.0, 9600), -80.0, -90.0)
    np.testing.assert_allclose(line(distorted_tone, 2000.0), 1e-4, rtol=1e-9)
    np.testing.assert_allclose(line(distorted_tone, 3000.0), 10 ** (-90 / 20), rtol=1e-9)


def test_harmonics_fall_with_the_level_by_order_less_one():
    quieter = distorted(tone(1000.0, 9600, 0.1), -80.0, -90.0)
    np.testing.assert_allclose(line(quieter, 2000.0), 1e-4 * 0.1**2, rtol=1e-9)
    np.testing.assert_allclose(line(quieter, 3000.0), 10 ** (-90 / 20) * 0.1**3, rtol=1e-9)


def test_crosstalk_puts_one_channel_into_the_other():
    one_sided = tone(1000.0, 960) * np.array([1.0, 0.0])
    np.testing.assert_allclose(crossed(one_sided, -60.0)[:, 1], 1e-3 * one_sided[:, 0])


def test_quantising_noise_with_triangular_dither():
    # Total error of a TPDF-dithered quantiser is step^2 / 4, independent of the signal: Wannamaker, Lipshitz,
    # Vanderkooy, Wright, IEEE Trans. Signal Process. 48(2), 2000 (from memory: step^2/12 + step^2/6).
    step = 2.0**-23
    wave = tone(997.0, 200_000, 0.5)
    error = quantised(wave, tape(1)) - wave
    assert np.mean(error**2) == pytest.approx(step**2 / 4, rel=0.02)  # 400 000 samples: 0.3 % statistical
    assert abs(np.mean(error)) < 5 * step / 2 / np.sqrt(error.size)


def test_quantised_values_lie_on_the_24_bit_grid_and_clip_at_full_scale():
    values = quantised(tone(1000.0, 960, 1.5), tape(2))
    assert np.all(values * 2**23 == np.rint(values * 2**23))
    assert values.max() == 1.0 - 2.0**-23
    assert values.min() == -1.0


def test_output_full_scale_scales_each_channel():
    errors = replace(IDEAL, output_full_scale_v=(2.06, 1.95))
    volts = played(tone(1000.0, 9600, 0.5), errors, tape(3))
    np.testing.assert_allclose(line(volts, 1000.0), [1.03, 0.975], rtol=1e-6)


def test_output_clips_at_full_scale():
    volts = played(tone(1000.0, 960, 2.0), IDEAL, tape(3))
    assert np.max(np.abs(volts)) == pytest.approx(2.0)


def test_noise_level_is_rms_below_a_full_scale_sine():
    errors = replace(IDEAL, noise_db=-100.0, output_full_scale_v=(2.0, 2.0))
    volts = played(np.zeros((200_000, 2)), errors, tape(4))
    np.testing.assert_allclose(np.std(volts, axis=0), 2.0 / np.sqrt(2) * 1e-5, rtol=0.01)  # 0.16 % statistical


def test_recording_divides_by_full_scale_and_clips():
    recorder = Recorder(replace(IDEAL, input_full_scale_v=(2.5, 2.0)), RATE, tape(5))
    recorder.settle(np.zeros(2))
    fraction = recorder.record(tone(1000.0, 9600, 3.0))
    assert np.max(np.abs(fraction)) <= 1.0
    recorder.settle(np.zeros(2))
    np.testing.assert_allclose(line(recorder.record(tone(1000.0, 9600, 1.0)), 1000.0), [0.4, 0.5], rtol=1e-6)


def test_coupling_capacitor_is_a_first_order_highpass():
    # |H| = 1 / sqrt(1 + (fc / f)^2); the matched pole differs from it by a few parts in 10^4 at these frequencies.
    errors = replace(IDEAL, input_highpass_hz=20.0)
    recorder = Recorder(errors, RATE, tape(6))
    wave = tone(20.0, 48_000)
    recorder.settle(np.zeros(2))
    recorder.record(wave)  # ten time constants
    np.testing.assert_allclose(line(recorder.record(wave), 20.0), 0.5 / np.sqrt(2), rtol=1e-3)


def test_settled_on_dc_nothing_is_recorded_of_it_and_a_step_decays():
    errors = replace(IDEAL, input_highpass_hz=2.0)
    recorder = Recorder(errors, RATE, tape(7))
    recorder.settle(np.array([0.5, -0.2]))
    np.testing.assert_allclose(recorder.record(np.full((960, 2), [0.5, -0.2])), 0.0, atol=3e-7)
    step = recorder.record(np.full((RATE, 2), [1.5, 0.8]))
    after = round(RATE / (2 * np.pi * 2.0))  # one time constant
    assert step[0, 0] == pytest.approx(0.5, rel=1e-3)  # 1 V of 2 V full scale
    assert step[after, 0] == pytest.approx(0.5 / np.e, rel=1e-3)


def test_noise_from_a_tape_is_white_and_never_the_same_twice():
    noise = tape(9)
    first, second = noise.normal(20_000), noise.normal(20_000)
    assert np.std(first) == pytest.approx(1.0, rel=0.02)
    most = 5 / np.sqrt(20_000)  # five sigma of a correlation by chance
    assert abs(np.corrcoef(first[:, 0], second[:, 0])[0, 1]) < most
    assert abs(np.corrcoef(first[:, 0], first[:, 1])[0, 1]) < most
    assert abs(np.corrcoef(first[1:, 0], first[:-1, 0])[0, 1]) < most
    assert len(noise.normal(400_000)) == 400_000  # longer than the tape


@pytest.mark.parametrize("frequency", [1000.0, 20_000.0])
def test_interpolation_resamples_a_tone(frequency):
    wave = tone(frequency, 20_000)
    at = 100.0 + np.arange(19_000) / (1 + 200e-6)
    expected = np.sin(2 * np.pi * frequency / RATE * at)
    np.testing.assert_allclose(interpolated(wave, at)[:, 0], expected, atol=1e-5)


def test_drawn_errors_are_within_what_is_said_and_repeat():
    for seed in range(50):
        drawn = [
            draw_converter_errors(
                np.random.default_rng(seed), sample_rate=RATE, output_full_scale_v=2.0, input_full_scale_v=2.0
            )
            for _ in range(2)
        ]
        assert drawn[0] == drawn[1]
        errors = drawn[0]
        assert 0.010 * RATE <= errors.latency_frames <= 0.060 * RATE
        assert abs(errors.rate_ppm) <= 50.0
        for full_scale in (*errors.output_full_scale_v, *errors.input_full_scale_v):
            assert abs(full_scale / 2.0 - 1.0) < 0.036  # 3 % and the mismatch
        assert errors.record_ppm == 0.0
