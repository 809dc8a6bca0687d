"""The dwell of rated_power, which is off in the script: it asks first, keeps to ten seconds at a time, and can be declined."""

from __future__ import annotations

import re

import pytest

from benchtest.procedure import load_procedure, run
from benchtest.safety import open_bench
from tests.procedures.conftest import PROCEDURES, load_amplifier


@pytest.fixture
def with_a_dwell(tmp_path):
    text = (PROCEDURES / "rated_power.py").read_text(encoding="utf-8")
    text = re.sub(r"MINUTES = \(\n    5\.0", "MINUTES = (\n    1.0", text)
    path = tmp_path / "rated_power.py"
    path.write_text(text.replace("DWELL_MINUTES = 0.0", "DWELL_MINUTES = 0.5"), encoding="utf-8")
    return load_procedure(str(path))


@pytest.mark.slow
@pytest.mark.parametrize("answer", ["yes", "no"])
def test_the_dwell_asks_and_then_does_what_was_answered(with_a_dwell, answer):
    asked = []

    def wrapped(operator):
        plain = operator.ask

        def ask(question, choices, *, about=""):
            if "thermal link" not in question:
                return plain(question, choices, about=about)
            asked.append(question)
            return answer

        operator.ask = ask
        return operator

    amplifier = load_amplifier(PROCEDURES / "demo_amplifier.toml")
    with open_bench(None, amplifier=amplifier, seed=3, wrap_operator=wrapped) as bench:
        result = run(with_a_dwell, bench, archive=None)
    assert result.summary["result"] == "passed", result.summary["error"]
    assert len(asked) == 1
    dwell = [r for r in result.rows if r["step"] == "dwell" and r["quantity"] == "soak_thd"]
    if answer == "no":
        assert [(r["verdict"], r["note"]) for r in dwell] == [
            ("not_measured", "declined by the person: a thermal link cannot be reset")
        ]
        return
    assert {r["channel"]: r["verdict"] for r in dwell} == {"left": "pass", "right": "pass"}
    assert all(r["level"] == pytest.approx((60.0 * 8.0) ** 0.5, rel=0.02) for r in dwell)  # 60 W into 8 ohm
    assert {r["quantity"] for r in result.rows if r["step"] == "dwell"} >= {"dc_offset", "output_power"}
