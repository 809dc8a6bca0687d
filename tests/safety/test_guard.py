"""The order DC check - load - signal - power, and what the guard refuses; the sound card tells what was emitted."""

import pytest

from benchtest import measure
from benchtest.amplifier_file import amplifier_from_text, load_amplifier
from benchtest.errors import NotAllowed, SafetyStop
from benchtest.safety import NotCleared, limits, open_bench
from simulated_instruments.amplifier import Probe
from tests.safety.conftest import DEMO, ready_to_drive


def test_the_input_is_not_driven_far_above_the_stated_sensitivity(emitted):
    """With the volume turned down the measured gain asks for more input; the stages before the volume control clip."""
    text = """
        [amplifier]
        name = "sensitive"
        output_stage = "direct_coupled"
        rated_power_w = 60.0
        sensitivity_v = 0.15
    """
    with open_bench(None, amplifier=amplifier_from_text(text, "a.toml"), calibrate=False) as bench:
        ready_to_drive(bench)
        bench.hook_up(volume="-20 dB")
        for level in (0.05, 0.05, 0.3):
            bench.tone(level, ["left"], hold_s=0.4)
        gain = bench.gain("left")
        assert gain < 5.0  # some 37 at full volume
        assert bench.highest_output(["left"]) == pytest.approx(4 * 0.15 * gain, rel=1e-3)
        with pytest.raises(NotAllowed):
            bench.tone(4 * 0.15 * gain * 1.01, ["left"])


def test_nothing_is_driven_with_the_mains_off(bench, emitted):
    bench.hook_up(inputs="sound_card", volume="full", load="load")
    with pytest.raises(NotAllowed, match="mains is off"):
        bench.tone(0.05, ["left"])
    assert emitted.loudest() == 0.0


def test_nothing_is_driven_before_the_dc_check(bench, emitted):
    bench.hook_up(inputs="sound_card", volume="full", load="load")
    bench.mains_on()
    with pytest.raises(NotCleared, match="no DC check passed"):
        bench.tone(0.05, ["left"])
    assert emitted.loudest() == 0.0


def test_nothing_is_driven_on_the_lamp(bench, emitted):
    bench.hook_up(inputs="sound_card", volume="full", load="load", lamp="in")
    bench.mains_on()
    bench.sleep(20.0)
    bench.dc_check("left")
    with pytest.raises(NotAllowed, match="series lamp"):
        bench.tone(0.05, ["left"])
    assert emitted.loudest() == 0.0


@pytest.mark.parametrize("level", [0.3, 2.8, 20.0, float("nan"), float("inf"), -1.0, 0.0])
def test_the_first_tone_is_50_mv_at_most(bench, emitted, level):
    ready_to_drive(bench)
    with pytest.raises(NotAllowed):
        bench.tone(level, ["left"])
    assert emitted.loudest() == 0.0
    assert bench.tone(0.05, ["left"]).figures["left"].level_v == pytest.approx(0.05, rel=0.2)


def test_a_rung_is_not_left_out(bench):
    ready_to_drive(bench)
    bench.tone(0.05, ["left"])
    with pytest.raises(NotAllowed, match="highest that may be tried"):
        bench.tone(2.8, ["left"])
    bench.tone(0.3, ["left"])
    bench.tone(2.8, ["left"])


def test_a_turned_knob_takes_the_level_back_to_50_mv(bench):
    ready_to_drive(bench)
    for level in (0.05, 0.3, 2.8):
        bench.tone(level, ["left"])
    bench.hook_up(volume="-20 dB")
    with pytest.raises(NotAllowed, match="highest that may be tried"):
        bench.tone(0.3, ["left"])


def test_switching_off_and_on_voids_the_dc_check(bench):
    ready_to_drive(bench)
    bench.tone(0.05, ["left"])
    bench.mains_off()
    bench.sleep(3.0)
    bench.mains_on()
    with pytest.raises(NotCleared):
        bench.tone(0.05, ["left"])


def test_the_load_is_not_changed_with_the_mains_on(bench):
    ready_to_drive(bench)
    with pytest.raises(NotAllowed, match="load is changed with the amplifier off"):
        bench.hook_up(load="none")


def test_inside_points_are_not_touched_live(bench):
    ready_to_drive(bench)
    with pytest.raises(NotAllowed, match="inside"):
        bench.move_meter("left_amplifier_output")


def test_ohms_only_on_what_was_measured_empty(bench):
    with pytest.raises(NotAllowed, match="reservoirs have not all been"):
        bench.ohms("left_speaker_fuse")
    bench.dc_volts("rail_positive")
    bench.dc_volts("rail_negative")
    bench.move_meter("left_speaker_fuse")
    assert bench.ohms("left_speaker_fuse").value < 1.0


