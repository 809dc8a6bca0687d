"""Diagnosis of rows: what it says, from what, and what the data files promise."""

from __future__ import annotations

import csv
import json
import math
import os
import shutil
import subprocess
import sys
import tomllib
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from benchtest.amplifier_file import load_amplifier
from benchtest.diagnosis import diagnose, unmeasured, weigh
from benchtest.diagnosis.belief import TWO_FAULTS, second_faults
from benchtest.diagnosis.features import Feature, Sheet, features
from benchtest.diagnosis.knowledge import HEALTHY, HOW_OFTEN, build, shipped
from benchtest.diagnosis.next_check import telling, worth
from benchtest.diagnosis.rows import seen
from benchtest.diagnosis.tuning import Case, tune
from benchtest.errors import FileError
from simulated_instruments.faults import SCENARIOS
from tests.procedures.test_power_on import power_on

ROOT = Path(__file__).parents[2]
DEMO = load_amplifier(ROOT / "procedures" / "demo_amplifier.toml")

DECLARED = {
    "open-path": {"speaker-fuse-open", "speaker-fuse-and-shorted-cable", "relay-open", "output-joint-open",
                  "headphone-contact-open"},
    "crossed": {"channels-crossed", "leads-swapped"},
    "level-disagreement": {"divider-wrong", "calibration-stale"},
    "input-offset": {"input-pair-unbalanced", "feedback-capacitor-shorted"},
    "bass-loss": {"feedback-capacitor-dry", "coupling-capacitor-dry"},
    "uneven-halves": {"halves-unequal", "parallel-device-open", "output-half-open"},
    "low-rails": {"mains-setting-wrong", "transformer-shorted-turn"},
    "rail-at-output": {"output-stage-shorted", "feedback-resistor-open"},
}  # fmt: skip
"""What may look alike at the terminals (common practice); no group may be larger."""


def row(
    quantity: str, channel: str, value: float | None, unit: str, *, verdict: str = "pass", note: str = "", **conditions
):
    return {"quantity": quantity, "channel": channel, "value": value, "unit": unit, "verdict": verdict, "note": note,
            "conditions": json.dumps(conditions)}  # fmt: skip


@pytest.fixture(scope="module")
def broken(tmp_path_factory):
    return power_on(tmp_path_factory.mktemp("archive"), scenario="speaker-fuse-open", channel="left", seed=2)[0]


