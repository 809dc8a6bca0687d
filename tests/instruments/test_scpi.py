"""Command and reply text. The numbers 9.9E+37, 9.91E+37 and the error classes are those of SCPI-1999, volumes 1 and 2
(21.8), read at second hand."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtest.errors import FileError, GarbledReply
from benchtest.instruments import scpi
from benchtest.instruments.protocols import Function


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("+1.23456789E-03", 0.00123456789),
        ("-1.2E+01", -12.0),
        ("0", 0.0),
        ("5.", 5.0),
        (".5", 0.5),
        (" 1.5e0 \r", 1.5),
        ("-9.8E+37", -9.8e37),
    ],
)
def test_numbers_in_the_three_forms_of_ieee_488(text, value):
    assert scpi.parse_number(text).value == value


@pytest.mark.parametrize(
    "text",
    ["9.9E+37", "+9.90000000E+37", "-9.9E+37", "9.91E37", "1E38", "1E999", "-1e400", "INF", "OVLD", "+OL", "-inf"],
)
def test_from_infinity_up_it_is_an_overload_and_never_a_number(text):
    number = scpi.parse_number(text)
    assert number.overload
    assert number.value is None


@pytest.mark.parametrize(
    "text", ["", " ", "NAN", "nan", "1,2", "1.2.3", "1.2 V", "1.2;3.4", "1_0", "0x10", "\x00", "+-1", "1e", "٣"]
)
def test_what_is_not_one_number_is_garbled(text):
    with pytest.raises(GarbledReply, match=r"meter answered .* to 'READ\?'. Expected one number, such as '\+1.2E-03'"):
        scpi.parse_number(text, command="READ?", instrument="meter")


@given(st.floats(allow_nan=False, allow_infinity=False).filter(lambda v: abs(v) < 9.8e37))
def test_what_a_meter_prints_is_read_back(value):
    assert scpi.parse_number(f"{value:+.8E}").value == pytest.approx(value, rel=1e-8, abs=1e-300)


@given(st.text(max_size=30))
def test_no_text_at_all_makes_a_number_that_is_not_finite(text):
    try:
        number = scpi.parse_number(text)
    except GarbledReply:
        return
    assert number.value is None or (math.isfinite(number.value) and abs(number.value) < 9.9e37)


def test_errors_of_the_queue():
    assert scpi.parse_error('0,"No error"') is None
    assert scpi.parse_error('+0, "No error"') is None
    assert str(scpi.parse_error('-222,"Data out of range;RANG 2000"')) == '-222,"Data out of range;RANG 2000"'
    assert scpi.parse_error('-100,"say ""so"""').text == 'say "so"'


@pytest.mark.parametrize("text", ["", "0", "-113", "No error", '-113,"Undefined', "1.5,2.5"])
def test_an_error_reply_that_is_none_is_garbled(text):
    with pytest.raises(GarbledReply, match="when asked for its errors"):
        scpi.parse_error(text)


@pytest.mark.parametrize(
    ("number", "bit"),
    # SCPI-1999 vol. 2, 21.8, quoted in public sources: class -> bit of the event status register
    [(-100, 5), (-199, 5), (-200, 4), (-299, 4), (-300, 3), (-350, 3), (531, 3), (-400, 2), (-440, 2)],
)
def test_error_classes_set_their_bit(number, bit):
    assert scpi.event_bit(number) == 1 << bit


def test_configuration_asks_for_a_filter_below_the_tone():
    messages = scpi.configuration(scpi.COMMANDS, Function.AC_VOLTS, 10.0, 10, 50.0)
    assert messages == ["CONF:VOLT:AC 10", "VOLT:AC:BAND 20"]


def test_diode_has_neither_range_nor_line_cycles():
    assert scpi.configuration(scpi.COMMANDS, Function.DIODE, 1.0, 10, None) == ["CONF:DIOD"]


def test_overrides_replace_and_leave_out():
    words = scpi.commands({"resistance": "OHMS", "line_cycles": "", "configure": "FUNC:{function};RANG {range}"})
    assert scpi.configuration(words, Function.RESISTANCE, 100.0, 10, None) == ["FUNC:OHMS;RANG 100"]


def test_all_faults_of_overrides_are_said_at_once():
    with pytest.raises(FileError) as caught:
        scpi.commands(
            {"idenity": "ID?", "read": "", "configure": "CONF {func}", "termination": "NL"}, meter="old meter"
        )
    for part in (
        "old meter",
        "'idenity'. Did you mean 'identity'?",
        "'read' is empty",
        "{func}",
        "Expected LF, CR or CRLF",
    ):
        assert part in str(caught.value)


def test_identity_is_a_line_of_text():
    assert scpi.parse_identity("maker,model,0,1\r\n") == "maker,model,0,1"
    for text in ("", "+1.0E+00", "1.0,2.0", "1;0", "NAN", "+OVLD", '-113,"Undefined header"', "\x02\x03"):
        with pytest.raises(GarbledReply, match="who it is"):
            scpi.parse_identity(text)
