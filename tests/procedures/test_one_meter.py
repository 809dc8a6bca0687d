"""A bench with one meter that is moved: every procedure goes through, and what nothing reaches is not measured."""

from __future__ import annotations

import io
import json
import re

import pytest

from benchtest.amplifier_file import load_amplifier
from benchtest.calibration import calibration_frequency, make_calibration
from benchtest.errors import NotAllowed, NotReachable
from benchtest.instruments.person import PersonOperator
from benchtest.measurements.carrying import carry_meter, is_inside
from benchtest.procedure import Procedure, load_procedure, run
from benchtest.reading import Reading
from benchtest.safety import open_bench
from tests.procedures.conftest import PROCEDURES, RunIt

HANDHELD = "demo_handheld_bench.toml"
ALL = sorted(path.stem for path in PROCEDURES.glob("*.py") if not path.stem.startswith("_"))


@pytest.mark.parametrize("procedure", ALL)
def test_every_procedure_goes_through_with_one_hand_held_meter(run_it: RunIt, procedure):
    heard = run_it(procedure, bench_file=HANDHELD)
    assert heard.result.summary["result"] in ("passed", "inconclusive")
    assert heard.unsafe_acts == []


def test_power_on_measures_what_the_one_meter_reaches_and_says_why_not_the_rest(run_it: RunIt):
    heard = run_it("power_on", bench_file=HANDHELD)
    assert (heard.result.summary["result"], heard.result.exit_status) == ("inconclusive", 5)
    measured = {r["quantity"] for r in heard.result.rows if r["value"] is not None}
    assert {"residual_charge", "fuse_resistance", "rail_voltage", "dc_offset", "offset_drift"} <= measured
    missing = heard.rows("gain") + heard.rows("output_power")
    assert {r["verdict"] for r in missing} == {"not_measured"}
    assert all("no sound card" in r["note"] for r in missing)
    assert "output_power left" in heard.result.summary["not_decided"]
    assert not any("sound card's output" in e["say"] for e in heard.events if e["event"] == "prompt")


def test_stored_charge_is_measured_with_it_before_ohms(run_it: RunIt):
    order = [r["quantity"] for r in run_it("power_on", bench_file=HANDHELD).result.rows]
    assert order.index("residual_charge") < order.index("lead_resistance") < order.index("fuse_resistance")


def test_it_comes_and_goes_inside_with_the_mains_off_only_and_between_outputs_live(run_it: RunIt):
    mains, at, moves = "unknown", "", []
    for event in run_it("power_on", bench_file=HANDHELD).events:
        if event["event"] == "prompt":
            mains = event["settings"].get("mains", mains)
            at = "" if "lamp" in event["settings"] else at  # after the cold step, whose points are touched by key
            to = event["settings"].get("bench meter")
            if to is not None:
                moves.append((at, to, mains))
                at = to
    assert {mains for came, went, mains in moves if is_inside(came) or is_inside(went)} == {"off"}
    assert sum(mains == "on" for came, went, mains in moves if came.endswith("output") and went.endswith("output")) > 4


def test_nobody_is_told_to_take_a_lead_off_inside_a_live_set():
    with open_bench(PROCEDURES / HANDHELD) as bench:
        bench.hook_up("Lid off.", lid="off")
        bench.move_meter("rail_positive")
        bench.mains_on()
        with pytest.raises(NotAllowed, match="sits on rail_positive, inside the set, and the mains is on"):
            bench.move_meter("left_output")
        carry_meter(bench, "left_output")
        assert bench.sits_on("left_output")
        assert bench.hook_up_now.mains == "on"


class Hand:
    """Lines that a person would type at the prompts of a terminal, by what is on the screen."""

    def __init__(self) -> None:
        self.screen = io.StringIO()
        self.at = ""
        self.mains = "off"
        self.seen = 0

    def isatty(self) -> bool:
        return False

    def readline(self) -> str:
        text = self.screen.getvalue()[self.seen :]
        self.seen += len(text)
        moved = re.findall(r"meter 'bench meter': (.*)", text)
        self.at = moved[-1] if moved else self.at
        if "switch the amplifier on" in text:
            self.mains = "on"
        if "switch off AT THE WALL" in text:
            self.mains = "off"
        return f"{self.answer(text)}\n"

    def answer(self, text: str) -> str:
        if "series lamp now" in text:
            return "dull"
        if "Were output devices" in text:
            return "no"
        if "wattmeter" in text:
            return "none"
        if "on ohms" in text:
            return "8.2" if "load" in self.at else "0,2 ohm"
        if "on DC volts" in text:
            if "rail" not in self.at:
                return "12.3 mV" if "left" in self.at else "-0.0045"
            return "0.01" if self.mains == "off" else ("41.2 V" if "positive" in self.at else "-41,0")
        return ""


