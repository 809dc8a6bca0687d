"""Time: the two ways through it agree, the mains phase runs on, looking ahead changes nothing, parts may be changed."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from simulated_instruments.amplifier.lamp import Lamp
from simulated_instruments.amplifier.rectifier import Diode
from simulated_instruments.amplifier.supply import Supply, demo_supply, with_tolerances

RATE = 96_000.0


def on(seconds: float = 2.0, current: float = 0.1) -> Supply:
    supply = Supply(demo_supply())
    supply.switch(True)
    supply.advance(seconds, current, current)
    return supply


def music(seconds: float, seed: int = 0) -> np.ndarray:
    """Currents of a class-B stage on noise: nothing repeats."""
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE)
    wave = np.convolve(rng.normal(size=n + 199), np.hanning(200), mode="valid") * 0.4
    return 0.1 + np.stack([np.maximum(wave, 0.0), np.maximum(-wave, 0.0)], axis=1)


def test_blocks_of_any_size_join_without_a_seam():
    """The audio may come in pieces: nodes then lie elsewhere, the rails stay within some millivolts."""
    whole, pieces = on(), on()
    currents = music(0.5)
    expected = whole.waveform(currents, RATE)
    found, first = [], 0
    for size in (7, 1, 4096, 4096, 97, 10_000, 1, 20_000, 48_000):
        found.append(pieces.waveform(currents[first : first + size], RATE))
        first += size
    joined = np.concatenate(found)
    assert np.abs(joined - expected[: len(joined)]).max() < 0.03
    assert np.sqrt(np.mean((joined - expected[: len(joined)]) ** 2)) < 0.006


@pytest.mark.parametrize("rate", [44_100.0, 48_000.0, 192_000.0, 768_000.0])
def test_sample_rate_does_not_matter(rate):
    ours, theirs = on(), on()
    n = round(0.2 * rate)
    tone = 4.0 * np.sin(2 * np.pi * 500.0 * np.arange(n) / rate)
    found = ours.waveform(np.stack([np.maximum(tone, 0), np.maximum(-tone, 0)], axis=1), rate)
    at = np.arange(round(0.2 * 96_000)) / 96_000
    same = 4.0 * np.sin(2 * np.pi * 500.0 * at)
    expected = theirs.waveform(np.stack([np.maximum(same, 0), np.maximum(-same, 0)], axis=1), 96_000.0)
    resampled = np.interp(at, np.arange(n) / rate, found[:, 0])
    assert np.abs(resampled - expected[:, 0])[:-10].max() < 0.05


def test_looking_ahead_leaves_the_supply_untouched():
    supply = on()
    before = supply.state
    looked = supply.waveform(music(0.1), RATE, commit=False)
    assert supply.state == before
    np.testing.assert_array_equal(supply.waveform(music(0.1), RATE), looked)
    assert supply.state != before


def test_phase_runs_on_through_advance_and_audio():
    """After 12.3456 s by whatever way the ripple is where 50 Hz has it."""
    direct, mixed = on(0.0), on(0.0)
    direct.advance(12.3456, 1.0, 1.0)
    mixed.advance(1.0001, 1.0, 1.0)
    mixed.waveform(np.ones((9_600, 2)), RATE)
    mixed.advance(12.3456 - 1.1001, 1.0, 1.0)
    assert mixed.state.phase == pytest.approx(direct.state.phase, abs=1e-9)
    ours, theirs = (s.waveform(np.ones((9_600, 2)), RATE) for s in (direct, mixed))
    assert np.abs(ours - theirs).max() < 0.02
    assert np.ptp(ours[:, 0]) > 0.8


@pytest.mark.parametrize("load", [0.1, 1.0, 4.0])
def test_closed_form_and_audio_come_to_the_same_rails(load):
    jumped, played = on(), on()
    jumped.advance(3.0, load, load)
    played.waveform(np.full((round(1.0 * RATE), 2), load), RATE)
    assert played.rails() == pytest.approx(jumped.rails(), rel=5e-4)
    assert played.power_w == pytest.approx(jumped.power_w, rel=0.01)
    assert played.mains_current == pytest.approx(jumped.mains_current, rel=0.01)


@pytest.mark.parametrize("seconds", [0.003, 0.02, 0.11, 1.0, 600.0])
def test_one_long_advance_equals_many_short(seconds):
    long, short = on(current=0.1), on(current=0.1)
    long.advance(seconds, 2.0, 1.0)
    for _ in range(7):
        short.advance(seconds / 7.0, 2.0, 1.0)
    assert short.state.v1 == pytest.approx(long.state.v1, abs=0.03)
    assert short.state.v2 == pytest.approx(long.state.v2, abs=0.03)


def test_on_the_lamp_one_long_advance_equals_many_short():
    ends = []
    for parts in (1, 50):
        supply = Supply(demo_supply())
        supply.insert_lamp(Lamp(60.0))
        supply.switch(True)
        for _ in range(parts):
            supply.advance(4.0 / parts, 0.1, 0.1)
        ends.append((supply.rails()[0], supply.state.filament_k))
    assert ends[0] == pytest.approx(ends[1], rel=0.02)


def test_a_part_changed_while_it_runs_acts_at_once():
    supply = on(current=1.0)
    before = supply.rails()
    supply.design = replace(supply.design, rectifier=replace(supply.design.rectifier, a_positive=Diode(open=True)))
    supply.advance(1.0, 1.0, 1.0)
    assert supply.rails()[0] < before[0] - 0.5
    supply.design = demo_supply()
    supply.advance(1.0, 1.0, 1.0)
    assert supply.rails() == pytest.approx(before, rel=1e-3)


def test_emptied_reservoir_stays_at_zero_and_recovers():
    supply = on()
    dry = replace(supply.design.reservoir_positive, farad=50e-6)
    supply.design = replace(supply.design, reservoir_positive=dry)
    wave = supply.waveform(np.full((9_600, 2), 3.0), RATE)
    assert wave[:, 0].min() == 0.0
    assert wave[:, 0].max() > 30.0
    supply.design = demo_supply()
    supply.advance(1.0, 0.1, 0.1)
    assert supply.rails()[0] == pytest.approx(on().rails()[0], rel=1e-3)


def test_mains_off_during_audio():
    """Nothing charges any more: the fall is the charge taken over the capacitance."""
    supply = on()
    supply.design = replace(supply.design, auxiliary=None)
    supply.switch(False)
    wave = supply.waveform(np.full((9_600, 2), 1.0), RATE)
    assert wave[0, 0] - wave[-1, 0] == pytest.approx(0.1 / 8.2e-3, rel=0.02)
    assert supply.power_w == 0.0


def test_state_goes_on_in_another_supply():
    supply = on()
    other = Supply(demo_supply(), state=supply.state)
    currents = music(0.05)
    np.testing.assert_array_equal(other.waveform(currents, RATE), supply.waveform(currents, RATE))


def test_queries_change_nothing():
    supply = on()
    before = supply.state
    supply.ripple(2.0, 2.0)
    assert supply.mains_current_rms(2.8, 2.8) > 5.0 * supply.mains_current_rms(0.1, 0.1)
    assert supply.state == before


def test_healthy_tolerances_stay_in_the_windows_of_healthy_parts():
    design = demo_supply()
    rng = np.random.default_rng(3)
    farads, rails = [], []
    for _ in range(40):
        one = with_tolerances(design, rng)
        ratio = one.reservoir_positive.farad / design.reservoir_positive.farad
        assert 0.8 <= ratio <= 1.2  # code M of IEC 60062: 20 %
        farads.append(ratio)
        supply = Supply(one)
        supply.switch(True)
        supply.advance(1.0, 0.1, 0.1)
        positive, negative = supply.rails()
        assert positive == pytest.approx(-negative, rel=0.03)  # rails alike within 3 to 5 %: common practice
        rails.append(positive)
    assert np.std(farads) > 0.03
    assert 0.1 < np.std(rails) < 0.6
    assert with_tolerances(design, np.random.default_rng(1)) == with_tolerances(design, np.random.default_rng(1))


@pytest.mark.parametrize(("currents", "rate"), [(np.zeros(5), 48e3), (np.zeros((5, 3)), 48e3), (np.zeros((5, 2)), 0.0)])
def test_waveform_refuses_what_it_cannot_use(currents, rate):
    with pytest.raises(ValueError, match="Expected"):
        on(0.1).waveform(currents, rate)


@pytest.mark.parametrize("seconds", [-1.0, float("nan")])
def test_time_does_not_run_backwards(seconds):
    with pytest.raises(ValueError, match="Expected"):
        on(0.1).advance(seconds, 0.1, 0.1)


@pytest.mark.benchmark
def test_report_speed(capsys):
    supply, currents = on(), music(1.0)
    supply.waveform(currents, RATE)
    spent = []
    for _ in range(20):
        start = time.perf_counter()
        supply.waveform(currents, RATE, commit=False)
        spent.append(time.perf_counter() - start)
    jumps = []
    for k in range(40):
        start = time.perf_counter()
        supply.advance(1.0, 0.1 + k % 2, 0.1)
        jumps.append(time.perf_counter() - start)
    with capsys.disabled():
        print(f"\nsupply: one second of audio {1.0 / np.median(spent):.0f} times real time, ", end="")
        print(f"load step of 1 s {1.0 / np.median(jumps):.0f} times")
