"""Cases played by typing, as a trainee plays them: the words, the unsafe acts, the marks, the record."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchtest import archive as archives
from benchtest.cli import benchtest as command
from benchtest.errors import FileError
from benchtest.training.exercises import exercise_text, read_exercise
from benchtest.training.lessons import all_played, draw_case, lesson_case, lessons
from simulated_instruments.faults import SCENARIOS

READY = ["rails", "inputs shorted", "volume minimum", "load 1 kilohm", "lamp in", "mains on", "mains off", "lamp out"]


def play(folder: Path, lines: list[str], *options: str) -> tuple[dict, str]:
    found = CliRunner().invoke(
        command, ["train", *options, "--archive", str(folder), "--json"], input="\n".join(lines) + "\n"
    )
    assert found.exception is None or isinstance(found.exception, SystemExit), found.exception
    return json.loads(found.stdout), found.stderr


def test_every_scenario_that_is_taught_exists():
    assert all_played() <= set(SCENARIOS)
    assert sorted(lessons()) == list(range(1, 11))


def test_one_case_in_five_is_healthy():
    # 1000 draws of a fifth: 200 with a standard deviation of 12.6 (binomial)
    for level in ("easy", "medium", "hard"):
        healthy = sum(draw_case(level, seed).scenario.startswith("healthy") for seed in range(1000))
        assert abs(healthy - 200) < 4 * 12.6


def test_the_same_seed_is_the_same_case():
    assert draw_case("hard", 11) == draw_case("hard", 11)
    assert lesson_case(7, 2) == lesson_case(7, 2)


def test_a_leaky_capacitor_is_found_at_full_volume(tmp_path):
    lines = [*READY, "mains on", "dc", "volume full", "dc", "mains off", "verdict input capacitor leaky left"]
    page, said = play(tmp_path, lines, "--lesson", "6", "--seed", "5")
    assert (page["scenario"], page["safe"]) == ("input-capacitor-leaky", True)
    assert page["right"]
    assert "full volume" in said.partition("What gave it away")[2]
    assert page["score"] == (100 if page["channel"] == "left" else 85)


def test_a_zero_at_both_outputs_is_looked_at_before_the_relay(tmp_path):
    lines = [
        *READY, "mains on", "dc", "mains off", "measure dc left amplifier output", "mains on",
        "measure dc left amplifier output", "mains off", "verdict protection-holds-off",
    ]  # fmt: skip
    page, said = play(tmp_path, lines, "--lesson", "4", "--seed", "3")
    assert page["right"]
    assert page["score"] == 100
    assert "left amplifier output: -4.7 mV" in said or "mV" in said


@pytest.mark.parametrize(
    ("lines", "consequence"),
    [
        ([*READY, "mains on", "load load"], "with the mains on"),
        ([*READY, "mains on", "measure ohms left speaker fuse"], "with the mains on"),
        ([*READY, "mains on", "measure dc left relay contact"], "Inside points"),
        ([*READY, "mains on", "mains off", "measure ohms left speaker fuse"], "still on a reservoir"),
        ([*READY, "mains on", "discharge"], "glowed"),
    ],
)
def test_an_unsafe_act_loses_the_case_and_shows_its_consequence(tmp_path, lines, consequence):
    page, said = play(tmp_path, [*lines, "verdict protection-holds-off"], "--lesson", "4", "--seed", "3")
    assert (page["score"], page["safe"], page["right"]) == (0, False, False)
    assert consequence in said.partition("UNSAFE")[2]


def test_a_bright_lamp_is_a_reason_to_stop(tmp_path):
    page, said = play(tmp_path, [*READY, "stop"], "--lesson", "5", "--seed", "5")
    assert "The series lamp is bright" in said
    assert (page["right"], page["score"]) == (True, 100)


def test_a_bright_lamp_is_no_reason_to_try_without_it(tmp_path):
    page, said = play(tmp_path, [*READY, "mains on"], "--lesson", "5", "--seed", "5")
    assert not page["safe"]
    assert "went up in smoke" in said


def test_to_stop_where_it_could_be_done_costs_but_is_not_wrong(tmp_path):
    page, _ = play(tmp_path, ["stop"], "--lesson", "6", "--seed", "5")
    assert (page["safe"], page["right"], page["score"]) == (True, False, 40)


def test_to_hand_back_a_dangerous_set_is_lost(tmp_path):
    page, said = play(tmp_path, ["verdict healthy"], "--lesson", "5", "--seed", "5")
    assert page["score"] == 0
    assert "fuses blow again" in said


def test_measuring_a_lot_costs_little(tmp_path):
    lines = [*READY, *["rails"] * 18, "verdict healthy"]
    page, _ = play(tmp_path, lines, "--lesson", "1", "--seed", "1")
    assert page["right"]
    assert page["score"] == 100 - (19 - 15)


def test_what_is_not_understood_is_explained_and_costs_nothing(tmp_path):
    page, said = play(
        tmp_path, ["mesure dc", "measure dc left outputt", "verdict frog", "verdict healthy"], "--lesson", "1"
    )
    assert "is not understood" in said
    assert "no point 'left_outputt'" in said
    assert "no cause 'frog'" in said
    assert page["score"] == 100


def test_the_record_is_a_run_marked_as_training(tmp_path):
    page, _ = play(tmp_path, ["rails", "verdict healthy"], "--lesson", "1", "--trainee", "me")
    kept = archives.open(tmp_path).find(Path(page["folder"]).name)
    assert kept.summary["result"] == "training"
    assert kept.summary["training"]["trainee"] == "me"
    assert len(kept.rows()) == 3  # each rail, and rail to rail
    shown = CliRunner().invoke(command, ["train", "--progress", "--archive", str(tmp_path), "--json"])
    (played,) = json.loads(shown.stdout)
    assert (played["trainee"], played["right"], played["score"]) == ("me", True, page["score"])


def test_an_exercise_without_the_answer_plays_the_same_case(tmp_path):
    case = draw_case("hard", 13)
    path = tmp_path / "exercise.toml"
    path.write_text(exercise_text(case, level="hard", with_answer=False))
    assert "scenario =" not in path.read_text()
    assert read_exercise(path).scenario == case.scenario
    path.write_text(exercise_text(case, level="hard", with_answer=True))
    assert f'scenario = "{case.scenario}"' in path.read_text()
    assert read_exercise(path).scenario == case.scenario


@pytest.mark.parametrize("text", ["", "[exercise]\nseed = 'x'", "[exercise]\nseed = 1\nscenario = 'frog'", "["])
def test_a_bad_exercise_says_what_is_wrong(tmp_path, text):
    path = tmp_path / "exercise.toml"
    path.write_text(text)
    with pytest.raises(FileError, match=r"exercise\.toml"):
        read_exercise(path)


@pytest.mark.slow
@pytest.mark.parametrize("number", range(1, 11))
def test_every_lesson_can_be_won_with_the_whole_test(tmp_path, number):
    case = lesson_case(number, 4)
    from simulated_instruments.truth import draw_truth

    channel = draw_truth(4, case.scenario).channel
    word = "healthy" if case.scenario.startswith("healthy") else f"{case.scenario} {channel}"
    page, _ = play(tmp_path, ["run power_on", "mains off", f"verdict {word}"], "--lesson", str(number), "--seed", "4")
    assert page["right"]
    assert page["score"] >= 90


def test_a_tone_with_the_volume_down_is_refused_and_costs_nothing(tmp_path):
    lines = [*READY, "mains on", "dc", "gain", "inputs sound_card", "power left", "mains off", "verdict healthy"]
    page, said = play(tmp_path, lines, "--lesson", "1", "--seed", "3")
    assert "plays into nothing" in said
    assert "the volume is at minimum" in said
    assert "OUTSIDE ITS LIMITS" not in said
    assert page["score"] == 100


def test_an_open_diode_hums_at_the_mains_frequency_and_ripples_on_one_rail(tmp_path):
    # an open diode of a bridge leaves one rail every other half wave: the mains frequency (50 Hz here), not twice it
    lines = [*READY, "mains on", "dc", "volume full", "dc", "mains off", "load load", "mains on", "dc", "noise",
             "inputs sound_card", "gain", "power left", "ripple left", "mains off", "verdict rectifier"]  # fmt: skip
    seed = next(s for s in range(20) if lesson_case(7, s).scenario == "rectifier-diode-open")
    page, said = play(tmp_path, lines, "--lesson", "7", "--seed", str(seed))
    assert "hum, left, inputs shorted, 50.0 Hz" in said
    assert sum("rail ripple, half power" in one and one.endswith("mV") for one in said.splitlines()) == 2
    assert page["right"]
