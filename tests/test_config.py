"""The machinery of checked files: all faults at once, each with file, line, key, found, expected and remedy."""

from __future__ import annotations

import re
import tomllib
from typing import Annotated, Any, Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import Field

from benchtest.config import FaultyFile, FileModel, KeyFault, Says, as_toml, model_from_text, nearest, read_text
from benchtest.errors import FileError


class Resistor(FileModel):
    ohm: Annotated[float, Field(gt=0.0), Says("a resistance above 0 ohm", "Write the measured value, such as 8.02.")]
    count: int = 1
    word: Literal["bare", "heatsink"] = "bare"
    fitted: bool = True
    note: str = ""


class Sample(FileModel):
    load: Annotated[Resistor, Says("a section [load]", "Add [load].")]
    spare: tuple[Resistor, ...] = ()


def faults_of(text: str, **options: Any) -> list[str]:
    with pytest.raises(FaultyFile) as caught:
        model_from_text(text, Sample, name="x.toml", **options)
    return [str(fault) for fault in caught.value.faults]


def test_a_good_file_becomes_the_model():
    found = model_from_text("[load]\nohm = 8\n[[spare]]\nohm = 4.0\n", Sample, name="x.toml")
    assert found == Sample(load=Resistor(ohm=8.0), spare=(Resistor(ohm=4.0),))


def test_all_faults_are_told_at_once_in_the_order_of_their_lines():
    text = '[load]\nohm = -8.0\ncount = "2"\nwrod = "bare"\n[[spare]]\nohm = 4.0\n[[spare]]\nohm = true\n[extra]\n'
    faults = faults_of(text)
    assert [re.match(r"x\.toml, line (\d+): ", fault).group(1) for fault in faults] == ["2", "3", "4", "8", "9"]


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("ohm = -8.0", "line 2: [load] ohm = -8.0. Expected a resistance above 0 ohm. Write the measured value"),
        ("ohm = nan", "line 2: [load] ohm = nan. Expected a finite number"),
        ("ohm = -inf", "line 2: [load] ohm = -inf. Expected a finite number"),
        ("ohm = inf", "line 2: [load] ohm = inf. Expected a finite number"),
        ('ohm = "8.0"', 'line 2: [load] ohm = "8.0". Expected a number without quotes'),
        ('ohm = "8.0 ohm"', "Write it without quotes: 8.0."),
        ("ohm = 1" + 400 * "0", "Expected a resistance above 0 ohm"),
        ("ohm = true", "line 2: [load] ohm = true. Expected a number, not true or false"),
        ("ohm = [8.0]", "line 2: [load] ohm = [8.0]. Expected a resistance"),
        ("ohm = 2024-01-01", "line 2: [load] ohm = 2024-01-01. Expected a resistance"),
        ("ohm = 8,2", "line 2: 'ohm = 8,2' cannot be read. Expected a number with a decimal point"),
        ("ohm = 8 ohm", "line 2: 'ohm = 8 ohm' cannot be read. Expected a number without its unit"),
        ("ohm = NaN", "line 2: 'ohm = NaN' cannot be read. Expected a finite number"),
        ("ohm =", "line 2: 'ohm =' cannot be read. Expected a value after the equals sign"),
        ("ohm = 8.0\nohm = 8.1", "line 3: 'ohm = 8.1' cannot be read. Expected each key once"),
        ("ohm = 8.0\nfitted = True", "line 3: 'fitted = True' cannot be read. Expected true or false in small letters"),
        ("ohm = 8.0\nfitted = 1", "line 3: [load] fitted = 1. Expected true or false"),
        ('ohm = 8.0\nfitted = "true"', 'line 3: [load] fitted = "true". Expected true or false'),
        ("ohm = 8.0\nnote = 7", 'line 3: [load] note = 7. Expected text in quotes'),
        ("ohm = 8.0\nnote = seven", "Put the text in quotes: \"seven\"."),
        ("ohm = 8.0\ncount = 1.5", "line 3: [load] count = 1.5. Expected a whole number"),
        ("ohm = 8.0\ncount = true", "line 3: [load] count = true. Expected a number, not true or false"),
        ('ohm = 8.0\nword = "heatsnik"', 'Did you mean "heatsink"?'),
        ("omh = 8.0", "[load] omh is not known. Expected one of ohm, count, word, fitted, note. Did you mean ohm?"),
        ("", "line 1: [load] ohm is missing. Expected a resistance above 0 ohm."),
        ("ohm = 8.0\n[spare]\nohm = 8.0", "line 3: [spare] is a section. Expected a list in brackets, or sections"),
        ("ohm = 8.0\n[laod]", "[laod] is not known. Expected one of the sections load, spare. Did you mean load?"),
        ("ohm = 8.0\n[load]", "line 3: '[load]' cannot be read. Expected each section once"),
    ],
)  # fmt: skip
def test_a_fault_says_where_what_was_expected_and_what_to_do(line, told):
    assert told in "\n".join(faults_of(f"[load]\n{line}\n"))


