"""What the bench's own check finds: the truth of the simulated bench, and each thing that can be wrong with a sound card."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

import benchtest.bench
from benchtest import fitness
from benchtest.calibration import load_calibration, make_calibration, save_calibration
from benchtest.cli.verify import conclusion
from benchtest.cli.verify import verify as command
from benchtest.errors import FileError
from benchtest.safety import open_bench
from simulated_instruments.truth import bench_text


@pytest.fixture
def simulated(monkeypatch):
    """Opens benches whose simulated sound card a test has changed: the card itself, or what it recorded."""
    make = benchtest.bench._simulated_bench
    made = {}

    def change(*, prepare=None, recorded=None):
        def changed(seed, scenario, channel):
            bench = make(seed, scenario, channel)
            made["bench"] = bench
            if prepare is not None:
                prepare(bench)
            if recorded is not None:
                card, finish = bench.audio(), bench.audio().finish
                card.finish = lambda: _with_samples(finish(), recorded)
            return bench

        monkeypatch.setattr(benchtest.bench, "_simulated_bench", changed)
        return made

    return change


def _with_samples(recording, recorded):
    return replace(recording, samples=recorded(recording.samples.copy(), recording))


def found(*, watched_s=5.0, calibrate=False, seed=0):
    with open_bench(None, seed=seed, calibrate=calibrate) as bench:
        return fitness.verify(bench, watched_s=watched_s)


def test_a_healthy_bench_is_fit_and_its_figures_are_the_truth(simulated):
    made = simulated()
    result = found(calibrate=True, seed=4)
    truth = made["bench"].truth
    assert result.verdict == fitness.GOOD, [c for c in result.checks if c.verdict != fitness.GOOD]
    # Both converters' coupling is one first-order high-pass here; what passes is the drawn corner.
    assert result.check("ac_coupling_corner", "left").value == pytest.approx(
        truth.converters.input_highpass_hz, rel=0.02
    )
    # Each direction leaks by as much, in phase: the two add.
    leaks_db = -20 * math.log10(2) - truth.converters.crosstalk_db
    assert result.check("crosstalk", "left").value == pytest.approx(leaks_db, abs=1.5)
    for i, channel in enumerate(("left", "right")):
        assert result.check("load_resistance", channel).value == pytest.approx(truth.load_ohm[i], abs=0.02)
    expected = (truth.converters.latency_frames + 2 * 512) / 96000
    assert result.check("tone_off_delay").value == pytest.approx(expected, abs=0.001)


def test_two_clocks_fifty_parts_per_million_apart(simulated):
    def prepare(bench):
        bench.truth = replace(bench.truth, converters=replace(bench.truth.converters, record_ppm=50.0))

    simulated(prepare=prepare)
    # The recording clock runs faster: it counts more frames a second, so the tone looks lower.
    assert found().check("clock_offset").value == pytest.approx(-50.0, abs=0.2)


def _hook(**hooks):
    def prepare(bench):
        for name, value in hooks.items():
            setattr(bench.audio().hooks, name, value)

    return prepare


@pytest.mark.parametrize("end", ["cut_output", "cut_input"])
def test_a_dead_channel_is_named_and_no_floor_is_taken(simulated, end):
    simulated(prepare=_hook(**{end: {1}}))
    result = found()
    check = result.check("dead_input", "right")
    assert check.verdict == fitness.UNFIT
    assert "right input" in check.words
    assert result.noise_v is None
    assert "your bench, not the amplifier" in conclusion(result)


def test_both_inputs_dead(simulated):
    simulated(prepare=_hook(cut_input={0, 1}))
    assert "nothing reaches either input" in found().check("dead_input").words


def test_swapped_channels(simulated):
    simulated(recorded=lambda samples, _: samples[:, ::-1])
    result = found()
    assert result.check("swapped_channels", "left").verdict == fitness.UNFIT
    assert "Change the plugs over" in result.check("swapped_channels", "right").words


def test_a_mono_plug(simulated):
    simulated(recorded=lambda samples, _: np.repeat(samples.mean(axis=1)[:, None], 2, axis=1))
    assert found().check("joined_channels", "left").verdict == fitness.UNFIT


def test_a_volume_control_of_the_system(simulated):
    simulated(recorded=lambda samples, _: 0.5 * samples)
    result = found()
    assert result.check("level", "left").value == pytest.approx(-50.0, abs=4.0)  # % ; 3 % of tolerance and more
    assert result.check("level", "left").verdict == fitness.UNFIT
    assert result.check("level_changed_by_system", "left").verdict == fitness.GOOD


def test_a_system_that_levels_the_sound(simulated):
    def levelled(samples, _):
        peak = np.max(np.abs(samples))
        return samples * (0.3 / peak) ** 0.5 if peak > 1e-3 else samples

    simulated(recorded=levelled)
    result = found()
    # Level goes with the square root: 20 dB less comes back as 10 dB less.
    assert result.check("level_changed_by_system", "left").value == pytest.approx(-10.0, abs=0.1)
    assert result.check("level_changed_by_system", "left").verdict == fitness.UNFIT


def test_another_program_plays(simulated):
    def mixed(samples, recording):
        t = (recording.first_frame + np.arange(len(samples))) / recording.sample_rate
        return samples + 0.01 * np.sin(2 * np.pi * 440.0 * t)[:, None]

    simulated(recorded=mixed)
    check = found().check("other_sounds", "left")
    assert check.verdict == fitness.UNFIT
    assert "440 Hz" in check.words


def test_a_system_that_resamples_through_44_1_khz(simulated):
    def resampled(samples, recording):
        spectrum = np.fft.rfft(samples, axis=0)
        spectrum[np.fft.rfftfreq(len(samples), 1 / recording.sample_rate) > 22050] = 0.0
        return np.fft.irfft(spectrum, len(samples), axis=0) + 1e-6

    simulated(recorded=resampled)
    check = found().check("resampling")
    assert check.verdict == fitness.UNFIT
    assert "45.1 kHz" in check.words


def test_dropouts_that_nobody_reported_are_counted(simulated):
    seen = {"captures": 0}

    def losing(samples, recording):
        if len(samples) > 4 * recording.sample_rate:
            seen["captures"] += 1
            if seen["captures"] == 2:
                samples = np.concatenate([samples[:200_000], samples[200_037:], samples[-37:]])
        return samples

    simulated(recorded=losing)
    check = found(watched_s=15.0).check("dropouts")
    assert check.value == 1.0
    assert check.verdict == fitness.UNFIT  # four a minute
    assert "phase jumps" in check.words


def test_without_a_movable_meter_the_meter_is_not_measured(tmp_path):
    text = bench_text().replace('connected_to = "movable"', 'connected_to = "left_load"')
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    with open_bench(path, calibrate=False) as bench:
        checks = list(fitness._meter(bench))
    assert [c.verdict for c in checks] == [fitness.NOT_MEASURED]
    assert "none is movable" in checks[0].words


def test_a_load_that_is_not_what_the_file_says(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(bench_text().replace("left_ohm = 8.0", "left_ohm = 4.0"), encoding="utf-8")
    with open_bench(path, calibrate=False) as bench:
        checks = {c.title: c for c in fitness._meter(bench)}
    assert checks["load resistance left"].verdict == fitness.UNFIT
    assert checks["load resistance right"].verdict == fitness.GOOD


def test_kept_beside_the_calibration_and_used_as_its_floor(tmp_path):
    bench_file, calibration_file = tmp_path / "my.toml", tmp_path / "calibration.toml"
    bench_file.write_text(bench_text() + '\n[calibration]\nfile = "calibration.toml"\n', encoding="utf-8")
    with open_bench(None, calibrate=False) as bench:
        made = make_calibration(bench)
    save_calibration(replace(made, residual_thd_n=(0.5, 0.5), noise_v=(1.0, 1.0)), calibration_file)
    done = CliRunner().invoke(command, ["--bench", str(bench_file), "--seconds", "5", "--json"], standalone_mode=False)
    assert done.return_value == 0, done.output
    page = json.loads(done.stdout)
    assert page["file"] == str(tmp_path / "calibration.floor.json")
    kept = fitness.load_fitness(tmp_path / "calibration.floor.json")
    assert kept.verdict == page["verdict"] == fitness.GOOD
    floor = load_calibration(calibration_file)
    assert floor.noise_v == pytest.approx(kept.noise_v)
    assert floor.residual_thd_n == pytest.approx(kept.residual_thd_n)
    assert max(floor.noise_v) < 1e-3
    assert floor.output_volts_per_full_scale == pytest.approx(made.output_volts_per_full_scale)
    assert floor.own_relative == made.own_relative  # the drift of a later session is added when it is used, not kept


@pytest.mark.parametrize("text", ["", "{}", '{"format": 1}', '{"format": 2, "checks": []}', "[]"])
def test_a_floor_file_that_is_none(tmp_path, text):
    path = tmp_path / "x.floor.json"
    path.write_text(text)
    with pytest.raises(FileError, match="Verify the bench again"):
        fitness.load_fitness(path)


@pytest.mark.parametrize("corner", [0.0, 0.5, 3.0, 15.0])
def test_corner_of_a_first_order_high_pass(corner):
    frequencies = (4.0, 8.0, 16.0)
    ratios = [1 / math.sqrt(1 + (corner / f) ** 2) for f in frequencies]  # closed form of R and C
    assert fitness.corner_of(frequencies, ratios) == pytest.approx(corner, abs=1e-6)
