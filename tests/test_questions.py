"""Questions to files: what is answered makes a file that is read back without a fault."""

from __future__ import annotations

from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest import questions as screen
from benchtest.amplifier_file import amplifier_from_text, load_amplifier
from benchtest.bench_file import bench_from_text
from benchtest.cli.files import amplifier_new
from benchtest.errors import FileError
from benchtest.instruments.test_points import TEST_POINTS
from benchtest.questions import (
    AMPLIFIER_QUESTIONS,
    BENCH_QUESTIONS,
    Question,
    amplifier_text,
    answered,
    bench_text,
    next_question,
    shown,
)


def asked(questions: tuple[Question, ...], typed: dict[str, str]) -> dict[str, Any]:
    """Ask as a command does; what is not in ``typed`` is answered with the Enter key alone."""
    answers: dict[str, Any] = {}
    while (question := next_question(questions, answers)) is not None:
        answers[question.key] = answered(question, typed.get(question.key, ""))
    assert set(typed) <= set(answers)  # every answer that the test gives was asked for
    return answers


LOADS = {"left_ohm": "8,02 ohm", "right_ohm": "7.98"}
CARD = {"output_device": "card", "input_device": "card"}


def test_the_shortest_way_to_a_bench_with_a_hand_held_meter():
    text = bench_text(asked(BENCH_QUESTIONS, {**LOADS, "sound_card": "n"}))
    bench = bench_from_text(text, "bench.toml")
    assert (bench.load.left_ohm, bench.load.right_ohm, bench.load.power_rating_w) == (8.02, 7.98, 10.0)
    assert [meter.driver for meter in bench.dmm] == ["handheld"]
    assert bench.audio is None
    assert not bench.bench.simulated


def test_a_bench_with_everything():
    typed = {
        **LOADS, **CARD, "name": "workshop", "as_mounted": "bare", "lamp_w": "60 W", "power_rating_w": "100",
        "meter_1_driver": "scpi", "meter_1_resource": "ASRL/dev/ttyUSB0::INSTR", "meter_1_point": "left output",
        "meter_2_driver": "handheld", "meter_2_name": "yellow one", "sample_rate": "192000", "mains_frequency": "60",
        "meter_3_driver": "none",
    }  # fmt: skip
    bench = bench_from_text(bench_text(asked(BENCH_QUESTIONS, typed)), "bench.toml")
    assert [meter.name for meter in bench.dmm] == ["meter 1", "yellow one"]
    assert bench.dmm[0].connected_to == "left_output"
    assert bench.load.rating_as_mounted_w == pytest.approx(40.0)
    assert bench.lamp is not None
    assert bench.lamp.power_w == 60.0
    assert bench.audio is not None
    assert bench.audio.sample_rate == 192_000
    assert bench.bench.mains_frequency == 60.0


def test_the_hint_in_the_file_is_itself_a_bench_file_once_its_marks_are_taken_away():
    """Someone follows the comment: the rows go into the meter's section."""
    text = bench_text(asked(BENCH_QUESTIONS, {**LOADS, "sound_card": "n"}))
    hint = text[text.index("# accuracy =") :].replace("# ", "").replace("#", "")
    bench = bench_from_text(text.replace('connected_to = "movable"', 'connected_to = "movable"\n' + hint), "b")
    assert len(bench.dmm[0].accuracy) == 4


def test_an_amplifier_from_its_rear_label():
    typed = {
        "name": "living room", "serial": "0815", "output_stage": "direct", "rated_power_w": "60 W",
        "minimum_load_ohm": "4", "rated_thd_percent": "0,1 %", "sensitivity_v": "150 mV", "speaker_fuse_a": "4",
        "signal_to_noise_db": "80",
    }  # fmt: skip
    text = amplifier_text(asked(AMPLIFIER_QUESTIONS, typed))
    spec = amplifier_from_text(text, "a.toml")
    assert (spec.rated_power_w, spec.sensitivity_v, spec.rated_thd_percent) == (60.0, 0.15, 0.1)
    assert spec.output_stage == "direct_coupled"
    assert [claim.quantity for claim in spec.claims] == ["output_power", "thd", "signal_to_noise"]
    assert spec.claims[0].where["driven"] == "both"


def test_only_a_name_is_needed_and_nothing_is_invented():
    spec = amplifier_from_text(amplifier_text(asked(AMPLIFIER_QUESTIONS, {"name": "a module"})), "a.toml")
    assert (spec.rated_power_w, spec.rated_thd_percent, spec.claims, spec.limits) == (None, None, (), ())
    assert spec.output_stage == "unknown"


def test_the_points_that_are_offered_exist():
    for n in (1, 2, 3):
        assert set(by_key(BENCH_QUESTIONS, f"meter_{n}_point").choices) <= {"movable", *TEST_POINTS}


def test_an_amplifier_takes_a_minute():
    """About five seconds a question; "from the rear label, in one minute" allows no more."""
    assert len(AMPLIFIER_QUESTIONS) <= 13


def test_the_hints_in_an_amplifier_file_are_rows_once_their_marks_are_taken_away():
    text = amplifier_text(asked(AMPLIFIER_QUESTIONS, {"name": "a"}))
    lines = text.splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith("# [[claims]]"))
    rows = [line.removeprefix("# ") for line in lines[start:] if "=" in line or "[[" in line]
    spec = amplifier_from_text("\n".join(lines[:start] + rows), "a.toml")
    assert (len(spec.claims), len(spec.limits)) == (1, 1)


