"""Line numbers of keys, against what the standard reader finds in the same text."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.config import as_toml
from benchtest.toml_lines import key_lines

TEXT = '''\
# a comment with [brackets] and = signs
title = "a # in quotes"   # comment
"quoted key" = 1
[load]
left_ohm = 8.0
nested.inner = """
not_a_key = 3
an escaped \\""" and two more before the end"""""
after = 'C:\\'

[[dmm]]
name = "a"
accuracy = [
  # first row
  { function = "dc_volts", range = 0.2 },
  { function = "ac_volts" },
]
[[dmm]]
name = "b"
[dmm.commands]
error = "X"
'''


def test_every_kind_of_key_is_found_on_its_line():
    assert key_lines(TEXT) == {
        ("title",): 2,
        ("quoted key",): 3,
        ("load",): 4,
        ("load", "left_ohm"): 5,
        ("load", "nested"): 6,
        ("load", "nested", "inner"): 6,
        ("load", "after"): 9,
        ("dmm",): 11,
        ("dmm", 0): 11,
        ("dmm", 0, "name"): 12,
        ("dmm", 0, "accuracy"): 13,
        ("dmm", 0, "accuracy", 0): 15,
        ("dmm", 0, "accuracy", 0, "function"): 15,
        ("dmm", 0, "accuracy", 0, "range"): 15,
        ("dmm", 0, "accuracy", 1): 16,
        ("dmm", 0, "accuracy", 1, "function"): 16,
        ("dmm", 1): 18,
        ("dmm", 1, "name"): 19,
        ("dmm", 1, "commands"): 20,
        ("dmm", 1, "commands", "error"): 21,
    }


def paths(value: Any, path: tuple[Any, ...] = ()) -> set[tuple[Any, ...]]:
    """Every path in data as tomllib gives them."""
    found = {path} if path else set()
    children = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, child in children:
        found |= paths(child, (*path, key))
    return found


def test_the_paths_are_those_of_the_standard_reader():
    assert set(key_lines(TEXT)) == paths(tomllib.loads(TEXT))


KEYS = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), min_size=1, max_size=6)
SCALARS = st.one_of(
    st.integers(-999, 999), st.floats(allow_nan=False), st.booleans(), st.text(max_size=8), st.just("# [x] = {y}")
)
VALUES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3), max_leaves=6
)
BLANKS = st.sampled_from(["", "\n", "# no = key\n", "   \n\n"])


@settings(deadline=None)
@given(st.dictionaries(KEYS, VALUES, max_size=4), st.lists(BLANKS, min_size=4, max_size=4))
def test_any_text_gives_the_paths_of_the_standard_reader_on_their_lines(data, blanks):
    text, expected = "", {}
    for (key, value), blank in zip(data.items(), blanks, strict=False):
        text += blank
        line = text.count("\n") + 1
        expected.update({(key, *rest): line for rest in paths(value) | {()}})
        text += f"{as_toml(key)} = {as_toml(value)}\n"
    assert tomllib.loads(text) == data  # the text is TOML, and what was meant
    assert key_lines(text) == expected


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_line_ends_of_either_kind_count_alike(end):
    assert key_lines(end.join(["", "[load]", "left_ohm = 8.0"])) == {("load",): 2, ("load", "left_ohm"): 3}