def test_reservoirs_are_not_empty_right_after_switching_off(bench):
    bench.hook_up(lamp="out", load="1 kilohm", inputs="shorted", volume="minimum")
    bench.mains_on()
    bench.sleep(20.0)
    bench.mains_off()
    bench.dc_volts("rail_positive")
    bench.dc_volts("rail_negative")
    bench.move_meter("left_speaker_fuse")
    with pytest.raises(NotAllowed, match="reservoirs"):
        bench.ohms("left_speaker_fuse")


def test_no_response_never_raises_the_level(bench, emitted):
    ready_to_drive(bench)
    emitted.bench.audio().hooks.cut_output = (0, 1)  # the cable from the sound card has fallen off
    bench.tone(0.05, ["left"])
    assert "no response" in bench.ramp_ended("left")
    with pytest.raises(NotAllowed, match="highest that may be tried"):
        bench.tone(0.3, ["left"])


@pytest.mark.parametrize(("scenario", "outcome"), [("healthy", "good"), ("speaker-fuse-open", "zero")])
def test_an_offset_that_stands_at_zero_is_told_from_an_open_path_by_the_amplifiers_noise(
    monkeypatch, scenario, outcome
):
    monkeypatch.setattr(limits, "ZERO_V", 0.1)  # as if this amplifier's offset stood within a meter's last digits
    monkeypatch.setattr(limits, "SURELY_ZERO_V", 0.1)
    spec = load_amplifier(DEMO)
    with open_bench(None, amplifier=spec, scenario=scenario, channel="left", calibrate=False) as bench:
        bench.hook_up(lamp="out", load="1 kilohm", inputs="shorted", volume="minimum")
        bench.mains_on()
        bench.sleep(600.0)
        assert bench.dc_check("left").outcome == outcome


def test_an_open_fuse_is_an_open_path_and_another_reason_not_to_drive_is_none():
    spec = load_amplifier(DEMO)
    with open_bench(None, amplifier=spec, scenario="speaker-fuse-open", channel="left", calibrate=False) as bench:
        for rail in ("rail_positive", "rail_negative"):
            bench.dc_volts(rail)
        for point in bench.touch_in_turn(["leads_shorted", "left_speaker_fuse"], say="leads, then the fuse"):
            if point == "leads_shorted":
                measure.lead_resistance(bench)
        assert measure.fuse_resistance(bench, "left").verdict == "fail"
        bench.never_drive("right", "its dummy load is open")
        assert bench.refusal("left")
        assert bench.refusal("right")
        assert bench.open_paths() == {"left"}


def test_a_stop_is_latched_and_switches_the_socket_off(bench, emitted):
    ready_to_drive(bench)
    with pytest.raises(SafetyStop) as stopped:
        bench.stop("smoke")
    assert "SWITCH OFF AT THE WALL" in stopped.value.words
    assert not emitted.bench.mains_socket().is_on()
    for act in (lambda: bench.tone(0.05, ["left"]), lambda: bench.mains_on(), lambda: bench.hook_up(volume="full")):
        with pytest.raises(SafetyStop):
            act()


def test_a_rail_at_an_output_stops_before_anything_is_driven(emitted):
    from benchtest.amplifier_file import load_amplifier

    with open_bench(
        None, amplifier=load_amplifier(DEMO), scenario="output-stage-shorted", channel="left", calibrate=False
    ) as bench:
        bench.hook_up(lamp="out", load="1 kilohm", inputs="shorted", volume="minimum")
        bench.move_meter("left_amplifier_output")
        bench.mains_on()
        bench.sleep(10.0)
        check = bench.dc_check("left", before_relay=True)
        assert check.outcome == "stop"
        with pytest.raises(SafetyStop, match="DC check"):
            bench.act_on_stops()
    assert emitted.loudest() == 0.0


@pytest.mark.parametrize(
    ("stage", "words"), [("output_transformer", "valve amplifiers are refused"), ("bridged", "differential")]
)
def test_stages_that_a_grounded_bench_does_not_bear_are_refused(emitted, stage, words):
    from benchtest.amplifier_file import load_amplifier

    spec = load_amplifier(DEMO).model_copy(update={"output_stage": stage})
    with open_bench(None, amplifier=spec, calibrate=False) as bench:
        with pytest.raises(NotAllowed, match=words):
            bench.mains_on()
        assert bench.hook_up_now.mains != "on"


