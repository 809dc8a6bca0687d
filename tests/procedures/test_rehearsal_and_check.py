"""A rehearsal tells what will be asked; a check finds what is wrong with a script before it meets an amplifier."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchtest.amplifier_file import load_amplifier
from benchtest.bench_file import load_bench
from benchtest.procedure import Procedure, load_procedure
from benchtest.procedure_checks import form, gone_through, limits_reached
from benchtest.rehearsal import as_simulated, rehearse
from tests.procedures.conftest import PROCEDURES

AMPLIFIER = load_amplifier(PROCEDURES / "demo_amplifier.toml")
TEMPLATE = PROCEDURES / "_template.py"


def checked(text: str, tmp_path: Path, amplifier=AMPLIFIER) -> list[str]:
    path = tmp_path / "one.py"
    path.write_text(text, encoding="utf-8")
    procedure = load_procedure(str(path))
    found = list(form(procedure))
    if not any(each.weight == "error" for each in found):
        rehearsal = rehearse(procedure, amplifier)
        found += [*gone_through(procedure, rehearsal), *limits_reached(amplifier, rehearsal)]
    return [each.line for each in found]


def test_a_rehearsal_tells_kit_hook_ups_levels_and_time():
    rehearsal = rehearse(load_procedure(str(TEMPLATE)), AMPLIFIER)
    text = "\n".join(rehearsal.lines())
    for wanted in ("nothing is driven", "two 1 kilohm 5 W resistors", "Sound card's output into both inputs", "50 mV"):
        assert wanted in text
    assert rehearsal.hook_ups == 2
    assert rehearsal.highest_v == pytest.approx(0.05)
    assert rehearsal.seconds == pytest.approx(rehearsal.stated_seconds, rel=0.25)


def test_a_rehearsal_has_the_meters_of_the_bench_file_and_no_others():
    file = as_simulated(load_bench(PROCEDURES / "demo_handheld_bench.toml"))
    assert [(m.name, m.driver) for m in file.dmm] == [("bench meter", "handheld")]
    assert file.audio is None
    assert file.mains_socket is None


def test_the_template_has_nothing_wrong(tmp_path):
    assert checked(TEMPLATE.read_text(encoding="utf-8"), tmp_path) == []


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        pytest.param("yield measure.dc_offsets", "measure.dc_offsets", "yields nothing", id="no yield"),
        pytest.param('inputs="shorted", volume="minimum"', 'volume="minimum"', "", id="harmless"),
        pytest.param("readings = yield measure.gain(bench)", 'readings = yield [*measure.distortion(bench, "left", "1 W")]',
                     "was refused", id="1 W before 50 mV"),
        pytest.param("    bench.mains_off()\n", "", "leaves the amplifier on", id="left on"),
        pytest.param('bench.mains_on("Switch on. Listen for the relay.")',
                     'bench.mains_on("On.")\n    bench.hook_up("Load on.", load="load")', "ended here", id="load live"),
        pytest.param("readings = yield measure.gain(bench)",
                     'bench.tone(20.0, ["left"])\n    readings = yield measure.gain(bench)', "was asked for", id="too loud"),
        pytest.param("    yield measure.dc_offsets", "    yield measure.dc_offsett", "Near it: dc_offsets", id="misspelt"),
        pytest.param('    yield measure.dc_offsets(bench, "relay + 10 s")', '    yield measure.output_power(bench, ("left",))',
                     "no DC check passed", id="power before the DC check"),
        pytest.param('takes="15 s"', 'takes="soon"', "Expected how long it takes", id="no duration"),
        pytest.param("    yield measure.dc_offsets", "    yield None\n    return\n    yield measure.dc_offsets",
                     "can never fail", id="required without readings"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named(tmp_path, before, after, said):
    text = TEMPLATE.read_text(encoding="utf-8")
    assert before in text
    found = checked(text.replace(before, after), tmp_path)
    assert any(said in line for line in found) if said else found == []


def test_a_limit_that_leaves_nothing_beside_the_uncertainty_is_named(tmp_path):
    narrow = AMPLIFIER.model_copy(
        update={"limits": tuple(_rows('quantity = "dc_offset"\nlower = -0.000001\nupper = 0.000001\nunit = "V"'))}
    )
    found = checked(TEMPLATE.read_text(encoding="utf-8"), tmp_path, narrow)
    assert any("it never passes" in line for line in found)


def test_a_power_that_may_not_be_driven_is_named():
    strong = AMPLIFIER.model_copy(
        update={"limits": tuple(_rows('quantity = "output_power"\nlower = 400.0\nunit = "W"'))}
    )
    rehearsal = rehearse(load_procedure(str(PROCEDURES / "power_on.py")), strong)
    assert any("is the most that may be driven here" in each.words for each in limits_reached(strong, rehearsal))


def test_a_procedure_without_steps_is_wrong():
    assert any("no steps" in each.words for each in form(Procedure("Nothing")))


def _rows(text: str):
    from benchtest.amplifier_file import amplifier_from_text

    return amplifier_from_text(f'[amplifier]\nname = "a"\n\n[[limits]]\n{text}\n', "a.toml").limits
