"""Drift or scatter? Held to scipy's regression and to what Student's t promises."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from benchtest.archive.run import Run
from benchtest.archive.trend import drift, one_amplifier, slope_of, trends
from benchtest.report.drift import sentences

STARTED = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)

SOME = st.lists(st.floats(-1e3, 1e3).map(lambda v: round(v, 3)), min_size=4, max_size=20)


@given(values=SOME)
def test_slope_and_its_uncertainty_are_those_of_ordinary_least_squares(values):
    assume(len(set(values)) > 1)  # a constant has no slope for scipy to test
    x = np.arange(len(values)) * 3.7
    expected = stats.linregress(x, values)
    slope, width = slope_of(x.tolist(), values)
    scale = max(map(abs, values)) or 1.0
    assert slope == pytest.approx(expected.slope, rel=1e-6, abs=1e-9 * scale)
    assert width == pytest.approx(expected.stderr * stats.t.ppf(0.975, len(x) - 2), rel=1e-5, abs=1e-6 * scale)


def test_scatter_alone_is_called_a_drift_in_one_case_of_twenty():
    rng = np.random.default_rng(5)
    x = list(np.arange(8.0))
    called = 0
    for _ in range(2000):
        slope, width = slope_of(x, rng.standard_normal(8).tolist())
        called += abs(slope) > width
    assert 70 <= called <= 132  # 100 expected; 4.6 % and more of the binomial's spread (sd 9.7) to each side


@pytest.fixture
def runs(tmp_path, new_run, row):
    """runs(values, ...): one run a week with a reading of gain on each channel."""

    def make(values, serial="DEMO-1", **header):
        made = []
        for week, value in enumerate(values):
            amplifier = {"name": "Demo 60", "serial": serial if isinstance(serial, str) else serial[week]}
            when = STARTED + timedelta(days=7 * week)
            writer = new_run(tmp_path, "Demo 60", when, amplifier=amplifier, **{k: v[week] for k, v in header.items()})
            for number, (channel, shown) in enumerate((("left", value), ("right", 31.5))):
                writer.append_reading(
                    row(writer.run_id, number, quantity="gain", channel=channel, value=shown, unit="dB", time_utc=when,
                        expanded_uncertainty=0.05, lower_limit=29.5, upper_limit=33.5)
                )  # fmt: skip
            writer.close({"result": "passed"})
            made.append(Run(writer.folder))
        return made

    return make


def test_a_drifting_reference_is_called_a_drifting_bench(runs):
    found = trends(runs([31.50, 31.53, 31.55, 31.59, 31.62, 31.64]), "gain")
    left, right = found
    assert left.drift is not None
    assert right.drift is not None
    assert left.drift.significant
    assert left.drift.beyond_stated
    assert left.drift.change == pytest.approx(0.145, abs=0.01)  # least squares through the six values, by hand
    assert not right.drift.significant
    assert (left.lower_limit, left.upper_limit) == (29.5, 33.5)
    said = sentences(found, reference=True)
    assert "the BENCH that drifts (Gain)" in said[-1]
    assert "it may be the bench" in sentences(found, reference=False)[-1]


def test_a_steady_reference_says_what_would_have_shown(runs):
    found = trends(runs([31.50, 31.52, 31.49, 31.51, 31.50, 31.50]), "gain", channel="left")
    assert len(found) == 1
    said = sentences(found, reference=True)
    assert "no drift seen" in said[0]
    assert "No drift of the bench shows" in said[-1]


def test_several_sets_are_never_taken_for_a_reference(runs):
    found = trends(runs([31.5, 31.6, 31.7, 31.8], serial=["1", "2", "3", "4"]), "gain", channel="left")
    assert not one_amplifier(found)
    assert "several sets" in sentences(found, reference=True)[-1]
    assert "BENCH" not in " ".join(sentences(found, reference=True))


def test_few_runs_or_one_afternoon_say_nothing(runs):
    found = trends(runs([31.5, 31.6, 31.7]), "gain", channel="left")
    assert found[0].drift is None
    assert drift(found[0].points[:1] * 6) is None
    assert "fewer than 4" in sentences(found, reference=True)[0]


def test_what_changed_on_the_bench_stands_at_the_run_where_it_changed(runs):
    benches = [
        {"name": "a", "mains_voltage": v, "load_ohm": {"left": 8.0, "right": 8.0}} for v in (230.0, 230.5, 240.0)
    ]
    found = trends(runs([1.0, 2.0, 3.0], bench=benches), "gain", channel="left", bench="a")
    assert [point.differing for point in found[0].points] == [(), (), ("mains voltage (V) 230.5 / 240",)]
    assert trends(runs([1.0], bench=[{"name": "a"}]), "gain", bench="b") == []
