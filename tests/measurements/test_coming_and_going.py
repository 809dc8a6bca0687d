"""Dropouts against the joint's own duty: a joint open for o seconds and closed for c is gone for o / (o + c) of the time."""

from __future__ import annotations

import pytest

from benchtest import measure
from benchtest.amplifier_file import load_amplifier
from benchtest.errors import NotAllowed
from benchtest.safety import open_bench
from simulated_instruments.truth import draw_truth
from tests.procedures.conftest import PROCEDURES


def opened(scenario: str, seed: int):
    spec = load_amplifier(PROCEDURES / "demo_amplifier.toml")
    return open_bench(None, amplifier=spec, scenario=scenario, channel="left", seed=seed)


def switched_on(bench):
    bench.hook_up("as a test begins", load="1 kilohm", inputs="shorted", volume="minimum", lamp="out")
    bench.mains_on("on")
    bench.sleep(20.0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_dc_is_gone_for_the_share_of_the_time_that_the_joint_is_open(seed):
    joint = draw_truth(seed, "output-joint-cracked", "left").design.left.output_joint
    closed_s, open_s = 1.0 / joint.openings_per_s, joint.open_seconds
    with opened("output-joint-cracked", seed) as bench:
        switched_on(bench)
        broken, sound = (measure.dc_dropouts(bench, channel, "warm") for channel in ("left", "right"))
    expected = 100.0 * open_s / (open_s + closed_s)
    # some ten openings in the look, each of exponential length: a share scatters by about half of itself
    assert expected / 3.0 < broken.value < 3.0 * expected
    assert sound.value == 0.0


def test_an_offset_too_small_to_be_missed_tells_nothing():
    with opened("healthy", 1) as bench:
        bench.hook_up("", load="1 kilohm", inputs="shorted", volume="minimum")
        reading = measure.dc_dropouts(bench, "left", "warm")  # the mains is off: microvolts
    assert reading.verdict == "not_measured"
    assert "too little to go" in reading.note


def test_the_relay_is_held_with_the_mains_off_only_and_let_go_before_it_is_on():
    with opened("healthy", 1) as bench:
        switched_on(bench)
        with pytest.raises(NotAllowed, match="relay's coil"):
            bench.hook_up("", relay="held")
        bench.mains_off("off")
        bench.hook_up("", relay="held")
        with pytest.raises(NotAllowed, match="held by a supply of your own"):
            bench.mains_on("on")
        bench.hook_up("", relay="free")
        bench.mains_on("on")