def test_a_misspelt_required_key_is_one_fault_not_two():
    assert len(faults_of("[load]\nomh = 8.0\n")) == 1


def test_an_unreadable_line_does_not_hide_the_other_faults_nor_make_its_key_missing():
    assert len(faults_of("[load]\nohm = 8,2\ncount = true\nfitted = yes\n")) == 3


def test_lines_are_right_after_an_unreadable_one():
    assert faults_of("[load]\nohm = 8,2\n\n# comment\ncount = true\n")[1].startswith("x.toml, line 5: ")


def test_an_empty_file_says_which_section_to_add():
    assert faults_of("") == ["x.toml, line 1: [load] is missing. Expected a section [load]. Add [load]."]


def test_checks_between_keys_speak_beside_other_faults():
    def cross_check(data):
        yield KeyFault(("load", "count"), "an even number", "Add one.")

    assert len(faults_of("[load]\nohm = -1.0\ncount = 3\n", cross_check=cross_check)) == 2


def test_a_section_in_place_of_a_value_and_the_other_way_round():
    assert "Expected a section" in faults_of("load = 8.0\n")[0]
    assert "[load] ohm is a section" in faults_of("[load.ohm]\nx = 1\n")[0]


@pytest.mark.parametrize(
    "text", ["\x00", "[", "[load", "a", "= 1", '"', "load = {", "[[load", "a = '''", "\ufeff", "[load]\r"]
)
def test_rubbish_is_a_faulty_file_and_nothing_else(text):
    with pytest.raises(FaultyFile, match=r"x\.toml, line \d+: .*Expected"):
        model_from_text(text, Sample, name="x.toml")


@settings(deadline=None)
@given(st.text(st.sampled_from("[]{}=\",.'\n#ohmlad8-truenaif \\"), max_size=60))
def test_no_text_raises_anything_but_a_faulty_file(text):
    try:
        model_from_text(text, Sample, name="x.toml")
    except FaultyFile as error:
        assert error.faults  # noqa: PT017


NUMBERS = st.floats() | st.integers() | st.booleans() | st.text(max_size=3)


@settings(deadline=None)
@given(NUMBERS)
def test_only_a_finite_number_above_zero_is_a_resistance(value):
    """Strictly a number: not NaN, not infinite, not in quotes, not true."""
    good = isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < float("inf")
    text = f"[load]\nohm = {as_toml(value)}\n"
    if good:
        assert model_from_text(text, Sample, name="x.toml").load.ohm == float(value)
    else:
        assert faults_of(text)


@settings(deadline=None)
@given(st.text(max_size=20) | st.floats(allow_nan=False) | st.integers() | st.lists(st.text(max_size=3)))
def test_what_is_written_is_read_back(value):
    assert tomllib.loads(f"x = {as_toml(value)}")["x"] == value


def test_a_missing_file_lists_what_could_be_meant(tmp_path):
    (tmp_path / "bench.toml").write_text("")
    with pytest.raises(FileError, match=r"bnech\.toml: no such bench file.*Did you mean .*bench\.toml\?"):
        read_text(tmp_path / "bnech.toml", what="bench file")
    with pytest.raises(FileError, match=r"TOML files in .*: bench\.toml\."):
        read_text(tmp_path / "workshop", what="bench file")


def test_a_folder_and_a_file_that_is_no_text(tmp_path):
    with pytest.raises(FileError, match="cannot be read"):
        read_text(tmp_path, what="bench file")
    (tmp_path / "x.toml").write_bytes(b"name = \xff")
    with pytest.raises(FileError, match="byte 7 is not UTF-8 text"):
        read_text(tmp_path / "x.toml", what="bench file")


def test_the_mark_that_some_editors_put_first_is_no_fault(tmp_path):
    (tmp_path / "x.toml").write_bytes(b"\xef\xbb\xbf[load]\nohm = 8.0\n")
    assert model_from_text(read_text(tmp_path / "x.toml", what="file"), Sample, name="x").load.ohm == 8.0


def test_nearest_is_silent_where_nothing_is_near():
    assert nearest("xyzzy", ["left_ohm", "right_ohm"]) is None
