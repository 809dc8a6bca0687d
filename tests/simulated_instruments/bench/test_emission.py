"""What is emitted when, told by closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from benchtest import signals
from simulated_instruments.emission import Emission, strength, stretches

RATE = 96000.0


def tone(frequency: float, frames: int, left: float = 1.0, right: float = 1.0) -> np.ndarray:
    return np.sin(2 * np.pi * frequency / RATE * np.arange(frames))[:, None] * np.array([left, right])


def emission(stimulus: np.ndarray, **changes) -> Emission:
    values = {"repeat": 1, "record": (0, 100), "start": 10.0, "rate": RATE, "latency": 1000, "settle": 200} | changes
    return Emission(stimulus=stimulus, **values)


@pytest.mark.parametrize("frequency", [23.0, 997.0, 19_997.0])
def test_strength_of_a_cut_sine_is_that_of_whole_cycles(frequency):
    # Whole cycles leave at most one sample of a whole cycle's power in doubt, and it lies at a zero crossing.
    (left, right), found = strength(tone(frequency, 30_011, 0.8, 0.1), RATE)
    assert left == pytest.approx(0.8 / np.sqrt(2), rel=2e-4)
    assert right == pytest.approx(0.1 / np.sqrt(2), rel=2e-4)
    assert found == pytest.approx(frequency, rel=1e-4)


def test_silence_has_no_frequency():
    assert strength(np.zeros((100, 2)), RATE) == ((0.0, 0.0), 0.0)


def test_a_steady_tone_is_one_stretch_and_a_step_two():
    assert len(stretches(tone(1000.0, 960_000), RATE)) == 1
    stepped = np.concatenate([tone(1000.0, 48_000), tone(1000.0, 48_000, 0.5, 0.5)])
    found = stretches(stepped, RATE)
    assert [(stretch.first, stretch.stop) for stretch in found] == [(0, 48_000), (48_000, 96_000)]
    assert found[1].rms[0] == pytest.approx(0.5 / np.sqrt(2), rel=1e-6)


def test_a_fade_is_followed_in_pieces():
    faded = tone(1000.0, 48_000) * np.linspace(0.0, 1.0, 48_000)[:, None]
    found = stretches(faded, RATE)
    assert len(found) == 10  # 50 ms each
    middles = [(stretch.first + stretch.stop) / 2 / 48_000 for stretch in found]
    np.testing.assert_allclose([s.rms[0] for s in found[3:]], np.array(middles[3:]) / np.sqrt(2), rtol=0.01)


def test_emitted_frames_come_after_the_latency_and_repeat():
    stimulus = tone(1000.0, 300)
    e = emission(stimulus, repeat=3)
    frames = e.emitted(0, 2500)
    assert not frames[:1000].any()
    np.testing.assert_array_equal(frames[1000:1900], np.tile(stimulus, (3, 1)))
    assert not frames[1900:].any()
    np.testing.assert_array_equal(e.emitted(1250, 1350), frames[1250:1350])


def test_a_cut_ends_it():
    e = emission(tone(1000.0, 300), repeat=3)
    e.cut = 1100
    assert not e.emitted(1100, 1900).any()
    assert e.emitted(1000, 1100).any()
    assert e.emitted_until == 1100


@pytest.mark.parametrize("record", [(0, 4000), (2500, 6000), (9000, 20_000)])
def test_changes_lead_through_everything_once(record):
    """Walking from change to change reaches the end, and nothing changes in between."""
    stimulus = np.concatenate([tone(1000.0, 4800), tone(1000.0, 4800, 0.5, 0.5)])
    e = emission(stimulus, repeat=2, record=record)
    frame = 0
    while frame < e.last:
        stop = e.next_change(frame)
        assert stop > frame
        states = {
            (e.rendering(f), e.rendering(f) or e.stretch_at(f)) for f in (frame, (frame + stop - 1) // 2, stop - 1)
        }
        assert len(states) == 1
        frame = stop
    assert frame == e.last


def test_time_and_frames_correspond():
    e = emission(tone(1000.0, 300), record=(0, 96_000))
    assert e.frame_at(e.time_of(12_345)) == 12_345
    assert e.frame_at(e.start + 3600.0) == e.last


def test_a_short_fade_counts_to_its_tone():
    """What a tone with 50 ms fades heats is told by the tone: the fades' frames count to it, their level does not."""
    plain = tone(1000.0, 48_000)
    faded = signals.faded(plain, RATE, 0.05)
    (found,) = stretches(faded, RATE)
    assert (found.first, found.stop) == (0, 48_000)
    assert found.rms == pytest.approx(stretches(plain, RATE)[0].rms, rel=1e-6)