def test_a_person_types_every_value_at_a_terminal():
    hand = Hand()
    amplifier = load_amplifier(PROCEDURES / "demo_amplifier.toml")

    def typed(_):
        return PersonOperator(["bench meter"], keys=hand, screen=hand.screen)

    with open_bench(PROCEDURES / HANDHELD, amplifier=amplifier, wrap_operator=typed) as bench:
        result = run(load_procedure(str(PROCEDURES / "power_on.py")), bench, archive=None)
    assert (result.summary["result"], result.exit_status) == ("inconclusive", 5), result.summary["error"]
    values = {
        (r["quantity"], r["channel"], json.loads(r["conditions"]).get("rail")): r["value"]
        for r in result.rows
        if r["value"] is not None
    }
    assert values["dc_offset", "left", None] == 0.0123
    assert values["rail_voltage", "none", "negative"] == -41.0
    assert values["load_resistance", "left", None] == pytest.approx(8.0)
    assert values["offset_drift", "right", None] == 0.0


def page(*, required: bool) -> Procedure:
    test = Procedure("Two steps", name="two_steps")

    @test.step("What no instrument reaches", why="", required=required)
    def unreachable(bench, amplifier):
        yield []
        raise NotReachable("no meter reaches the moon")

    @test.step("The next one", why="")
    def after(bench, amplifier):
        yield Reading(quantity="residual_charge", channel="none", value=0.0, unit="V", expanded_uncertainty=0.01)

    return test


@pytest.mark.parametrize(("required", "result", "status"), [(False, "passed", 0), (True, "inconclusive", 5)])
def test_a_step_that_nothing_reaches_is_not_measured_and_the_run_goes_on(required, result, status):
    with open_bench(PROCEDURES / HANDHELD) as bench:
        ended = run(page(required=required), bench, archive=None)
    first, second = ended.rows
    assert (first["quantity"], first["verdict"], first["value"]) == ("step", "not_measured", None)
    assert first["note"] == "no meter reaches the moon"
    assert second["verdict"] == "pass"
    assert (ended.summary["result"], ended.exit_status) == (result, status)


def bench_with_a_sound_card(tmp_path, dmm: str):
    from benchtest.bench import simulated_bench_text

    text = simulated_bench_text()
    audio = text[text.index("[audio]") :].partition("\n[")[0]
    head = (PROCEDURES / HANDHELD).read_text().partition("[[dmm]]")[0]
    path = tmp_path / "bench.toml"
    path.write_text(head.replace("tolerance_percent", "power_rating_w = 100.0\ntolerance_percent") + dmm + audio)
    return path


HAND_HELD = '[[dmm]]\nname = "bench meter"\ndriver = "handheld"\nconnected_to = "{at}"\n'


def test_it_calibrates_the_sound_card_inside_its_own_band(tmp_path):
    path = bench_with_a_sound_card(tmp_path, HAND_HELD.format(at="movable"))
    with open_bench(path) as bench:
        assert calibration_frequency(bench.file.dmm[0]) == 400.0  # a plain meter's band ends at 500 Hz
        assert bench.calibration.frequency_hz == 400.0
        # the simulated card and dividers are drawn within some percent of what is stated; the meter is good to 2 %
        stated = bench.file.audio.output_full_scale_v
        assert bench.calibration.output_volts_per_full_scale == pytest.approx((stated, stated), rel=0.05)
        assert bench.calibration.kind == "measured"


def test_a_bench_without_a_sound_card_has_nothing_that_could_be_calibrated():
    with open_bench(PROCEDURES / HANDHELD) as bench:
        assert bench.calibration.warning == ""
        with pytest.raises(NotReachable, match="has no sound card: there is nothing to calibrate"):
            make_calibration(bench)


def test_nobody_is_asked_to_type_while_a_tone_sounds(tmp_path):
    """A hand-held meter on the DC watch is no watch: text is asked for with the tone off only."""
    path = bench_with_a_sound_card(tmp_path, HAND_HELD.format(at="movable") + HAND_HELD.format(at="dc_watch").replace(
        "bench meter", "dc watch"))  # fmt: skip
    amplifier = load_amplifier(PROCEDURES / "demo_amplifier.toml")
    asked: list[bool] = []

    def listening(operator):
        plain = operator.enter

        def enter(question, *, unit):
            asked.append("dc watch" in question)
            return plain(question, unit=unit)

        operator.enter = enter
        return operator

    with open_bench(path, amplifier=amplifier, wrap_operator=listening, calibrate=False) as bench:
        result = run(load_procedure(str(PROCEDURES / "power_on.py")), bench, archive=None)
    assert result.summary["result"] in ("passed", "inconclusive", "failed"), result.summary["error"]
    assert next(r["value"] for r in result.rows if r["quantity"] == "output_power") is not None
    assert asked
    assert not any(asked)
