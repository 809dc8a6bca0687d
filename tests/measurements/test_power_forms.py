"""Output power in the forms that makers use: at 0.1, 0.5 and 1 % THD, from one ramp."""

from __future__ import annotations

import math

import pytest

from benchtest import measure
from benchtest.clipping_power import power_at
from benchtest.comparison import power_forms
from benchtest.reading import Reading, as_row
from tests.measurements.known_bench import DEMO


def test_the_thd_of_a_tone_at_the_power_found_is_the_thd_asked_for(known):
    b = known().loads_measured().ready(warm_s=600.0).risen().bench
    found = [r for r in measure.output_power(b, ("left", "right"), also_thd=(0.001, 0.01)) if isinstance(r, Reading)]
    powers = {
        (r.channel, r.conditions["at"]): r for r in found if r.quantity in ("output_power", "power_at_thd")
    }  # fmt: skip
    for channel in b.channels:
        small, rated, large = (powers[channel, f"{percent} % THD"] for percent in ("0.1", "0.5", "1"))
        assert small.value < rated.value < large.value
        assert large.value == pytest.approx(power_at(0.01, rated.value, 0.005), rel=0.01)  # hard clipping, closed form
    b.sleep(60.0)
    volts = math.sqrt(powers["left", "0.1 % THD"].value * b.load_ohm["left"])
    capture = b.tone(volts, ["left", "right"], hold_s=0.5, window_s=0.2)
    assert capture.figures["left"].thd == pytest.approx(0.001, rel=0.3)  # it rises tenfold within half a decibel there
    lines = power_forms(
        [as_row(r, run_id="", sequence=0, time_utc="", procedure="", step="", simulated=True) for r in found]
    )
    told = {marked: sum(line.count(" W ") for line in lines if marked in line) for marked in ("MEASURED", "COMPUTED")}
    assert told == {"MEASURED": 6, "COMPUTED": 2}  # computed from the largest THD of each channel only


def test_a_thd_that_no_level_goes_below_is_no_power(known, monkeypatch):
    b = known().loads_measured().ready(warm_s=600.0).risen().bench
    found = [r for r in measure.output_power(b, ("left",), also_thd=(1e-6,)) if isinstance(r, Reading)]
    (none,) = [r for r in found if r.quantity == "power_at_thd"]
    assert none.value == 0.0
    assert "at the lowest level already" in none.note
    assert none.verdict == "information"


def test_a_ramp_that_the_bench_cuts_short_says_at_least(known):
    modest = DEMO.model_copy(
        update={"rated_power_w": 15.0}
    )  # the ramp ends at 1.3 times that, where THD is far from 1 %
    b = known(spec=modest).loads_measured().ready(warm_s=600.0).risen().bench
    power = next(r for r in measure.output_power(b, ("left",), target_thd=0.01) if r.quantity == "output_power")
    assert power.conditions["bound"] == "at least"
    assert power.value == pytest.approx(1.3 * 15.0, rel=0.02)
    assert "at least this" in power.note
