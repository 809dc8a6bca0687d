"""The simulated sound card in its bench: latency, clocks, cables, and how it fails."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchtest.errors import InstrumentError, LostFrames
from simulated_instruments.bench import SimulatedBench
from simulated_instruments.sound_card import MUTE_BLOCK

RATE = 96000


def loopback(converters, seed: int = 5) -> SimulatedBench:
    bench = SimulatedBench(seed=seed, converters=converters)
    bench.operator().set({"sound_card": "loopback", "inputs": "sound_card"}, say="loop it back")
    bench.audio().start()
    return bench


def test_the_latency_is_the_drawn_one(ideal):
    bench = loopback(replace(ideal, latency_frames=3210))
    click = np.zeros((100, 2))
    click[7] = 0.9
    bench.audio().begin(click, record=(0, 5000))
    assert np.argmax(bench.audio().finish().samples, axis=0).tolist() == [3217, 3217]


def test_scale_is_full_scales_and_divider(ideal, tone):
    bench = loopback(replace(ideal, output_full_scale_v=(2.05, 1.96), input_full_scale_v=(1.97, 2.02)))
    bench.audio().begin(tone(1000.0, 9600, 0.5), repeat=4, record=(19_200, 28_800))
    samples = bench.audio().finish().samples
    amplitude = np.sqrt(2) * np.std(samples, axis=0)
    expected = 0.5 * np.array([2.05 / 1.97, 1.96 / 2.02]) / np.array(bench.truth.input_divider)
    np.testing.assert_allclose(amplitude, expected, rtol=2e-6)


def test_one_crystal_for_both_leaves_the_frequency_in_frames_alone(ideal, tone):
    bench = loopback(replace(ideal, rate_ppm=50.0))
    bench.audio().begin(tone(1000.0, 9600), repeat=20, record=(96_000, 192_000))
    assert _frequency(bench.audio().finish().samples[:, 0]) == pytest.approx(1000.0, abs=1e-4)
    assert bench.true_rate == pytest.approx(RATE * (1 + 50e-6))


@pytest.mark.parametrize("ppm", [40.0, -40.0])
def test_a_recording_crystal_of_its_own_moves_the_frequency(ideal, tone, ppm):
    """A recorder that runs fast sees fewer hertz, and no more distortion than before."""
    bench = loopback(replace(ideal, record_ppm=ppm))
    bench.audio().begin(tone(1000.0, 9600), repeat=20, record=(96_000, 192_000))
    recording = bench.audio().finish()
    assert len(recording.samples) == 96_000
    frequency = 1000.0 / (1 + ppm * 1e-6)
    assert _frequency(recording.samples[:, 0]) == pytest.approx(frequency, abs=1e-4)
    n = np.arange(96_000)
    model = np.column_stack([np.cos(2 * np.pi * frequency / RATE * n), np.sin(2 * np.pi * frequency / RATE * n)])
    fit = model @ np.linalg.lstsq(model, recording.samples[:, 0], rcond=None)[0]
    residual = recording.samples[:, 0] - fit
    assert np.std(residual) < 1e-5 * np.std(fit)  # 24 bits at 1/23 of full scale: 3e-6


def test_a_window_from_the_first_frame_works_with_two_crystals(ideal, tone):
    bench = loopback(replace(ideal, record_ppm=25.0, latency_frames=1000))
    bench.audio().begin(tone(1000.0, 960), repeat=10, record=(0, 20_000))
    recording = bench.audio().finish()
    assert (recording.first_frame, len(recording.samples)) == (0, 20_000)
    assert np.max(np.abs(recording.samples[:900])) < 1e-6
    assert np.max(np.abs(recording.samples[1100:10_500])) > 0.01


def test_muted_zeros_follow_within_a_block(bench, tone, monkeypatch):
    audio = bench.audio()
    audio.begin(tone(1000.0, 960), repeat=500, record=(0, 200_000))
    bench.clock.sleep(0.5)
    emission = audio.emission
    muted_at = emission.cursor
    audio.mute()
    bench.clock.sleep(0.5)
    assert emission.emitted_until == muted_at + MUTE_BLOCK
    assert bench.leads["left meter"].probe().ac_rms < 0.01
    assert bench.drive_now().input_rms == (0.0, 0.0)


def test_lost_frames_are_counted_and_missing(looped, tone):
    audio = looped.audio()
    audio.hooks.lose_frames = 48
    audio.begin(tone(1000.0, 9600), repeat=2, record=(9600, 19_200))
    damaged = audio.finish()
    assert damaged.lost_frames == 48
    assert len(damaged.samples) == 9600
    audio.begin(tone(1000.0, 9600), repeat=2, record=(9600, 19_200))
    whole = audio.finish()
    assert whole.lost_frames == 0
    # 48 of 96 frames a period: the second half stands upside down.
    middle = slice(5000, 5960)
    assert np.corrcoef(damaged.samples[middle, 0], whole.samples[middle, 0])[0, 1] == pytest.approx(-1.0, abs=1e-3)


def test_frames_can_be_lost_unnoticed(looped, tone):
    audio = looped.audio()
    audio.hooks.lose_frames, audio.hooks.lost_known = 48, False
    audio.begin(tone(1000.0, 9600), record=(0, 9600))
    assert audio.finish().lost_frames == 0


def test_a_silent_capture_happens_once(looped, tone):
    audio = looped.audio()
    audio.hooks.silence_captures = 1
    levels = []
    for _ in range(2):
        audio.begin(tone(1000.0, 9600), repeat=2, record=(9600, 19_200))
        levels.append(float(np.max(np.abs(audio.finish().samples))))
    assert levels[0] == 0.0
    assert levels[1] > 0.01


def test_a_cut_output_cable_silences_its_channel(bench, tone):
    audio = bench.audio()
    audio.hooks.cut_output = {0}
    audio.begin(tone(1000.0, 9600), repeat=10, record=(48_000, 57_600))
    bench.clock.sleep(0.55)
    assert bench.drive_now().input_rms[0] == 0.0
    assert bench.drive_now().input_rms[1] > 0.1
    left, right = np.std(audio.finish().samples, axis=0)
    assert left < 0.01 * right


def test_a_cut_input_cable_records_nothing_of_its_channel(looped, tone):
    audio = looped.audio()
    audio.hooks.cut_input = {1}
    audio.begin(tone(1000.0, 9600), repeat=2, record=(9600, 19_200))
    left, right = np.std(audio.finish().samples, axis=0)
    assert right < 1e-4 * left


def test_a_device_that_has_gone_is_an_error(looped, tone):
    audio = looped.audio()
    audio.begin(tone(1000.0, 9600), record=(0, 9600))
    audio.hooks.gone = True
    with pytest.raises(InstrumentError, match="gone"):
        audio.finish()
    with pytest.raises(InstrumentError, match="gone"):
        audio.begin(tone(1000.0, 9600))


def test_a_mute_in_the_middle_of_finish_ends_it(bench, tone, monkeypatch):
    """A watch in another thread mutes while finish runs: it raises instead of returning what is there."""
    audio = bench.audio()
    render = bench.amplifier.render

    def muting(volts, rate):
        audio.mute()
        return render(volts, rate)

    monkeypatch.setattr(bench.amplifier, "render", muting)
    audio.begin(tone(1000.0, 960), repeat=500, record=(0, 400_000))
    with pytest.raises(LostFrames, match="muted"):
        audio.finish()


def test_begin_before_start_is_refused(tone):
    with pytest.raises(InstrumentError, match="start"):
        SimulatedBench(seed=1).audio().begin(tone(1000.0, 960))


def _frequency(samples: np.ndarray) -> float:
    """Of one tone, from the phase advance between the two halves' middles; exact for a clean sine near 1000 Hz."""
    half = len(samples) // 2
    n = np.arange(half)
    window = np.hanning(half)
    reference = np.exp(-2j * np.pi * 1000.0 / RATE * n) * window
    first, second = (np.sum(part * reference) for part in (samples[:half], samples[half : 2 * half]))
    advance = np.angle(second / first * np.exp(-2j * np.pi * 1000.0 / RATE * half))
    return float(1000.0 + advance / (2 * np.pi * half / RATE))