def by_key(questions: tuple[Question, ...], key: str) -> Question:
    return next(each for each in questions if each.key == key)


@pytest.mark.parametrize(
    ("key", "typed", "value"),
    [
        ("left_ohm", "8.02", 8.02),
        ("left_ohm", " 8,02 ohm ", 8.02),
        ("left_ohm", "0.0081 kohm", 8.1),
        ("tolerance_percent", "", 1.0),
        ("as_mounted", "2", "bare"),
        ("as_mounted", "HEAT", "heatsink"),
        ("mains_frequency", "60", "60"),
        ("mains_frequency", "2", "60"),
        ("sound_card", "No", False),
        ("lamp_w", "", None),
    ],
)
def test_what_may_be_typed(key, typed, value):
    assert answered(by_key(BENCH_QUESTIONS, key), typed) == value


@pytest.mark.parametrize(
    ("key", "typed", "says"),
    [
        ("left_ohm", "", "cannot be left out"),
        ("left_ohm", "eight", "'eight' is no number. Expected a number in ohm"),
        ("left_ohm", "-8", "out of range. Expected a number in ohm, above 0"),
        ("left_ohm", "0", "out of range"),
        ("left_ohm", "nan", "is no number"),
        ("left_ohm", "8 V", "no unit of the same kind"),
        ("left_input_divider", "0.04", "from 1 to 10000"),
        ("as_mounted", "hetasink", "Did you mean heatsink?"),
        ("meter_1_point", "left output minus", "none of the choices"),
        ("sound_card", "maybe", "Expected yes or no"),
    ],
)
def test_what_is_no_answer_says_what_was_expected(key, typed, says):
    with pytest.raises(FileError) as caught:
        answered(by_key(BENCH_QUESTIONS, key), typed)
    assert says in str(caught.value)


def test_answers_that_contradict_each_other_name_the_key():
    with pytest.raises(FileError, match="minimum_load_ohm = 16"):
        amplifier_text(asked(AMPLIFIER_QUESTIONS, {"name": "a", "minimum_load_ohm": "16"}))
    two = {**LOADS, "sound_card": "n", "meter_1_name": "x", "meter_2_driver": "handheld", "meter_2_name": "x"}
    with pytest.raises(FileError, match="a name of its own"):
        bench_text(asked(BENCH_QUESTIONS, two))
    wrong = {**LOADS, "sound_card": "n", "meter_1_driver": "scpi", "meter_1_resource": "the yellow one"}
    with pytest.raises(FileError, match="VISA resource name"):
        bench_text(asked(BENCH_QUESTIONS, wrong))


@settings(deadline=None)
@given(st.data())
def test_any_run_through_the_questions_makes_a_readable_file_or_says_why_not(data):
    for questions, write, read in (
        (BENCH_QUESTIONS, bench_text, bench_from_text),
        (AMPLIFIER_QUESTIONS, amplifier_text, amplifier_from_text),
    ):
        answers: dict[str, Any] = {}
        while (question := next_question(questions, answers)) is not None:
            answers[question.key] = data.draw(anything(question))
        try:
            text = write(answers)
        except FileError:
            continue
        assert read(text, "x.toml")


def anything(question: Question) -> st.SearchStrategy[Any]:
    """An answer as ``answered`` could return it."""
    if question.kind == "choice":
        return st.sampled_from(question.choices)
    if question.kind == "yes or no":
        return st.booleans()
    if question.kind == "text":
        return st.text(min_size=1, max_size=6).map(str.strip).filter(bool)
    numbers = st.floats(question.lowest, question.highest, exclude_min=question.above)
    return numbers if question.required or question.default is not None else st.none() | numbers


@pytest.mark.parametrize("question", [*BENCH_QUESTIONS, *AMPLIFIER_QUESTIONS], ids=lambda each: each.key)
def test_each_question_shows_its_unit_its_choices_by_number_and_what_enter_does(question):
    words = screen.asked(question)
    assert question.unit in words
    for number, choice in enumerate(question.choices, 1):
        assert f"[{number}] {choice}" in words
        if str(number) not in question.choices:
            assert answered(question, str(number)) == choice
    if question.required:
        assert "Must be answered" in words
        with pytest.raises(FileError, match="cannot be left out"):
            answered(question, "")
    else:
        default = answered(question, "")
        assert words.endswith("Enter: left out" if default is None else f"Enter: {shown(question, default)}")


def test_at_a_terminal_it_says_which_default_was_taken(tmp_path):
    path = tmp_path / "amplifier.toml"
    typed = "\n".join(["A salvaged set", "", "2", "", "60"]) + "\n" * 20
    ran = CliRunner().invoke(amplifier_new, [str(path)], input=typed)
    assert ran.exit_code == 0, ran.output
    assert "in one minute" in ran.stderr
    assert "What is it?  [1] integrated  [2]" in ran.stderr
    assert "taken: 8 ohm (the default)" in ran.stderr
    assert "taken: unknown (the default)" in ran.stderr
    assert ran.stderr.count("left out\n") >= 5
    assert load_amplifier(path).rated_power_w == 60.0