def test_it_is_asked_in_another_process_from_a_copied_csv(broken, tmp_path):
    shutil.copy(broken.folder / "readings.csv", tmp_path / "copied.csv")
    shutil.copy(ROOT / "procedures" / "demo_amplifier.toml", tmp_path)
    script = (
        "import csv, json, pathlib\n"
        "from benchtest.amplifier_file import load_amplifier\n"
        "from benchtest.diagnosis import diagnose\n"
        "rows = list(csv.DictReader(open('copied.csv', encoding='utf-8', newline='')))\n"
        "print(json.dumps([c.as_dict() for c in diagnose(rows, load_amplifier(pathlib.Path('demo_amplifier.toml')))]))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert json.loads(done.stdout) == broken.summary["diagnosis"]
    assert json.loads(done.stdout)[0]["cause"] == "speaker-fuse-open"


def test_evidence_quotes_readings_in_plain_words(broken):
    first = broken.summary["diagnosis"][0]
    assert set(first) == {"cause", "channel", "probability", "evidence", "next_check"}
    assert any("SPEAKER FUSE OPEN" in line for line in first["evidence"])
    assert not any("dc_offset" in line or "fuse_resistance" in line or " none " in line for line in first["evidence"])
    assert "find what blew it" in first["next_check"]


def test_probabilities_are_probabilities(broken):
    listed = broken.summary["diagnosis"]
    assert all(0.0 < cause["probability"] <= 1.0 for cause in listed)
    assert sum(cause["probability"] for cause in listed) <= 1.0 + 1e-6
    everything = weigh(features(Sheet(seen(broken.rows), DEMO)), shipped())
    assert math.isclose(sum(everything.probability.values()), 1.0, rel_tol=1e-9)


def test_rows_read_back_from_csv_give_the_same_features(broken):
    with (broken.folder / "readings.csv").open(encoding="utf-8", newline="") as file:
        copied = features(Sheet(seen(csv.DictReader(file)), DEMO))
    direct = features(Sheet(seen(broken.rows), DEMO))
    assert copied.keys() == direct.keys()
    assert all(math.isclose(copied[k].value, direct[k].value, rel_tol=1e-9, abs_tol=1e-12) for k in direct)


def test_nothing_is_said_of_nothing():
    assert diagnose([], DEMO) == []


def test_too_little_was_measured_to_call_it_healthy():
    rows = [row("dc_offset", c, 2e-3, "V", at="relay + 10 s") for c in ("left", "right")]
    assert all(cause.cause != HEALTHY for cause in diagnose(rows, DEMO))


def test_healthy_is_said_of_a_whole_run_and_not_of_its_first_half(tmp_path_factory):
    whole = power_on(tmp_path_factory.mktemp("archive"), scenario="healthy", seed=5)[0]
    first = whole.summary["diagnosis"][0]
    assert (first["cause"], whole.summary["unmeasured"]) == (HEALTHY, [])
    for share in (0.2, 0.4, 0.6):
        rows = whole.rows[: int(share * len(whole.rows))]
        assert "THD" in unmeasured(rows)
        assert all(cause.cause != HEALTHY for cause in diagnose(rows, DEMO))


def test_what_was_read_on_the_lamp_does_not_count_as_measured():
    rows = [row("dc_offset", c, 2e-3, "V", at="on the lamp") for c in ("left", "right")]
    assert unmeasured(rows)[0] == "DC at the output"


def test_a_rail_before_an_open_relay_names_its_channel():
    rows = [row("dc_offset", c, 1e-6, "V", verdict="inconclusive", at="relay + 10 s") for c in ("left", "right")]
    before = {"at": "before relay and fuse", "point": "before relay and fuse"}
    rows += [row("dc_offset", c, v, "V", verdict="fail", **before) for c, v in (("left", 6e-3), ("right", 41.7))]
    first = diagnose(rows, DEMO)[0]
    assert first.channel == "right"
    assert first.cause in DECLARED["rail-at-output"]


@pytest.mark.parametrize(("left", "right", "cause"), [(0.05, 2e-4, "leads-swapped"), (2e-4, 0.05, "channels-crossed")])
def test_the_meter_at_the_terminals_parts_leads_from_channels(left, right, cause):
    crossed = "no response to the tone: 0.05 V expected, 2e-05 V seen. The other channel answers: channels crossed?"
    rows = [row("gain", c, None, "dB", verdict="fail", note=crossed, at="50 mV", other_channel_v=0.05, volume="full")
            for c in ("left", "right")]  # fmt: skip
    rows += [
        row("tone_at_terminals", c, v, "V", at="50 mV into the left input")
        for c, v in (("left", left), ("right", right))
    ]
    first = diagnose(rows, DEMO)[0]
    assert first.cause == cause
    assert any("by the meter" in line for line in first.evidence)


def test_leads_that_read_open_are_the_bench():
    rows = [
        row(
            "lead_resistance",
            "none",
            None,
            "ohm",
            verdict="inconclusive",
            note="the leads read open together: clean them",
        )
    ]
    rows += [row("dc_offset", c, 3e-3, "V", at="relay + 10 s") for c in ("left", "right")]
    first = diagnose(rows, DEMO)[0]
    assert first.cause == "meter-lead-off"


def test_a_second_fault_is_weighed_by_what_the_first_leaves_unexplained():
    # closed form: A shows only "noise", B only "hum"; both high. The odds of B beside A are its prior times the likelihood
    # ratio of hum alone, 0.9/0.1 = 9
    symptoms = {"channel": {n: {"words": n, "unit": "V", "cost": 1, "danger": 0, "cuts": [0.001], "normal": [0.9, 0.1],
                                "weight": 1.0} for n in ("noise", "hum")}}  # fmt: skip
    high = [{"symptom": "", "above": 0.002, "how": "always"}]
    causes = [{**HISS, "name": n, "channels": "both", "shows": [{**high[0], "symptom": s, "side": "both"}]}
              for n, s in (("a", "noise"), ("b", "hum"))]  # fmt: skip
    known = build({"causes": causes}, symptoms, {})
    seen_both = {(n, "left"): Feature(n, "left", 0.01, ()) for n in ("noise", "hum")}
    ((second, p),) = second_faults(seen_both, known, ("a", "both"))
    odds = TWO_FAULTS * 0.5 * HOW_OFTEN["always"] / 0.1
    assert second == ("b", "both")
    assert p == pytest.approx(odds / (1 + odds))


def test_two_values_typed_in_by_hand_name_a_rail_at_the_output():
    rows = [
        {
            "quantity": "dc_offset",
            "channel": "left",
            "value": "41.2",
            "unit": "V",
            "conditions": '{"at":"relay + 10 s"}',
        },
        {
            "quantity": "dc_offset",
            "channel": "right",
            "value": "0.003",
            "unit": "V",
            "conditions": '{"at":"relay + 10 s"}',
        },
    ]
    first = diagnose(rows, DEMO)[0]
    assert first.channel == "left"
    assert first.cause in DECLARED["rail-at-output"]
    assert "41.2 V" in " ".join(first.evidence)


def test_a_missing_reading_is_no_evidence():
    rows = [row("thd", "left", None, "%", verdict="not_measured", at="1 W")]
    assert features(Sheet(seen(rows), DEMO)) == {}


def test_the_kind_of_output_stage_counts():
    rows = [row("rail_voltage", "none", v, "V", at="idle", rail=r) for v, r in ((83.0, "positive"), (0.0, "negative"))]
    coupled = DEMO.model_copy(update={"output_stage": "capacitor_coupled"})
    assert ("rail_lost", "none") in features(Sheet(seen(rows), DEMO))
    assert ("rail_lost", "none") not in features(Sheet(seen(rows), coupled))


# -------------------------------------------------------------------- the data


def test_every_scenario_is_a_known_cause():
    named = {s for s in SCENARIOS if not s.startswith(HEALTHY)} - {"relay-contact-and-joint"}
    assert named - set(shipped().causes) == set()


def test_groups_are_no_larger_than_declared():
    members: dict[str, set[str]] = {}
    for cause in shipped().causes.values():
        if cause.group:
            members.setdefault(cause.group, set()).add(cause.name)
    assert {group: names - DECLARED.get(group, set()) for group, names in members.items()} == {
        g: set() for g in members
    }
    assert all(shipped().groups[group].separate for group in members)


def test_every_piece_of_data_says_where_it_comes_from():
    assert all(cause.provenance for cause in shipped().causes.values())
    likelihoods = tomllib.loads((resources.files("benchtest.published") / "diagnosis" / "likelihoods.toml").read_text())
    assert "seeds" in likelihoods["provenance"]
    causes = (resources.files("benchtest.published") / "diagnosis" / "causes.toml").read_text()
    assert causes.count("provenance = ") >= len(shipped().causes) + len(shipped().groups)


def test_tables_are_distributions():
    known = shipped()
    for table in (*known.tables.values(), *known.normal.values()):
        assert math.isclose(float(np.exp(table).sum()), 1.0, abs_tol=1e-6)


SMALL_SYMPTOMS = {"channel": {"noise": {"words": "noise", "unit": "V", "cost": 1, "danger": 0}}}


def small(causes: list[dict], likelihoods: dict | None = None):
    return build({"causes": causes}, SMALL_SYMPTOMS, likelihoods or {"cuts": {"noise": [0.001]}, "weights": {"noise": 1.0},
                                                                     "normal": {"noise": [0.9, 0.1]}})  # fmt: skip


HISS = {"name": "hiss", "words": "it hisses", "channels": "one", "confirm": "listen", "provenance": "mine"}


def test_a_technician_adds_a_cause_with_words_for_how_often():
    known = small([{**HISS, "shows": [{"symptom": "noise", "above": 0.002, "how": "usually"}]}])
    p = np.exp(known.tables[("hiss", "this", "noise")])
    assert p == pytest.approx([0.15, 0.85])


@pytest.mark.parametrize(
    ("cause", "said"),
    [
        ({"name": "hiss"}, "lacks words"),
        ({**HISS, "channels": "three"}, "channels"),
        ({**HISS, "group": "frogs"}, "does not exist"),
        ({**HISS, "shows": [{"symptom": "noise", "above": 1.0, "how": "perhaps"}]}, "how"),
        ({**HISS, "shows": [{"symptom": "frog", "above": 1.0, "how": "often"}]}, "symptom"),
    ],
)
def test_a_mistake_in_the_data_is_named(cause, said):
    with pytest.raises(FileError, match=said):
        small([cause])


def test_tuning_finds_the_cut_and_bayes_rule_gives_the_odds():
    # two normal distributions three standard deviations apart: the best cut lies between, and the posterior of a value
    # far on one side is that of Bayes' rule with the counted shares (closed form)
    rng = np.random.default_rng(1)
    known = small([HISS], {})
    cases = [
        Case(HEALTHY, "none", {("noise", c): float(rng.lognormal(-9, 0.3)) for c in ("left", "right")})
        for _ in range(200)
    ]
    cases += [
        Case(
            "hiss",
            "left",
            {("noise", "left"): float(rng.lognormal(-6, 0.3)), ("noise", "right"): float(rng.lognormal(-9, 0.3))},
        )
        for _ in range(200)
    ]
    found = tune(cases, known)
    (cut, *_) = found["cuts"]["noise"]
    assert math.exp(-9) < cut < math.exp(-6)
    assert found["weights"]["noise"] > 0.1
    high = [
        p
        for c, p in zip([0.0, *found["cuts"]["noise"]], found["shows"]["hiss"]["this"]["noise"], strict=True)
        if c >= cut
    ]
    assert sum(high) > 0.9
    assert "other" not in found["shows"]["hiss"]


def test_what_tells_nothing_is_worth_nothing():
    known = small([HISS])
    p = np.exp(known.log_prior())
    assert telling(p / p.sum(), known, "noise") == pytest.approx(0.0, abs=1e-12)


def test_a_dangerous_and_slow_measurement_is_worth_less():
    known = small([{**HISS, "shows": [{"symptom": "noise", "above": 0.002, "how": "always"}]}])
    p = np.exp(known.log_prior())
    p = p / p.sum()
    assert (
        worth(p, known, ["noise"], 10.0, 0)
        > worth(p, known, ["noise"], 10.0, 2)
        > worth(p, known, ["noise"], 100.0, 2)
        > 0
    )


def test_figures_with_gaps_in_their_tone_are_no_figures_of_the_amplifier():
    gone = row("dropouts", "left", 12.0, unit="%", at="tone, warm", of="tone")
    thd = [row("thd", channel, 3.0, unit="%", at="1 W") for channel in ("left", "right")]
    spec = DEMO
    names = {key for key, _ in features(Sheet(seen([*thd]), spec)).items()}
    assert ("thd_1w", "left") in names
    left = features(Sheet(seen([*thd, gone]), spec))
    assert ("thd_1w", "left") not in left
    assert ("thd_1w", "right") in left
    assert left[("gone_tone", "left")].value == 12.0


def test_a_sweep_lost_by_a_channel_that_answers_is_told_from_one_that_was_not_played():
    gain = row("gain", "left", 31.4, unit="dB", volume="full")
    lost = row(
        "frequency_response",
        "left",
        None,
        unit="dB",
        verdict="not_measured",
        note="the clocks seem to differ by 14739 parts per million",
    )
    refused = row(
        "frequency_response",
        "left",
        None,
        unit="dB",
        verdict="not_measured",
        note="left channel is not driven: open circuit",
    )
    spec = DEMO
    assert features(Sheet(seen([gain, lost]), spec))[("sweep_lost", "left")].value == 1.0
    assert ("sweep_lost", "left") not in features(Sheet(seen([gain, refused]), spec))
    assert ("sweep_lost", "left") not in features(Sheet(seen([lost]), spec))


def test_what_the_search_itself_says_is_no_evidence():
    assert seen([row("fault_found", "left", 1.0, unit="1")]) == []
