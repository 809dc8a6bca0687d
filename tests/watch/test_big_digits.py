"""Digits drawn large."""

import pytest

from benchtest.big_digits import LINES, columns, drawn, in_figures

DOTS = "0123456789.-"


def test_every_figure_is_different_and_seven_lines_high():
    pictures = {sign: tuple(drawn(sign)) for sign in DOTS}
    assert len(set(pictures.values())) == len(DOTS)
    assert {len(rows) for rows in pictures.values()} == {LINES}


@pytest.mark.parametrize("text", ["-88.88 mV", "0.000 V", "OL ohm", "123.4 kohm", ""])
def test_rows_are_equally_long(text):
    assert {len(row) for row in drawn(text)} == {columns(text)}


def test_a_signed_number_of_four_digits_fits_an_ordinary_terminal():
    assert columns("-88.88") <= 80


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (41.3867, ("41.39", "V")), (-0.0051121, ("-5.112", "mV")), (9.9999, ("10.00", "V")), (99.996, ("100.0", "V")),
        (1234.5, ("1.234", "kV")), (1e-6, ("1.000", "uV")), (None, ("OL", "V")),
    ],
)  # fmt: skip
def test_four_digits_and_a_prefix(value, shown):
    assert in_figures(value, "V") == shown
