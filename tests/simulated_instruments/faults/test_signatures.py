"""Each fault shows at the model's terminals as the trade's signature table says, for several draws of its severity.

The table: faults and their electrical signatures (common practice; rows 1 to 34). Figures in it: half-wave 43.5 % THD,
gain falls by about 28 dB, 0.5 ohm in series is a damping factor of 16, and so on.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from simulated_instruments.amplifier import SILENCE, Amplifier, Drive, demo_amplifier, with_tolerances
from simulated_instruments.faults import SCENARIOS
from tests.simulated_instruments.amplifier.playing import RATE, band_rms, db, harmonics, line, settled, thd, tone

SEEDS = [0, 1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(2, 20))]
BAD, GOOD = 0, 1  # the fault is put into the left channel
GAIN = 37.6


def switched_on(name: str, seed: int, *, seconds=60.0, load=8.0, inputs="source", noise=0.0, volume=0.0, lamp=None):
    design = with_tolerances(demo_amplifier(), np.random.default_rng(seed))
    design = SCENARIOS[name].apply(design, "left", np.random.default_rng([seed, 1]))
    amplifier = Amplifier(design, rng=np.random.default_rng(seed), noise_scale=noise)
    amplifier.connect_load(load, load)
    amplifier.connect_inputs(inputs, 100.0 if inputs == "source" else 0.0)
    amplifier.set_volume(volume)
    amplifier.insert_lamp(lamp)
    amplifier.switch_mains(True)
    amplifier.advance(seconds)
    return amplifier


def play(amplifier, frequency: float, volts: float, right: float | None = None, *, seconds: float = 0.4):
    y = amplifier.render(tone(frequency, volts / GAIN, None if right is None else right / GAIN, seconds=seconds), RATE)
    return settled(y, frequency)


def level_db(amplifier, frequency: float, volts: float = 2.83) -> float:
    """Of the bad channel against the good one."""
    y = play(amplifier, frequency, volts)
    return db(abs(line(y[:, BAD], frequency)) / abs(line(y[:, GOOD], frequency)))


def relative(amplifier, frequency: float, volts: float, channel: int = BAD, highest: int = 9) -> np.ndarray:
    """Harmonics 2.. over the fundamental."""
    found = harmonics(play(amplifier, frequency, volts)[:, channel], frequency, range(1, highest + 1))
    return found[1:] / found[0]


def silence(amplifier, seconds: float = 1.0) -> np.ndarray:
    return amplifier.render(np.zeros((round(seconds * RATE), 2)), RATE)


def dc(amplifier, point: str) -> float:
    return amplifier.probe(point).dc


each_seed = pytest.mark.parametrize("seed", SEEDS)


def test_healthy_is_the_reference():
    amplifier = switched_on("healthy", 0)
    assert abs(dc(amplifier, "left_output")) < 0.05
    assert abs(level_db(amplifier, 1000.0)) < 0.5
    assert thd(play(amplifier, 1000.0, 2.83)[:, BAD], 1000.0) < 1e-3


# 1, 11: devices shorted, feedback open


@each_seed
def test_output_stage_shorted(seed):
    amplifier = switched_on("output-stage-shorted", seed, load=1000.0, inputs="shorted")
    assert abs(dc(amplifier, "left_output")) > 35.0
    assert abs(dc(amplifier, "right_output")) < 0.05
    y = play(amplifier, 1000.0, 2.83)
    assert abs(line(y[:, BAD], 1000.0)) < 0.02


@each_seed
def test_output_pair_shorted(seed):
    amplifier = switched_on("output-pair-shorted", seed, seconds=8.0, lamp=60.0)
    assert amplifier.supply.lamp_state() == "bright"
    assert not amplifier.relay.closed
    amplifier = switched_on("output-pair-shorted", seed, seconds=8.0)
    assert amplifier.supply.fuses_open["positive"] or amplifier.supply.fuses_open["negative"]
    assert not amplifier.relay.closed


@each_seed
def test_feedback_resistor_open(seed):
    amplifier = switched_on("feedback-resistor-open", seed)
    assert abs(dc(amplifier, "left_amplifier_output")) > 35.0
    assert not amplifier.relay.closed
    assert dc(amplifier, "left_output") == 0.0


# 2, 3, 4: halves, rails, parallel devices


@each_seed
def test_output_half_open(seed):
    amplifier = switched_on("output-half-open", seed, inputs="shorted")
    assert abs(dc(amplifier, "left_output")) < 0.05, "small at idle"
    amplifier.connect_inputs("source")
    y = play(amplifier, 1000.0, 1.0)[:, BAD]
    found = harmonics(y, 1000.0, range(1, 6))
    assert found[1] / found[0] > 0.1, "strong even"
    assert abs(y.mean()) > 0.1, "shifts with signal"
    assert min(y.max(), -y.min()) < 0.8 < max(y.max(), -y.min()), "one polarity clips at very low power"
    unloaded = switched_on("output-half-open", seed, load=1000.0)
    assert abs(level_db(unloaded, 1000.0)) < 0.5, "gain falls under load only"


@each_seed
def test_rail_missing(seed):
    amplifier = switched_on("rail-missing", seed)
    rails = amplifier.supply.rails()
    assert min(abs(rails[0]), abs(rails[1])) == 0.0
    living = 1.0 if rails[0] > 0.0 else -1.0
    assert 0.3 < living * dc(amplifier, "left_output") < 5.0
    y = play(amplifier, 1000.0, 8.0, seconds=0.25)[:, BAD]
    # half a sine: even harmonics, 43.5 % of the fundamental; the offset lets a little more through
    assert thd(y, 1000.0) == pytest.approx(0.435, abs=0.04)
    found = harmonics(y, 1000.0, range(1, 5))
    assert found[1] > 3.0 * found[2]


@each_seed
def test_parallel_device_open(seed):
    amplifier = switched_on("parallel-device-open", seed, load=4.0)
    emitters = [dc(amplifier, f"left_emitter_resistor_{n}") for n in range(1, 5)]
    assert sorted(emitters)[0] == 0.0 < sorted(emitters)[1]
    assert abs(dc(amplifier, "left_output")) < 0.05
    assert abs(level_db(amplifier, 1000.0, 1.0)) < 0.3
    four = play(amplifier, 1000.0, 14.0)
    assert thd(four[:, BAD], 1000.0) > 5.0 * thd(four[:, GOOD], 1000.0), "worse in 4 ohm"
    assert thd(four[:, BAD], 1000.0) > 0.01


# 5, 6: bias


@each_seed
def test_bias_low(seed):
    amplifier = switched_on("bias-low", seed)
    assert dc(amplifier, "left_emitter_resistor_1") < 1e-3 < dc(amplifier, "right_emitter_resistor_1")
    one_watt, half = relative(amplifier, 1000.0, 2.83), relative(amplifier, 1000.0, 1.415)
    assert one_watt[1] > 1e-3, "third"
    assert one_watt[1] > 3.0 * one_watt[0], "odd"
    odd = one_watt[1::2]
    assert np.all(np.diff(odd) < 0.0), "slowly falling 3-5-7-9"
    assert odd[3] > 0.15 * odd[0], "slowly falling 3-5-7-9"
    assert half[1] / one_watt[1] == pytest.approx(2.0, rel=0.25), "doubles when level halves"
    assert relative(amplifier, 1000.0, 15.0)[1] < 0.4 * one_watt[1], "worst at 1 W"
    assert relative(amplifier, 5000.0, 2.83)[1] > 2.0 * one_watt[1], "and at high frequency"


@each_seed
def test_bias_high(seed):
    amplifier, healthy = (switched_on(name, seed, seconds=900.0) for name in ("bias-high", "healthy"))
    assert dc(amplifier, "left_emitter_resistor_1") > 2.0 * dc(amplifier, "right_emitter_resistor_1")
    assert amplifier.thermal.sink_c > healthy.thermal.sink_c + 5.0
    assert amplifier.supply.ripple(*_drawn(amplifier))[0] > 1.5 * healthy.supply.ripple(*_drawn(healthy))[0]


def _drawn(amplifier) -> tuple[float, float]:
    points = (amplifier.operating(0, SILENCE), amplifier.operating(1, SILENCE))
    return points[0].positive_a + points[1].positive_a, points[0].negative_a + points[1].negative_a


@each_seed
def test_bias_runaway(seed):
    amplifier = switched_on("bias-runaway", seed, seconds=120.0)
    readings = []
    for _ in range(5):
        readings.append(dc(amplifier, "left_emitter_resistor_1"))
        amplifier.advance(120.0)
    assert np.all(np.diff(readings) > 0.04 * readings[0]), "still walking"
    assert readings[-1] > 3.0 * dc(amplifier, "right_emitter_resistor_1")


# 7, 8, 10: DC from the input side


@each_seed
def test_input_pair_unbalanced(seed):
    amplifier = switched_on("input-pair-unbalanced", seed, seconds=15.0, inputs="shorted")
    early = dc(amplifier, "left_output")
    amplifier.advance(600.0)
    late = dc(amplifier, "left_output")
    assert 0.09 < abs(early) < 0.35
    assert abs(late - early) > 3e-3, "drifts with heat"
    amplifier.connect_inputs("source")
    assert relative(amplifier, 1000.0, 15.0)[0] != relative(amplifier, 1000.0, 15.0, GOOD)[0]


@each_seed
def test_input_capacitor_leaky(seed):
    amplifier = switched_on("input-capacitor-leaky", seed, inputs="shorted", volume=-math.inf)
    assert abs(dc(amplifier, "left_output")) < 0.05, "passes at minimum volume"
    amplifier.set_volume(0.0)
    amplifier.advance(1.0)
    full = dc(amplifier, "left_output")
    assert abs(full) > 0.1
    amplifier.set_volume(-6.02)
    amplifier.advance(1.0)
    assert dc(amplifier, "left_output") == pytest.approx(full / 2.0, abs=0.02), "follows the setting"


@each_seed
def test_feedback_capacitor_shorted(seed):
    amplifier, healthy = (
        switched_on(n, seed, inputs="shorted", volume=-math.inf) for n in ("feedback-capacitor-shorted", "healthy")
    )
    f = amplifier.design.left.feedback
    gain = 1 + f.series_ohm / (f.shunt_ohm + f.leak_ohm)
    ratio = dc(amplifier, "left_output") / amplifier.design.left.input_stage.offset(amplifier.thermal.inside_k)
    assert ratio == pytest.approx(gain, rel=0.02), "the input's offset times the gain"
    assert abs(dc(amplifier, "left_output")) > 0.085
    assert abs(dc(healthy, "left_output")) < 0.03


# 9, 24: capacitors that have lost their value


@each_seed
def test_feedback_capacitor_open(seed):
    amplifier = switched_on("feedback-capacitor-open", seed)
    assert level_db(amplifier, 1000.0) == pytest.approx(-28.0, abs=1.5)
    assert abs(dc(amplifier, "left_output")) < 0.05


@each_seed
def test_feedback_capacitor_dry(seed):
    amplifier = switched_on("feedback-capacitor-dry", seed)
    assert level_db(amplifier, 20.0, 1.0) < -6.0
    assert abs(level_db(amplifier, 5000.0)) < 0.5
    assert thd(play(amplifier, 40.0, 8.0, seconds=1.0)[:, BAD], 40.0, band_hz=1000.0) > 3.0 * thd(
        play(amplifier, 40.0, 8.0, seconds=1.0)[:, GOOD], 40.0, band_hz=1000.0
    ), "LF THD up"


@each_seed
def test_coupling_capacitor_dry(seed):
    amplifier = switched_on("coupling-capacitor-dry", seed)
    at_20, at_40 = level_db(amplifier, 20.0), level_db(amplifier, 40.0)
    assert at_40 < -3.0
    assert at_40 - at_20 == pytest.approx(6.0, abs=1.5), "6 dB per octave"
    assert abs(level_db(amplifier, 5000.0)) < 0.5


# 12, 13, 14: supply and grounds


@each_seed
def test_reservoir_dry(seed):
    amplifier, healthy = switched_on("reservoir-dry", seed), switched_on("healthy", seed)
    ripple = [amplifier.probe(p).ac_rms for p in ("rail_positive", "rail_negative")]
    assert max(ripple) > 3.0 * min(ripple)
    assert abs(dc(amplifier, "left_output")) < 0.05, "few mV"
    play(healthy, 1000.0, 15.0)
    play(amplifier, 1000.0, 15.0)
    loud, loud_healthy = play(amplifier, 1000.0, 21.0, seconds=1.1), play(healthy, 1000.0, 21.0, seconds=1.1)
    sidebands = [abs(line(loud[:, 0], 1000.0 + d)) / abs(line(loud[:, 0], 1000.0)) for d in (-100.0, 100.0)]
    before = abs(line(loud_healthy[:, 0], 1100.0)) / abs(line(loud_healthy[:, 0], 1000.0))
    assert min(sidebands) > 1e-3 > before, "sidebands 1 kHz +-100 Hz"
    assert abs(line(loud[:, 0], 100.0)) > 5.0 * abs(line(silence(amplifier)[:, 0], 100.0)), "hum grows with output"
    assert thd(loud[:, 0], 1000.0) > 5e-3, "early"
    assert thd(loud[:, 0], 1000.0) > 10.0 * thd(loud_healthy[:, 0], 1000.0), "early"


@each_seed
def test_rectifier_diode_open(seed):
    amplifier = switched_on("rectifier-diode-open", seed)
    drawn = _drawn(amplifier)
    rails = amplifier.supply.waveform(np.tile([drawn], (96000, 1)), RATE, commit=False)
    at_50 = [abs(line(rails[:, k], 50.0)) for k in (0, 1)]
    at_100 = [abs(line(rails[:, k], 100.0)) for k in (0, 1)]
    bad = int(np.argmax(at_50))
    assert at_50[bad] > at_100[bad], "mains frequency on that rail"
    assert at_50[bad] > 2.0 * at_50[1 - bad], "the other rail feels it through the transformer only"
    pp = np.ptp(rails, axis=0)
    assert pp[bad] == pytest.approx(2.0 * pp[1 - bad], rel=0.35), "doubled"
    means = np.abs(rails.mean(axis=0))
    assert means[bad] < means[1 - bad], "lower rail"


@each_seed
def test_decoupling_open(seed):
    amplifier, healthy = (switched_on(n, seed, inputs="shorted") for n in ("decoupling-open", "healthy"))
    buzz, calm = silence(amplifier), silence(healthy)
    for channel in (0, 1):
        hum = math.hypot(*(abs(line(buzz[:, channel], f)) for f in (100.0, 200.0)))
        assert hum > 0.3e-3
        assert hum > 8.0 * math.hypot(*(abs(line(calm[:, channel], f)) for f in (100.0, 200.0)))
    for a in (amplifier, healthy):
        a.connect_inputs("source")
    ratios = []
    for a in (amplifier, healthy):
        y = play(a, 1000.0, 2.83, 0.0)
        ratios.append(abs(line(y[:, 1], 1000.0)) / abs(line(y[:, 0], 1000.0)))
    assert ratios[0] > 4.0 * ratios[1], "crosstalk up"


# 15, 16, 17, 18: hum, hiss, oscillation


def test_ground_loop():
    """A bench fault: its data put on the amplifier as the bench does."""
    for seed in (0, 1, 2):
        change = SCENARIOS["ground-loop"].change_bench("left", np.random.default_rng(seed))
        assert change.hum_v is not None
        amplifier = switched_on("ground-loop", seed)
        amplifier.connect_inputs("source", 100.0, change.hum_v)
        y = silence(amplifier)
        for channel in (0, 1):
            found = [abs(line(y[:, channel], f)) for f in (50.0, 150.0, 250.0)]
            assert found[0] > 3e-3
            assert found[1] > 0.2 * found[0]
            assert found[2] > 0.1 * found[0]
        amplifier.connect_inputs("shorted")
        assert abs(line(silence(amplifier)[:, 0], 50.0)) < 1e-4, "gone with inputs shorted"


@each_seed
def test_input_screen_open(seed):
    amplifier = switched_on("input-screen-open", seed, inputs="shorted")
    y = silence(amplifier)
    full = abs(line(y[:, BAD], 50.0))
    assert full > 2e-3
    assert abs(line(y[:, GOOD], 50.0)) < 0.05 * full, "one channel"
    amplifier.set_volume(-20.0)
    amplifier.advance(1.0)
    assert abs(line(silence(amplifier)[:, BAD], 50.0)) == pytest.approx(full / 10.0, rel=0.3), "follows volume"


@each_seed
def test_noisy_input_transistor(seed):
    amplifier = switched_on("noisy-input-transistor", seed, inputs="shorted", noise=1.0)
    y = silence(amplifier)
    assert band_rms(y[:, BAD]) > 0.7e-3
    assert band_rms(y[:, BAD]) > 5.0 * band_rms(y[:, GOOD])
    amplifier.set_volume(-math.inf)
    amplifier.advance(1.0)
    assert band_rms(silence(amplifier)[:, BAD]) == pytest.approx(band_rms(y[:, BAD]), rel=0.1), "stage after the volume"
    amplifier.set_volume(0.0)
    amplifier.connect_inputs("source")
    amplifier.advance(1.0)
    loud = play(amplifier, 1000.0, 15.0)
    assert thd(loud[:, BAD], 1000.0) < 1.5e-3, "THD normal"


@each_seed
def test_popcorn_noise(seed):
    amplifier = switched_on("popcorn-noise", seed, inputs="shorted", noise=1.0)
    y = silence(amplifier, 2.0)
    low = [band_rms(y[:, c], 5.0, 200.0) for c in (BAD, GOOD)]
    assert low[0] > 5.0 * low[1]
    assert np.ptp(y[:, BAD]) > 1e-3


@each_seed
def test_oscillation(seed):
    amplifier, healthy = (switched_on(n, seed, inputs="shorted", noise=1.0) for n in ("oscillation", "healthy"))
    probe = amplifier.probe("left_output")
    assert probe.ac_rms > 0.3, "AC reading without tone"
    assert probe.ac_frequency_hz > 100e3
    assert abs(probe.dc - dc(healthy, "left_output")) > 0.02, "offset jumps tens of mV"
    assert band_rms(silence(amplifier)[:, BAD]) > 5.0 * band_rms(silence(healthy)[:, BAD]), "floor raised"
    for a in (amplifier, healthy):
        a.advance(900.0)
    assert amplifier.thermal.sink_c > healthy.thermal.sink_c + 2.0, "warm with no signal"


@each_seed
def test_oscillation_on_peaks(seed):
    amplifier = switched_on("oscillation-on-peaks", seed, noise=1.0)

    def residue(volts: float, channel: int) -> float:
        y = play(amplifier, 1000.0, volts)[:, channel]
        t = np.arange(len(y)) / RATE
        for k in range(1, 21):
            wave = line(y, 1000.0 * k)
            y = y - math.sqrt(2) * abs(wave) * np.sin(2 * np.pi * 1000.0 * k * t + np.angle(wave))
        return band_rms(y)

    assert residue(19.0, BAD) > 5.0 * residue(19.0, GOOD), "bursts near peaks"
    assert residue(5.0, BAD) < 2.0 * residue(5.0, GOOD)
    assert amplifier.probe("left_output").ac_rms < 0.01


# 19, 20, 21, 22, 32: contacts, fuses, joints, protection


@each_seed
def test_relay_contact_oxidised(seed):
    amplifier = switched_on("relay-contact-oxidised", seed)
    assert level_db(amplifier, 1000.0, 2.83) < -0.5
    quiet, loud = relative(amplifier, 1000.0, 1.0), relative(amplifier, 1000.0, 8.0)
    assert quiet[1] > 2.0 * loud[1] > 1e-3, "H3, worse at low level"
    open_design = switched_on("relay-contact-oxidised", seed, load=1e6)
    open_v = abs(line(play(open_design, 1000.0, 8.0)[:, BAD], 1000.0))
    loaded_v = abs(line(play(amplifier, 1000.0, 8.0)[:, BAD], 1000.0))
    assert 1.0 / (open_v / loaded_v - 1.0) < 22.0, "damping factor down"
    before = level_db(amplifier, 1000.0, 1.0)
    play(amplifier, 1000.0, 20.0, seconds=2.0)
    assert level_db(amplifier, 1000.0, 1.0) > before + 0.3, "recovers after a loud burst"


@each_seed
def test_selector_contact_oxidised(seed):
    amplifier = switched_on("selector-contact-oxidised", seed)
    assert level_db(amplifier, 1000.0, 0.3) < -0.5
    assert relative(amplifier, 1000.0, 2.0)[1] > 1e-3
    assert relative(amplifier, 1000.0, 2.0)[1] > relative(amplifier, 1000.0, 16.0)[1]


@pytest.mark.parametrize(
    "name",
    [
        "speaker-fuse-open",
        "speaker-fuse-and-shorted-cable",
        "relay-open",
        "output-joint-open",
        "headphone-contact-open",
    ],
)
@each_seed
def test_open_path(name, seed):
    amplifier = switched_on(name, seed, load=1000.0, inputs="shorted", noise=1.0)
    probe = amplifier.probe("left_output")
    assert (probe.dc, probe.ac_rms) == (0.0, 0.0), "exactly zero, below normal noise"
    assert abs(dc(amplifier, "right_output")) > 1e-4
    assert abs(dc(amplifier, "left_amplifier_output")) > 1e-3, "normal DC before the break"
    amplifier.connect_load(8.0, 8.0)
    amplifier.connect_inputs("source")
    y = amplifier.render(tone(1000.0, 2.83 / GAIN), RATE)
    assert not y[:, BAD].any()
    assert y[:, GOOD].any()
    amplifier.switch_mains(False)
    amplifier.advance(300.0)
    fuse = amplifier.resistance("left_speaker_fuse")
    assert math.isinf(fuse) == name.startswith("speaker-fuse")


@each_seed
def test_what_blew_the_fuse_is_still_there(seed):
    amplifier = switched_on("speaker-fuse-and-shorted-cable", seed, load=math.inf)
    amplifier.switch_mains(False)
    amplifier.advance(300.0)
    assert amplifier.resistance("left_output") < 0.5
    fuse = replace(amplifier.design.left.speaker_fuse, open=False)
    refused = replace(amplifier.design, left=replace(amplifier.design.left, speaker_fuse=fuse))
    again = Amplifier(refused, rng=np.random.default_rng(0))
    again.connect_inputs("source")
    again.set_volume(0.0)
    again.switch_mains(True)
    again.advance(10.0)
    again.advance(10.0, Drive((0.2, 0.2)))
    assert ("left speaker fuse blown") in [what for _, what in again.smoke], "a new fuse blows again"


@each_seed
def test_protection_holds_off(seed):
    amplifier = switched_on("protection-holds-off", seed)
    for channel in ("left", "right"):
        assert dc(amplifier, f"{channel}_output") == 0.0
        assert 0.0 < abs(dc(amplifier, f"{channel}_amplifier_output")) < 0.05, "normal before relay"


@each_seed
def test_protection_drops_with_bass(seed):
    amplifier = switched_on("protection-drops-with-bass", seed)
    play(amplifier, 1000.0, 15.0)
    assert amplifier.relay.closed
    amplifier.render(tone(25.0, 12.0 / GAIN, seconds=0.5), RATE)
    assert not amplifier.relay.closed
    healthy = switched_on("healthy", seed)
    healthy.render(tone(25.0, 12.0 / GAIN, seconds=0.5), RATE)
    assert healthy.relay.closed, "it must ignore full-power bass"
    again = switched_on("protection-drops-with-bass", seed)
    again.advance(2.0, Drive((12.0 / GAIN, 12.0 / GAIN), 25.0))
    assert not again.relay.closed, "in time that nobody listens to, too"


@each_seed
def test_speaker_fuse_too_small(seed):
    amplifier = switched_on("speaker-fuse-too-small", seed)
    normal = level_db(switched_on("healthy", seed), 1000.0)
    assert level_db(amplifier, 1000.0) < normal - 0.08
    loud, quiet = relative(amplifier, 20.0, 14.0, highest=4), relative(amplifier, 20.0, 7.0, highest=4)
    good = relative(amplifier, 20.0, 14.0, GOOD, highest=4)
    assert loud[1] > 3.0 * good[1], "H3 at LF"
    assert loud[1] > 2.5 * quiet[1], "rises with level"
    cold = level_db(amplifier, 1000.0, 1.0)
    amplifier.advance(20.0, Drive((16.0 / GAIN, 16.0 / GAIN)))
    assert level_db(amplifier, 1000.0, 1.0) < cold - 0.05, "more when hot"


@pytest.mark.parametrize("name", ["output-joint-cracked", "relay-contact-and-joint"])
@each_seed
def test_cracked_output_joint(name, seed):
    amplifier = switched_on(name, seed)
    y = amplifier.render(tone(1000.0, 2.83 / GAIN, seconds=10.0), RATE)
    levels = y.reshape(-1, 960, 2).std(axis=1)
    gone = levels[:, BAD] < 0.1
    assert 0 < gone.sum() < 0.9 * len(gone), "intermittent"
    assert not (levels[1:, GOOD] < 0.1).any()


@each_seed
def test_joint_that_opens_when_hot(seed):
    cold = switched_on("output-joint-cracked-when-hot", seed, seconds=12.0)
    y = cold.render(tone(1000.0, 2.83 / GAIN, seconds=3.0), RATE)
    assert not (y.reshape(-1, 960, 2).std(axis=1)[1:] < 0.1).any()
    cold.advance(1800.0)
    y = cold.render(tone(1000.0, 2.83 / GAIN, seconds=10.0), RATE)
    assert (y.reshape(-1, 960, 2).std(axis=1)[1:, BAD] < 0.1).any()


@each_seed
def test_cracked_input_joint(seed):
    amplifier = switched_on("input-joint-cracked", seed)
    y = amplifier.render(tone(1000.0, 2.83 / GAIN, seconds=10.0), RATE)
    levels = y.reshape(-1, 960, 2).std(axis=1)
    assert 0 < (levels[1:, BAD] < 1.0).sum() < 0.9 * len(levels)
    assert abs(dc(amplifier, "left_output")) > 1e-4, "the output path is whole"


# 23, 25, 29, 30, 31: controls, wiring, crosstalk


@each_seed
def test_volume_worn(seed):
    amplifier = switched_on("volume-worn", seed, noise=1.0)
    assert abs(level_db(amplifier, 1000.0)) < 0.5
    amplifier.set_volume(-40.0)
    amplifier.advance(1.0)
    assert level_db(amplifier, 1000.0, 20.0) < -3.0, "worst at low setting"
    amplifier.set_volume(-20.0)
    amplifier.connect_inputs("shorted")
    amplifier.advance(1.0)
    y = silence(amplifier, 2.0)
    assert band_rms(y[:, BAD]) > 1.5 * band_rms(y[:, GOOD]), "crackle"


@each_seed
def test_loudness_in_circuit(seed):
    amplifier, healthy = switched_on("loudness-in-circuit", seed), switched_on("healthy", seed)
    for channel in (0, 1):
        change = {}
        for frequency in (20.0, 1000.0, 20000.0):
            levels = [abs(line(play(a, frequency, 1.0)[:, channel], frequency)) for a in (amplifier, healthy)]
            change[frequency] = db(levels[0] / levels[1])
        assert change[20.0] - change[1000.0] > 2.0
        assert change[20000.0] - change[1000.0] > 1.5


@each_seed
def test_channels_crossed(seed):
    y = play(switched_on("channels-crossed", seed), 1000.0, 2.83, 0.0)
    assert abs(line(y[:, 1], 1000.0)) > 2.0 > 0.1 > abs(line(y[:, 0], 1000.0)), "right in, left out"


@each_seed
def test_channel_inverted(seed):
    y = play(switched_on("channel-inverted", seed), 1000.0, 2.83)
    assert np.corrcoef(y[:, 0], y[:, 1])[0, 1] < -0.999
    assert abs(db(np.std(y[:, 0]) / np.std(y[:, 1]))) < 0.5, "level right"


def _crosstalk_db(amplifier, frequency: float) -> float:
    y = play(amplifier, frequency, 2.83, 0.0)
    return db(abs(line(y[:, 1], frequency)) / abs(line(y[:, 0], frequency)))


@each_seed
def test_crosstalk_of_a_shared_ground_is_flat(seed):
    amplifier = switched_on("crosstalk-shared-ground", seed)
    low, high = _crosstalk_db(amplifier, 100.0), _crosstalk_db(amplifier, 10000.0)
    assert low > -40.0
    assert high == pytest.approx(low, abs=1.5)


@each_seed
def test_crosstalk_of_a_capacitance_rises(seed):
    amplifier = switched_on("crosstalk-capacitive", seed)
    low, high = _crosstalk_db(amplifier, 2000.0), _crosstalk_db(amplifier, 8000.0)
    assert high > -40.0
    assert high - low == pytest.approx(12.0, abs=1.5), "6 dB per octave"


# 26, 33, 34: gain stage, halves, bridge


@each_seed
def test_compensation_fault(seed):
    amplifier = switched_on("compensation-fault", seed)
    assert level_db(amplifier, 20000.0) < -3.0, "HF droop"
    assert abs(level_db(amplifier, 100.0)) < 0.5
    assert relative(amplifier, 5000.0, 8.0, highest=3)[1] > 5.0 * relative(amplifier, 5000.0, 8.0, GOOD, highest=3)[1]
    loud, quiet = relative(amplifier, 6000.0, 14.0, highest=3)[1], relative(amplifier, 6000.0, 7.0, highest=3)[1]
    assert loud > 2.0 * quiet, "grows with f x level"


@each_seed
def test_halves_unequal(seed):
    amplifier = switched_on("halves-unequal", seed)
    bad, good = relative(amplifier, 1000.0, 2.83), relative(amplifier, 1000.0, 2.83, GOOD)
    assert bad[0] > 3.0 * good[0], "even"
    assert bad[0] > 3.0 * bad[1]
    loud = relative(amplifier, 1000.0, 15.0)
    assert loud[0] == pytest.approx(bad[0], rel=0.5), "at all levels"


@each_seed
def test_bridged_half_dead(seed):
    amplifier = switched_on("bridged-half-dead", seed)
    rail = amplifier.supply.rails()[0]
    minus, plus = dc(amplifier, "left_output_minus"), dc(amplifier, "left_amplifier_output")
    assert min(abs(minus), abs(minus - rail)) < 1.0, "one terminal stuck"
    assert plus == pytest.approx(rail / 2.0, abs=1.0), "the other one at half the supply"
    assert dc(amplifier, "right_output_minus") == pytest.approx(rail / 2.0, abs=0.5)
    assert not amplifier.relay.closed, "large DC across: the protection does its work"
    bare = replace(amplifier.design, relay=replace(amplifier.design.relay, present=False))
    unprotected = Amplifier(bare, rng=np.random.default_rng(0), noise_scale=0.0)
    unprotected.connect_load(8.0, 8.0)
    unprotected.connect_inputs("source")
    unprotected.set_volume(0.0)
    unprotected.switch_mains(True)
    unprotected.advance(10.0)
    assert abs(dc(unprotected, "left_output")) > 15.0, "large DC across"
    assert level_db(unprotected, 1000.0, 1.0) == pytest.approx(-6.0, abs=0.7)


# 27, 28: transformer


@each_seed
def test_transformer_shorted_turn(seed):
    amplifier, healthy = switched_on("transformer-shorted-turn", seed), switched_on("healthy", seed)
    assert amplifier.supply.rails()[0] < healthy.supply.rails()[0] - 0.5, "low rails"
    assert amplifier.supply.power_w > healthy.supply.power_w + 100.0
    assert switched_on("transformer-shorted-turn", seed, seconds=5.0, lamp=60.0).supply.lamp_state() == "bright"
    assert switched_on("healthy", seed, seconds=5.0, lamp=60.0).supply.lamp_state() in ("dark", "dull")


@pytest.mark.parametrize("seed", range(6))
def test_mains_setting_wrong(seed):
    amplifier = switched_on("mains-setting-wrong", seed, seconds=6.0)
    ratio = amplifier.design.supply.transformer.tap_ratio
    healthy = switched_on("healthy", seed, seconds=6.0).supply.rails()[0]
    rail = amplifier.supply.rails()[0]
    if ratio == 0.5:
        assert rail == pytest.approx(0.5 * healthy, rel=0.07)
    else:
        gone = amplifier.supply.fuses_open["mains"]
        assert gone or rail > 1.5 * healthy


def test_monitor_loop_open():
    amplifier = switched_on("monitor-loop-open", 0)
    y = play(amplifier, 1000.0, 2.83)
    assert np.abs(y - y.mean(axis=0)).max() < 5e-3
    assert abs(dc(amplifier, "left_output")) > 1e-4
    assert amplifier.relay.closed


# Healthy kinds


def test_healthy_capacitor_coupled():
    amplifier = switched_on("healthy-capacitor-coupled", 0, load=1000.0)
    rail = amplifier.supply.rails()[0]
    assert abs(dc(amplifier, "left_output")) < 0.01, "0 mV is normal"
    assert dc(amplifier, "left_amplifier_output") == pytest.approx(rail / 2.0, rel=0.02)
    loaded = switched_on("healthy-capacitor-coupled", 0)
    at_1k = abs(line(play(loaded, 1000.0, 1.0)[:, 0], 1000.0))
    at_20 = abs(line(play(loaded, 20.0, 1.0, seconds=1.0)[:, 0], 20.0))
    corner = 1.0 / (2 * math.pi * loaded.design.kind.capacitor_f * 8.06)
    expected = db(20.0 / math.hypot(20.0, corner))
    assert db(at_20 / at_1k) == pytest.approx(expected, abs=0.4), "the load and the capacitor"


def test_healthy_capacitor_coupled_thumps_slowly_at_switch_on():
    design = SCENARIOS["healthy-capacitor-coupled"].apply(demo_amplifier(), "left", np.random.default_rng(0))
    amplifier = Amplifier(design, rng=np.random.default_rng(0), noise_scale=0.0)
    amplifier.connect_load(8.0, 8.0)
    amplifier.connect_inputs("shorted")
    amplifier.advance(1.0)
    amplifier.switch_mains(True)
    y = amplifier.render(np.zeros((round(4 * RATE), 2)), RATE)
    assert 0.3 < np.abs(y).max() < 4.0
    assert np.abs(y[-1000:]).max() < 0.02


def test_healthy_dc_servo():
    amplifier = switched_on("healthy-dc-servo", 0, seconds=20.0, inputs="shorted")
    early = dc(amplifier, "left_output")
    amplifier.advance(900.0)
    assert abs(early) < 5e-3
    assert dc(amplifier, "left_output") == pytest.approx(early, abs=1e-4)


def test_healthy_bridged():
    amplifier = switched_on("healthy-bridged", 0)
    rail = amplifier.supply.rails()[0]
    assert dc(amplifier, "left_output_minus") == pytest.approx(rail / 2.0, rel=0.02)
    assert abs(dc(amplifier, "left_output")) < 0.05
    y = play(amplifier, 1000.0, 15.0)
    assert thd(y[:, 0], 1000.0) < 2e-3
    # more than one half alone could give from this rail
    assert np.abs(play(amplifier, 1000.0, 19.0)).max() > rail / 2.0