def test_no_public_attribute_reaches_a_device(bench):
    from benchtest.instruments.protocols import AudioInterface, Multimeter, Operator, SwitchedSocket

    devices = (AudioInterface, Multimeter, Operator, SwitchedSocket)
    for name in dir(bench):
        if name.startswith("_"):
            continue
        value = getattr(bench, name)
        assert callable(value) or not isinstance(value, devices), name


@pytest.mark.parametrize("name", ["amplifier", "file", "calibration", "load_ohm", "simulated"])
def test_what_a_limit_depends_on_cannot_be_set(bench, name):
    with pytest.raises(AttributeError):
        setattr(bench, name, None)


@pytest.mark.parametrize(("meter_v", "trips"), [(0.05, False), (0.4, True), (-3.0, True)])
def test_the_dc_watch_turns_the_tone_and_the_mains_off(bench, emitted, monkeypatch, meter_v, trips):
    """0.4 V at the watching meter is 1.25 V at the left output at most: above 0.5 V for longer than 1 s."""
    ready_to_drive(bench)
    watch = emitted.bench.leads["watch meter"]
    monkeypatch.setattr(watch, "probe", lambda: Probe(meter_v, 0.0, 0.0, 100.0))
    if not trips:
        bench.tone(0.05, ["left"], hold_s=2.0)
        return
    with pytest.raises(SafetyStop, match="DC watch"):
        bench.tone(0.05, ["left"], hold_s=2.0)
    assert not emitted.bench.mains_socket().is_on()
    with pytest.raises(SafetyStop):
        bench.tone(0.05, ["left"])


def test_a_cable_that_falls_off_between_two_rungs_ends_the_ramp(bench, emitted):
    ready_to_drive(bench)
    for level in (0.05, 0.3, 2.8):
        bench.tone(level, ["left"])
    emitted.bench.audio().hooks.cut_output = (0,)
    bench.tone(3.9, ["left"])
    assert bench.ramp_ended("left").startswith("no response")
    with pytest.raises(NotAllowed):
        bench.tone(5.5, ["left"])


def test_a_silent_capture_is_taken_again_and_an_end_is_put_to_it(bench, emitted):
    from benchtest.errors import LostFrames

    ready_to_drive(bench)
    card = emitted.bench.audio()
    finish = card.finish
    silent = {"left": 2}

    def silenced():
        recording = finish()
        if silent["left"]:
            silent["left"] -= 1
            return type(recording)(recording.samples * 0.0, recording.sample_rate, recording.first_frame)
        return recording

    card.finish = silenced
    assert bench.tone(0.05, ["left"]).figures["left"].level_v == pytest.approx(0.05, rel=0.2)
    silent["left"] = 100
    with pytest.raises(LostFrames, match="exact zeros"):
        bench.tone(0.05, ["left"])
    assert silent["left"] == 94


def test_the_space_bar_turns_the_tone_off_and_stops_the_run(emitted, monkeypatch):
    import io

    from benchtest.amplifier_file import load_amplifier
    from benchtest.instruments.person import PersonOperator
    from benchtest.instruments.prompts_first import PromptsFirst

    person = PersonOperator(keys=io.StringIO("\n" * 50), screen=io.StringIO())
    with open_bench(
        None,
        amplifier=load_amplifier(DEMO),
        calibrate=False,
        wrap_operator=lambda simulated: PromptsFirst(simulated, person),
    ) as bench:
        ready_to_drive(bench)
        assert person.tone_off is not None
        bench.tone(0.05, ["left"])
        person.tone_off()
        with pytest.raises(SafetyStop, match="space bar"):
            bench.tone(0.05, ["left"])


@pytest.mark.parametrize("on_s", [0.0, 20.0])
def test_an_open_set_is_empty_before_it_is_touched(bench, emitted, on_s):
    """Every procedure that takes the lid off begins so: charge is told, and measured until it is gone."""
    said = []
    bench.events.subscribe(lambda event: said.append(str(event.get("text", ""))))
    if on_s:
        bench.mains_on()
        bench.sleep(on_s)
    bench.mains_off("Off at the wall.", lid="off")
    step = measure.emptied(bench)
    charge = next(step)
    if not on_s:
        assert max(r.value for r in charge) < 2.0
        with pytest.raises(StopIteration):
            step.send(charge)
        return
    assert max(r.value for r in charge) > 20.0
    left = step.send(charge)
    assert {r.conditions["at"] for r in left} == {"after switching off"}
    assert max(r.value for r in left) < 2.0
    assert any("CHARGED" in text for text in said)
