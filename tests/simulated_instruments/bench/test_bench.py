"""One amplifier behind all instruments, one clock; what is stated, what is true, and what is drawn from what."""

from __future__ import annotations

import math
import threading
import tomllib
from dataclasses import replace

import numpy as np
import pytest

from benchtest.bench_file import bench_from_text
from benchtest.errors import FileError
from benchtest.instruments.test_points import TEST_POINTS
from simulated_instruments.bench import SimulatedBench
from simulated_instruments.truth import PARTS

RATE = 96000


class Calls:
    """Counts the calls of one method of an object, and passes them on."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, thing: object, name: str) -> None:
        self.count = 0
        self.first_arguments: list = []
        real = getattr(thing, name)

        def counting(*arguments, **more):
            self.count += 1
            self.first_arguments.append(arguments[0])
            return real(*arguments, **more)

        monkeypatch.setattr(thing, name, counting)


# Time -----------------------------------------------------------------------------------------------------------------


def test_ten_minutes_of_waiting_render_nothing(bench, monkeypatch):
    renders, advances = Calls(monkeypatch, bench.amplifier, "render"), Calls(monkeypatch, bench.amplifier, "advance")
    before = bench.now()
    bench.clock.sleep(600.0)
    assert bench.now() - before == pytest.approx(600.0, abs=1e-9)
    assert renders.count == 0
    assert advances.count == 1
    assert math.fsum(advances.first_arguments) == pytest.approx(600.0, abs=1e-9)


def test_a_tone_that_nobody_records_is_not_rendered(bench, tone, monkeypatch):
    renders, advances = Calls(monkeypatch, bench.amplifier, "render"), Calls(monkeypatch, bench.amplifier, "advance")
    bench.audio().begin(tone(1000.0, 9600), repeat=100, record=(0, 1))  # 10 s
    bench.clock.sleep(9.0)
    assert sum(len(volts) for volts in renders.first_arguments) == 1
    assert advances.count < 5
    bench.audio().finish()


def test_what_is_rendered_is_the_window_and_a_little_before(bench, tone, monkeypatch):
    renders = Calls(monkeypatch, bench.amplifier, "render")
    bench.audio().begin(tone(1000.0, 9600), repeat=20, record=(96_000, 115_200))
    bench.audio().finish()
    # 10 ms of fade and 30 ms to settle
    assert sum(len(volts) for volts in renders.first_arguments) == 19_200 + round(0.04 * RATE)


def test_amplifier_and_bench_keep_the_same_time(bench, tone):
    """Whatever is done in between: waits of odd lengths, captures, a mute, loopback."""
    audio = bench.audio()
    offset = bench.now() - bench.amplifier.time
    for wait in (0.0, 1e-6, 0.123456, 7.0):
        audio.begin(tone(1000.0, 960), repeat=50, record=(1000, 20_000))
        bench.clock.sleep(wait)
        audio.finish()
    audio.begin(tone(1000.0, 960), repeat=50)
    bench.clock.sleep(0.1)
    audio.mute()
    bench.clock.sleep(3.0)
    audio.rearm()
    bench.operator().set({"sound_card": "loopback"}, say="loop")
    audio.begin(tone(1000.0, 960), record=(0, 20_000))
    audio.finish()
    bench.clock.sleep(1.0)
    assert bench.now() - bench.amplifier.time == pytest.approx(offset, abs=2.0 / RATE)


def test_finish_takes_the_time_of_emission_and_window(looped, tone):
    before = looped.now()
    looped.audio().begin(tone(1000.0, 9600), repeat=10, record=(0, 9600))
    looped.audio().finish()
    errors = looped.truth.converters
    expected = (96_000 + errors.latency_frames) / (RATE * (1 + errors.rate_ppm * 1e-6))
    assert looped.now() - before == pytest.approx(expected, abs=2e-6)


def test_an_event_in_the_middle_of_a_window_falls_where_it_belongs(bench, tone):
    """Mains off 1 s into a recorded tone: whole before, and gone soon after, when relay and rails have dropped."""
    audio = bench.audio()
    audio.begin(tone(1000.0, 9600, 0.1), repeat=60, record=(0, 5 * RATE))
    bench.clock.sleep(1.0)
    bench.switch_mains(False)
    samples = audio.finish().samples[:, 0]
    seconds = samples[: 5 * RATE].reshape(50, -1).std(axis=1)
    assert seconds[9] == pytest.approx(seconds[5], rel=0.01)
    assert seconds[9] > 100 * seconds[49]


# What the instruments see of each other -----------------------------------------------------------------------------


@pytest.mark.parametrize(("frequency", "level"), [(1000.0, 0.1), (1000.0, 0.8), (100.0, 0.5)])
def test_a_meter_and_the_recording_see_the_same_tone(bench, tone, frequency, level):
    """AC rms at the terminals, within 0.1 %; the recording scaled by what is true of divider and converter."""
    audio = bench.audio()
    audio.begin(tone(frequency, 9600, level), repeat=20, record=(96_000, 96_000 + 48_000))
    bench.clock.sleep(1.3)
    probes = [bench.leads[f"{channel} meter"].probe() for channel in ("left", "right")]
    samples = audio.finish().samples
    n = np.arange(len(samples))
    # True frequency of the tone in the recording: both converters run off one crystal, so it is nominal in frames.
    cosine = np.exp(-2j * np.pi * frequency / RATE * n)[:, None]
    rms = np.sqrt(2) * np.abs(np.mean(samples * cosine, axis=0))
    volts = rms * np.array(bench.truth.converters.input_full_scale_v) * np.array(bench.truth.input_divider)
    corner = bench.truth.converters.input_highpass_hz
    volts *= np.sqrt(1 + (corner / frequency) ** 2)
    np.testing.assert_allclose([probe.ac_rms for probe in probes], volts, rtol=1e-3)
    true_frequency = frequency * (1 + bench.truth.converters.rate_ppm * 1e-6)
    assert probes[0].ac_frequency_hz == pytest.approx(true_frequency, rel=1e-5)


def test_after_the_tone_the_meter_sees_none(bench, tone):
    bench.audio().begin(tone(1000.0, 9600), repeat=2, record=(0, 10))
    bench.audio().finish()
    with_tone_off = bench.leads["left meter"].probe().ac_rms
    assert with_tone_off < 0.01


def test_inputs_shorted_nothing_arrives(bench, tone):
    bench.operator().set({"inputs": "shorted"}, say="short them")
    bench.audio().begin(tone(1000.0, 9600), repeat=20, record=(96_000, 105_600))
    bench.clock.sleep(1.05)
    assert bench.leads["left meter"].probe().ac_rms < 0.01
    recorded = bench.audio().finish().samples
    n = np.arange(9600)
    tone_left = 2 * np.abs(np.mean(recorded * np.exp(-2j * np.pi * 1000.0 / RATE * n)[:, None], axis=0))
    assert np.all(tone_left < 1e-5)


def test_the_load_warms_under_power_and_cools(bench, tone):
    """8 ohm at P watts for t: first order, 0.6 K/W, 120 s, +50 ppm/K."""
    bench.operator().set({"volume": "-12 dB"}, say="up")
    cold = bench.loads[0].ohm
    audio = bench.audio()
    audio.begin(tone(1000.0, 96_000, 0.9, 0.0), repeat=60, record=(0, 10))
    bench.clock.sleep(30.0)
    power = bench.leads["left meter"].probe().ac_rms ** 2 / bench.loads[0].ohm
    assert power > 5.0
    bench.clock.sleep(28.0)
    rise = 0.6 * power * (1 - math.exp(-58.0 / 120.0))
    assert bench.loads[0].rise == pytest.approx(rise, rel=0.03)  # power itself drifts as amplifier and load warm
    assert bench.loads[1].rise < 0.05 * rise
    assert bench.loads[0].ohm / cold == pytest.approx(1 + 50e-6 * rise, rel=1e-4)
    audio.finish()
    bench.clock.sleep(3600.0)
    assert bench.loads[0].ohm == pytest.approx(cold, rel=1e-6)


# Truth and belief -----------------------------------------------------------------------------------------------------


def test_the_bench_file_is_toml_and_states_nominal_values():
    bench = SimulatedBench(seed=11)
    file = tomllib.loads(bench.bench_text())
    assert file["bench"]["simulated"] is True
    assert file["load"]["left_ohm"] == 8.0
    assert file["audio"]["left_input_divider"] == 23.3
    assert file["audio"]["output_full_scale_v"] == 2.0
    assert [meter["name"] for meter in file["dmm"]] == list(bench.leads)
    for meter in file["dmm"]:
        assert meter["connected_to"] == "movable" or meter["connected_to"] in TEST_POINTS
    assert bench.truth.load_ohm != (8.0, 8.0)


def test_a_served_bench_file_names_where_it_is_reached():
    bench = SimulatedBench(seed=11)
    file = tomllib.loads(
        bench.bench_text(
            meter_resources={name: f"TCPIP::127.0.0.1::{5000 + n}::SOCKET" for n, name in enumerate(bench.leads)},
            control_resource="127.0.0.1:6000",
            sound_card=("pulse:out", "pulse:in"),
        )
    )
    assert {meter["driver"] for meter in file["dmm"]} == {"scpi"}
    assert file["dmm"][1]["resource"] == "TCPIP::127.0.0.1::5001::SOCKET"
    first = file["dmm"][0]["accuracy"][0]
    assert (first["function"], first["range"], first["percent_of_reading"]) == ("dc_volts", 0.1, 0.005)
    assert file["operator"] == {"driver": "simulated", "resource": "127.0.0.1:6000"}
    assert file["mains_socket"] == {"driver": "simulated", "resource": "127.0.0.1:6000"}
    assert file["audio"]["driver"] == "sound_card"
    assert file["bench"]["simulated"] is True


@pytest.mark.parametrize("served", [False, True])
def test_the_bench_file_is_one_that_benchtest_takes(served):
    bench = SimulatedBench(seed=11)
    text = bench.bench_text()
    if served:
        text = bench.bench_text(
            meter_resources={name: f"TCPIP::127.0.0.1::{5000 + n}::SOCKET" for n, name in enumerate(bench.leads)},
            control_resource="127.0.0.1:6000",
            sound_card=("pulse:out", "pulse:in"),
        )
    file = bench_from_text(text, "the simulated bench")
    assert file.bench.simulated
    assert [meter.name for meter in file.dmm] == list(bench.leads)


def test_the_same_seed_gives_the_same_truth_and_another_another():
    assert repr(SimulatedBench(seed=7).truth) == repr(SimulatedBench(seed=7).truth)
    assert repr(SimulatedBench(seed=7).truth) != repr(replace(SimulatedBench(seed=8).truth, seed=7))


def test_truths_are_within_what_is_said():
    for seed in range(30):
        truth = SimulatedBench(seed=seed).truth
        assert all(abs(ohm / 8.0 - 1) <= 0.01 for ohm in truth.load_ohm)
        assert all(abs(divider / 23.3 - 1) <= 0.01 for divider in truth.input_divider)
        assert all(0.7e-6 <= volts <= 2.3e-6 for volts in truth.hum_v)
        assert all(0.1 <= ohm <= 0.3 for ohm in truth.lead_ohm.values())


def test_every_part_draws_from_the_child_of_its_place():
    """The documented order: part i draws from the i-th spawned child, so appending a part changes no other."""
    seed = 21
    child = np.random.SeedSequence(seed).spawn(len(PARTS))[PARTS.index("loads")]
    left, right = 8.0 * (1 + np.random.default_rng(child).uniform(-0.01, 0.01, 2))
    assert SimulatedBench(seed=seed).truth.load_ohm == (left, right)


def test_the_same_seed_records_the_same_samples(tone):
    recorded = []
    for _ in range(2):
        bench = SimulatedBench(seed=9)
        bench.operator().set({"inputs": "sound_card", "load": "load", "volume": "-20 dB", "mains": "on"}, say="up")
        bench.audio().start()
        bench.clock.sleep(20.0)
        bench.audio().begin(tone(1000.0, 9600), record=(0, 19_200))
        recorded.append(bench.audio().finish().samples)
    np.testing.assert_array_equal(recorded[0], recorded[1])


def test_an_unknown_scenario_is_an_error_with_the_candidates():
    with pytest.raises(FileError, match=r"'on-fire'.*healthy.*speaker-fuse-open"):
        SimulatedBench(scenario="on-fire")


def test_an_unknown_channel_is_an_error():
    with pytest.raises(FileError, match="left or right"):
        SimulatedBench(scenario="speaker-fuse-open", channel="middle")


def test_the_seed_chooses_the_channel_where_none_is_given():
    chosen = {SimulatedBench(seed=seed, scenario="speaker-fuse-open").truth.channel for seed in range(20)}
    assert chosen == {"left", "right"}
    assert SimulatedBench(seed=1, scenario="speaker-fuse-open", channel="right").truth.channel == "right"


# Blocks for a bridge --------------------------------------------------------------------------------------------------


def test_blocks_are_continuous_and_move_the_time(ideal, tone):
    bench = SimulatedBench(seed=5, converters=ideal)
    bench.operator().set({"sound_card": "loopback"}, say="loop")
    before = bench.now()
    emitted = tone(1000.0, 9600)
    recorded = np.concatenate([bench.render_block(emitted[n : n + 777]) for n in range(0, 9600, 777)])
    np.testing.assert_allclose(recorded, emitted / np.array(bench.truth.input_divider), atol=2e-6)
    assert bench.now() - before == pytest.approx(0.1, abs=1e-9)


def test_blocks_and_captures_record_the_same(tone):
    """The same tone through both doors: amplitude within 0.01 %."""
    amplitudes = []
    for by_blocks in (False, True):
        bench = SimulatedBench(seed=5)
        bench.operator().set({"inputs": "sound_card", "load": "load", "volume": "-20 dB", "mains": "on"}, say="up")
        bench.audio().start()
        bench.clock.sleep(30.0)
        if by_blocks:
            blocks = [bench.render_block(tone(1000.0, 960)) for _ in range(60)]
            samples = np.concatenate(blocks)[-9600:]
        else:
            bench.audio().begin(tone(1000.0, 960), repeat=60, record=(48_000, 57_600))
            samples = bench.audio().finish().samples
        n = np.arange(9600)
        amplitudes.append(np.abs(np.mean(samples * np.exp(-2j * np.pi / 96 * n)[:, None], axis=0)))
    np.testing.assert_allclose(amplitudes[0], amplitudes[1], rtol=1e-4)


def test_a_meter_hears_what_comes_in_blocks(looped, tone):
    """50 Hz in blocks of 21 ms: the rms of whole cycles all the same; silence is silence at once."""
    looped.move_leads("bench meter", "sound_card_output_right")
    emitted = tone(50.0, 20_480, 0.4, 0.2)
    for block in np.split(emitted, 10):
        looped.render_block(block)
    probe = looped.leads["bench meter"].probe()
    assert probe.ac_rms == pytest.approx(0.2 / math.sqrt(2) * looped.truth.converters.output_full_scale_v[1], rel=1e-4)
    assert probe.ac_frequency_hz == pytest.approx(50.0, rel=1e-4)
    looped.render_block(np.zeros((2048, 2)))
    assert looped.leads["bench meter"].probe().ac_rms == 0.0


def test_a_live_bench_jumps_while_nothing_plays():
    bench = SimulatedBench(seed=5, live=True)
    assert bench.playing() is False
    bench.clock.sleep(600.0)
    assert bench.now() == 600.0


def test_a_live_bench_waits_for_the_audio_while_it_plays(tone):
    bench = SimulatedBench(seed=5, live=True)
    bench.operator().set({"sound_card": "loopback"}, say="loop")
    bench.render_block(tone(1000.0, 960))
    assert bench.playing() is True
    start = bench.now()
    woken_at: list[float] = []

    def wait() -> None:
        bench.clock.sleep(0.05)
        woken_at.append(bench.now())

    thread = threading.Thread(target=wait)
    thread.start()
    while thread.is_alive():
        bench.render_block(tone(1000.0, 480))  # 5 ms each
    thread.join()
    assert woken_at[0] >= start + 0.05
