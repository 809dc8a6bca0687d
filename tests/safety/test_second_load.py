"""A second dummy load, such as 4 ohm beside 8: only where the label allows it, and its own resistance, heat and limits."""

from __future__ import annotations

import pytest

from benchtest.amplifier_file import load_amplifier, unknown_amplifier
from benchtest.bench import simulated_bench_text
from benchtest.errors import NotAllowed
from benchtest.safety import open_bench
from tests.safety.conftest import DEMO


def demo(**changed):
    return load_amplifier(DEMO).model_copy(update=changed)


def opened(amplifier, path=None, **more):
    return open_bench(path, amplifier=amplifier, calibrate=False, **more)


@pytest.mark.parametrize(
    ("amplifier", "why"),
    [
        pytest.param(demo(minimum_load_ohm=8.0), "the lowest is 8 ohm", id="label says 8"),
        pytest.param(demo(minimum_load_ohm=None), "the lowest is 8 ohm", id="label names the rated load only"),
    ],
)
def test_a_load_below_the_label_is_not_connected(emitted, amplifier, why):
    with opened(amplifier) as bench:
        assert why in bench.load_refused()
        bench.mains_off()
        with pytest.raises(NotAllowed, match=f"{why}.*not connected"):
            bench.hook_up(load="second load")
        assert emitted.bench.load == "none"


def test_the_first_load_is_held_to_the_label_as_well(emitted, tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(simulated_bench_text().replace("left_ohm = 8.0", "left_ohm = 4.0", 1))
    with opened(demo(minimum_load_ohm=8.0), path) as bench, pytest.raises(NotAllowed, match="does not allow 4 ohm"):
        bench.hook_up(load="load")


def test_a_bench_without_one_says_so(tmp_path):
    text = simulated_bench_text()
    section = text[text.index("[second_load]") : text.index("[[dmm]]")]
    path = tmp_path / "bench.toml"
    path.write_text(text.replace(section, ""))
    with opened(demo(), path) as bench:
        assert bench.load_refused() == "the bench file declares no [second_load]"


@pytest.mark.parametrize(("answer", "connected"), [("yes", True), ("no", False)])
def test_without_a_label_the_person_says_whether_it_bears_it(emitted, answer, connected):
    asked = []

    def wrapped(operator):
        plain = operator.ask

        def ask(question, choices, *, about=""):
            if "dummy load is 4 ohm" in question:
                asked.append(question)
                return answer
            return plain(question, choices, about=about)

        operator.ask = ask
        return operator

    with opened(unknown_amplifier(), wrap_operator=wrapped) as bench:
        bench.mains_off()
        if connected:
            bench.hook_up(load="second load")
            bench.hook_up(load="1 kilohm")
            bench.hook_up(load="second load")
        else:
            with pytest.raises(NotAllowed, match="nobody says that this amplifier bears 4 ohm"):
                bench.hook_up(load="second load")
        assert (emitted.bench.load == "second load") is connected
        assert len(asked) == 1


def test_power_into_it_is_its_own(emitted):
    """As measured, for the powers into it; half the rated power is reached at a lower voltage, and rests count from there."""
    with opened(demo()) as bench:
        bench.mains_off()
        bench.hook_up(lamp="out", load="second load", inputs="shorted", volume="full")
        bench.use_load("left", 4.01, "second load")
        assert bench.load_ohm == {"left": 4.01, "right": 4.0}
        assert bench.load_measured
        bench.mains_on()
        bench.sleep(20.0)
        assert all(bench.dc_check(channel).outcome == "good" for channel in bench.channels)
        bench.hook_up(inputs="sound_card")
        while (now := bench.highest_output(["left"])) < 15.5:
            bench.tone(now, ["left"], hold_s=0.4)
        capture = bench.tone(12.0, ["left"], hold_s=0.4)  # 36 W into 4 ohm: above half of 60 W; 18 W into 8 ohm is not
        assert capture.figures["left"].level_v == pytest.approx(12.0, rel=0.05)
        assert emitted.bench.second_loads[0].rise > 0.1  # kelvin: it is this pair that gets warm
        assert emitted.bench.loads[0].rise == 0.0
        with pytest.raises(NotAllowed, match="above half power"):
            bench.tone(12.0, ["left"], hold_s=11.0)
        bench.mains_off()
        bench.hook_up(load="load")
        assert bench.load_ohm == {"left": 8.0, "right": 8.0}
        assert bench.ohm_of("second load")["left"] == 4.01
