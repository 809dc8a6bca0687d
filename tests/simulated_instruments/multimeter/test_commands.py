"""The simulated meter answers what a SCPI multimeter answers, and nothing else.

Commands, errors and registers after SCPI-1999 and IEEE 488.2, read at second hand (public parsers' documentation and
quotations of volume 2, 21.8); what is from memory says so.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchtest.instruments.scpi import ERROR_TEXTS, event_bit
from simulated_instruments.multimeter import MultimeterModel
from simulated_instruments.scpi_parser import short_form


class Leads:
    lead_ohm = 0.15
    dc, ac_rms, ac_frequency_hz, source_ohm = 0.5, 0.0, 0.0, 0.0
    ohm = math.inf

    def probe(self):
        return self

    def resistance(self):
        return self.ohm + self.lead_ohm


@pytest.fixture
def leads():
    return Leads()


@pytest.fixture
def meter(leads):
    made = MultimeterModel(leads, rng=np.random.default_rng(5))
    made.handle("*ESR?")  # power on
    return made


def errors(meter):
    found = []
    while (entry := meter.handle("SYST:ERR?")) != '0,"No error"':
        found.append(int(entry.partition(",")[0]))
    return found


def only_error(meter, number):
    """The queue holds this one error with its text, and it set the bit of its class and no other."""
    entry = meter.handle("SYST:ERR?")
    event = int(meter.handle("*ESR?"))
    return entry == f'{number},"{ERROR_TEXTS[number]}"' and event == event_bit(number) and errors(meter) == []


# Spelling: only the short and the long form, in any letter case

FUNCTIONS = ["VOLTage", "VOLTage:DC", "VOLTage:AC", "CURRent", "CURRent:DC", "CURRent:AC", "RESistance", "FRESistance",
             "FREQuency", "PERiod", "CONTinuity", "DIODe"]  # fmt: skip


@pytest.mark.parametrize("function", FUNCTIONS)
@pytest.mark.parametrize("spell", [str, short_form, str.lower, str.upper], ids=["mixed", "short", "lower", "upper"])
def test_every_function_is_measured_and_configured(meter, function, spell):
    assert math.isfinite(float(meter.handle(f"{spell('MEASure')}:{spell(function)}?")))
    assert meter.handle(f"{spell('CONFigure')}:{spell(function)}") is None
    assert meter.handle("READ?") is not None
    assert errors(meter) == []


@pytest.mark.parametrize("header", ["MEASU:VOLT?", "MEAS:VOLTA?", "MEAS:VOL?", "ME:VOLT?", "CONFIG:VOLT", "VOLT:RAN 1"])
def test_forms_in_between_are_undefined(meter, header):
    assert meter.handle(header) is None
    assert only_error(meter, -113)


@pytest.mark.parametrize("function", ["TEMPerature", "CAPacitance"])
def test_what_is_not_built_in_is_missing_hardware(meter, function):
    assert meter.handle(f"MEAS:{function}?") is None
    assert only_error(meter, -241)


def test_a_leading_colon_and_a_suffix_of_one_are_the_same(meter):
    assert meter.handle(":SENSE1:VOLTAGE:DC:RANGE:UPPER 10") is None
    assert float(meter.handle("volt:rang?")) == 10.0
    assert errors(meter) == []


# Branches


def test_a_semicolon_keeps_the_branch_and_a_colon_leaves_it(meter):
    assert meter.handle("TRIG:SOUR EXT;COUN 10") is None
    assert meter.handle("TRIG:SOUR?;COUN?") == "EXT;+1.00000000E+01"
    assert meter.handle("TRIG:COUN MIN;:SAMP:COUN MIN") is None
    assert errors(meter) == []
    assert meter.handle("TRIG:COUN MIN;SAMP:COUN MIN") is None
    assert only_error(meter, -113)


def test_a_common_command_does_not_move_the_branch(meter):
    assert meter.handle("TRIG:SOUR BUS;*CLS;COUN 2") is None
    assert meter.handle("TRIG:COUN?;*ESE?;SOUR?") == "+2.00000000E+00;0;BUS"


def test_queries_of_one_message_are_answered_in_one_line(meter):
    assert meter.handle("READ?;:VOLT:RANG?").count(";") == 1


def test_a_semicolon_in_a_string_separates_nothing(meter):
    meter.handle('DISP:TEXT "A;B";*CLS')
    assert meter.handle("DISP:TEXT?") == '"A;B"'


# Parameters


@pytest.mark.parametrize(
    ("written", "full_scale"),
    [("100 mV", 0.1), ("100MV", 0.1), ("1E2", 100.0), ("+1.", 1.0), (".5", 1.0), ("0.9e+1", 10.0), ("2 KV", None),
     ("MIN", 0.1), ("MAXIMUM", 1000.0), ("1000000 UV", 1.0), ("#H0A", 10.0)],
)  # fmt: skip
def test_ranges_take_every_form_of_number(meter, written, full_scale):
    meter.handle(f"VOLT:DC:RANG {written}")
    if full_scale is None:
        assert only_error(meter, -222)
    else:
        assert float(meter.handle("VOLT:DC:RANG?")) == full_scale
        assert errors(meter) == []


def test_m_before_ohm_is_mega(meter):
    meter.handle("RES:RANG 1 MOHM")
    assert float(meter.handle("RES:RANG?")) == 1e6


def test_min_and_max_can_be_asked_for(meter):
    assert [float(meter.handle(f"VOLT:RANG? {which}")) for which in ("MIN", "MAX")] == [0.1, 1000.0]
    assert [float(meter.handle(f"VOLT:NPLC? {which}")) for which in ("MIN", "MAX", "DEF")] == [0.02, 100.0, 10.0]


def test_a_range_turns_autorange_off(meter):
    assert meter.handle("VOLT:RANG:AUTO?") == "1"
    meter.handle("VOLT:RANG 10")
    assert meter.handle("VOLT:RANG:AUTO?") == "0"
    meter.handle("VOLT:RANG:AUTO ON")
    assert meter.handle("VOLT:RANG:AUTO?") == "1"
    meter.handle("VOLT:RANG:AUTO ONCE")  # measures, and stays on the range that it found
    assert (meter.handle("VOLT:RANG:AUTO?"), float(meter.handle("VOLT:RANG?"))) == ("0", 1.0)


def test_parameters_default_from_the_right(meter):
    assert float(meter.handle("MEAS:VOLT:DC? DEF,0.001")) == pytest.approx(0.5, rel=1e-2)
    meter.handle("CONF:VOLT:DC 1,0.0001")
    assert meter.handle("CONF?") == '"VOLT +1.00000000E+00,+1.00000000E-04"'
    assert float(meter.handle("VOLT:DC:NPLC?")) == 0.02


def test_integration_time_in_its_three_forms(meter):
    meter.handle("CONF:VOLT:DC 10")
    meter.handle("VOLT:APER 0.02")  # one cycle of 50 Hz
    assert float(meter.handle("VOLT:NPLC?")) == 1.0
    assert float(meter.handle("VOLT:APER?")) == pytest.approx(0.02)
    meter.handle("VOLT:RES 1E-5")
    assert float(meter.handle("VOLT:NPLC?")) == 10.0
    assert [float(meter.handle(f"VOLT:RES? {which}")) for which in ("MIN", "MAX")] == pytest.approx([3e-6, 1e-3])


def test_function_is_a_string(meter):
    meter.handle('FUNC "VOLT:AC"')
    assert meter.handle("SENS:FUNC?") == '"VOLT:AC"'
    meter.handle("SENS:FUNC:ON 'RESistance'")
    assert meter.handle("FUNC?") == '"RES"'
    meter.handle('FUNC "VOLT:DC"')
    assert meter.handle("FUNC?") == '"VOLT"'
    meter.handle('FUNC "WATTS"')
    assert only_error(meter, -224)


def test_ac_filter_by_either_name(meter):
    meter.handle("DET:BAND 3")
    assert float(meter.handle("VOLT:AC:BAND?")) == 3.0
    meter.handle("SENS:VOLT:AC:BAND 1 KHZ")
    assert only_error(meter, -222)


# Trigger model


def test_read_is_always_new_and_fetch_repeats(meter, leads):
    first = meter.handle("READ?")
    assert meter.handle("FETC?;:FETCH?") == f"{first};{first}"
    leads.dc = 0.7
    assert float(meter.handle("FETC?")) == float(first)
    assert float(meter.handle("READ?")) == pytest.approx(0.7, rel=1e-3)


def test_fetch_without_a_reading_is_stale(meter):
    assert meter.handle("FETC?") is None
    assert only_error(meter, -230)


def test_initiate_fills_the_memory(meter):
    meter.handle("SAMP:COUN 3;:TRIG:COUN 2;:INIT")
    assert len(meter.handle("FETC?").split(",")) == 6


def test_more_samples_than_memory_conflict(meter):
    meter.handle("SAMP:COUN 50000;:INIT:IMM")
    assert only_error(meter, -221)


def test_the_bus_triggers_once_per_count(meter):
    meter.handle("TRIG:SOUR BUS;COUN 2;:INIT")
    assert meter.handle("STAT:OPER:COND?") == "32"  # bit 5, waiting for trigger (from memory)
    meter.handle("*TRG")
    assert meter.handle("FETC?") is None  # one trigger is still to come
    assert errors(meter) == [-214]
    meter.handle("*TRG")
    assert len(meter.handle("FETC?").split(",")) == 2


def test_triggers_out_of_place(meter):
    meter.handle("*TRG")
    assert only_error(meter, -211)
    meter.handle("TRIG:SOUR BUS")
    meter.handle("READ?")
    assert only_error(meter, -214)
    meter.handle("INIT;:INIT")
    assert only_error(meter, -213)
    meter.handle("ABOR;*TRG")
    assert only_error(meter, -211)


def test_an_edge_at_the_trigger_input(meter):
    meter.handle("TRIG:SOUR EXT;:INIT")
    meter.external_trigger()
    assert meter.handle("FETC?") is not None
    meter.external_trigger()  # idle: nothing happens
    assert errors(meter) == []


def test_delay_and_integration_pass_on_the_bench_clock(leads):
    waited = []
    meter = MultimeterModel(leads, rng=np.random.default_rng(5), wait=waited.append, line_frequency=60.0)
    meter.handle("CONF:VOLT:DC 1;:VOLT:NPLC 10;:ZERO:AUTO OFF;:TRIG:DEL 0.5")
    waited.clear()
    meter.handle("READ?")
    assert sum(waited) == pytest.approx(0.5 + 10 / 60)
    meter.handle("ZERO:AUTO ON")
    waited.clear()
    meter.handle("READ?")
    assert sum(waited) == pytest.approx(0.5 + 20 / 60)  # the input, then its zero
    assert meter.handle("TRIG:DEL:AUTO?") == "0"


# Common commands and status


def test_identity_has_four_fields_and_says_simulated(meter):
    fields = meter.handle("*IDN?").split(",")
    assert len(fields) == 4
    assert "simulated" in fields[1]


def test_a_query_behind_identity_is_refused(meter):
    assert meter.handle("*IDN?;*OPC?").startswith("benchtest")
    assert only_error(meter, -440)


def test_power_on_is_an_event(leads):
    assert MultimeterModel(leads, rng=np.random.default_rng(1)).handle("*ESR?") == "128"


def test_reset_leaves_queue_and_masks(meter):
    meter.handle("NONSENSE")
    meter.handle("*ESE 60;*SRE 36;:VOLT:RANG 10;:TRIG:SOUR BUS")
    meter.handle("*RST")
    assert meter.handle("*ESE?;*SRE?;:VOLT:RANG:AUTO?;:TRIG:SOUR?") == "60;36;1;IMM"
    assert errors(meter) == [-113]


def test_clear_empties_events_and_queue_but_no_mask(meter):
    meter.handle("NONSENSE")
    meter.handle("*ESE 60;*CLS")
    assert meter.handle("*ESR?;*ESE?;:SYST:ERR?") == '0;60;0,"No error"'


def test_event_status_is_cleared_by_reading(meter):
    meter.handle("NONSENSE")
    assert meter.handle("*ESR?;*ESR?") == "32;0"


def test_status_byte_sums_up_and_is_not_cleared(meter):
    meter.handle("*ESE 32;*SRE 36")
    meter.handle("NONSENSE")
    # bit 2 errors, bit 5 event summary, bit 6 master summary
    assert meter.handle("*STB?;*STB?") == "100;100"
    meter.handle("*SRE 64")  # bit 6 of the mask is ignored
    assert meter.handle("*SRE?") == "0"


def test_message_available_is_seen_while_a_reply_waits(meter):
    meter.receive("READ?")
    assert meter.message_available
    assert meter.status.status_byte(message_available=meter.message_available) & 16


def test_operation_complete_sets_its_bit_when_nothing_is_pending(meter):
    assert meter.handle("*OPC?") == "1"
    assert meter.handle("*ESR?") == "0"  # the query leaves the bit alone
    meter.handle("TRIG:SOUR BUS;:INIT;*OPC")
    assert meter.handle("*ESR?") == "0"
    meter.handle("*TRG")
    assert meter.handle("*ESR?") == "1"
    assert meter.handle("*WAI;*TST?") == "0"


def test_waiting_for_a_trigger_that_cannot_come_is_a_deadlock(meter):
    meter.handle("TRIG:SOUR BUS;:INIT")
    assert meter.handle("*OPC?") is None
    assert only_error(meter, -214)


@pytest.mark.parametrize(
    ("message", "bit"), [("CONF:VOLT 0.1", 1), ("CONF:CURR 0.01", 2), ("CONF:RES 100", 512), ("CONF:FRES 100", 512)]
)
def test_an_overload_is_questionable(meter, leads, message, bit):
    leads.dc, leads.source_ohm = (0.5, 0.0) if bit != 512 else (0.0, 0.0)
    meter.handle(message)
    meter.handle(f"STAT:QUES:ENAB {bit};*SRE 8")
    assert meter.handle("READ?") == "+9.90000000E+37"
    assert meter.handle("STAT:QUES:COND?") == str(bit)
    assert int(meter.handle("*STB?")) & 0b1001000 == 0b1001000
    assert meter.handle("STAT:QUES?;QUES:EVEN?") == f"{bit};0"


def test_measuring_is_an_operation_event(meter):
    meter.handle("STAT:OPER?")
    meter.handle("READ?")
    assert meter.handle("STAT:OPER:EVEN?;COND?") == "16;0"


def test_presets_of_the_status(meter):
    meter.handle("STAT:QUES:ENAB 513;:STAT:OPER:ENAB 48")
    assert meter.handle("STAT:QUES:ENAB?;:STAT:OPER:ENAB?") == "513;48"
    meter.handle("STAT:PRES")
    assert meter.handle("STAT:QUES:ENAB?;:STAT:OPER:ENAB?") == "0;0"


def test_system_and_display(meter):
    assert meter.handle("SYST:VERS?") == "1999.0"
    assert meter.handle("ROUT:TERM?") == "FRON"
    for message in (
        "SYST:BEEP",
        "SYSTEM:BEEPER:IMMEDIATE",
        "SYST:REM",
        "SYST:LOC",
        "SYST:RWL",
        "DISP OFF",
        "DISP:TEXT:CLE",
    ):
        assert meter.handle(message) is None
    assert meter.handle("DISP?;:DISP:WIND:STAT?") == "0;0"
    meter.handle("INP:IMP:AUTO 1")
    assert meter.handle("INP:IMP:AUTO?") == "1"
    assert errors(meter) == []


# The error queue

CAUSES = {
    -101: ["MEAS$VOLT?", "VOLT:RANG ~1", "\x07READ?", "$"],
    -102: ["VOLT::RANG 1", "MEAS:VOLT?:DC", "*CLS;", "VOLT:RANG 1,,2", ":", "READ??"],
    -103: ["VOLT:RANG,1", "TRIG:SOUR BUS EXT"],
    -104: ['VOLT:RANG "1"'],
    -108: ["VOLT:RANG 1,2", "*CLS 1", "CONF:VOLT 1,0.1,5", "READ? 1"],
    -109: ["VOLT:RANG", "FUNC", "*ESE"],
    -112: ["MEASUREMENTTTT:VOLT?"],
    -113: ["HELLO", "VOLT:DC?", "*XYZ", "READ", "*IDN", "MEAS:VOLT"],
    -114: ["VOLT2:RANG 1", "SENS9:FUNC?"],
    -121: ["VOLT:RANG 1.2.3", "VOLT:RANG 1E+", "*ESE #HZZ", "VOLT:RANG 12!"],
    -123: ["VOLT:RANG 1E40000"],
    -124: ["VOLT:RANG " + "1" * 300],
    -128: ["TRIG:SOUR 1", "FUNC 1"],
    -131: ["VOLT:RANG 1 A", "VOLT:RANG 1E", "TRIG:DEL 1 V"],
    -138: ["VOLT:NPLC 1 S", "*ESE 1 V"],
    -141: ["TRIG:SOUR IMMEDIATELYYY"],
    -148: ["FUNC VOLT"],
    -151: ['FUNC "VOLT', 'DISP:TEXT "A" B'],
    -158: ['TRIG:SOUR "BUS"'],
    -203: ["CAL?"],
    -211: ["*TRG"],
    -222: ["VOLT:RANG 5000", "VOLT:NPLC 1000", "*ESE 256", "SAMP:COUN 0", "TRIG:DEL -1", "CONF:VOLT 1,1E-9"],
    -224: ["VOLT:RANG BIG", "TRIG:SOUR NEVER", "VOLT:RANG:AUTO MAYBE"],
    -230: ["FETC?"],
}  # fmt: skip


@pytest.mark.parametrize(("number", "message"), [(n, m) for n, messages in CAUSES.items() for m in messages])
def test_each_mistake_has_its_number(meter, number, message):
    assert meter.handle(message) is None
    assert only_error(meter, number)


def test_what_was_wrong_changes_nothing(meter):
    before = meter.handle("CONF?;:VOLT:RANG:AUTO?;:TRIG:SOUR?;COUN?")
    for messages in CAUSES.values():
        for message in messages:
            meter.handle(message)
    assert meter.handle("CONF?;:VOLT:RANG:AUTO?;:TRIG:SOUR?;COUN?") == before


def test_a_command_error_ends_the_message_and_an_execution_error_does_not(meter):
    assert meter.handle("*ESE?;NONSENSE;*SRE?") == "0"
    assert errors(meter) == [-113]
    assert meter.handle("*ESE?;:VOLT:RANG 5000;*SRE?") == "0;0"
    assert errors(meter) == [-222]


def test_a_full_queue_keeps_the_oldest_and_says_so(meter):
    for _ in range(30):
        meter.handle("NONSENSE")
    assert meter.handle("SYST:ERR:COUN?") == "20"
    assert errors(meter) == [-113] * 19 + [-350]
    assert errors(meter) == []


def test_all_errors_at_once(meter):
    meter.handle("NONSENSE")
    meter.handle("VOLT:RANG 5000")
    assert meter.handle("SYST:ERR:ALL?") == '-113,"Undefined header",-222,"Data out of range"'
    assert meter.handle("SYST:ERR:NEXT?") == '0,"No error"'


def test_an_answer_that_nobody_read_is_interrupted(meter):
    meter.receive("READ?")
    meter.receive("*OPC?")
    assert meter.send() == "1"
    assert only_error(meter, -410)


def test_reading_without_a_question_is_unterminated(meter):
    assert meter.send() is None
    assert only_error(meter, -420)


def test_too_long_a_message_overruns(meter):
    meter.overrun()
    assert only_error(meter, -363)


def test_device_clear_drops_the_reply_and_the_wait(meter):
    meter.handle("TRIG:SOUR BUS;:INIT")
    meter.receive("*ESE?")
    meter.device_clear()
    assert meter.send() is None
    meter.handle("*TRG")
    assert errors(meter) == [-420, -211]


def test_blank_lines_are_nothing(meter):
    assert meter.handle("") is None
    assert meter.handle("   ") is None
    assert errors(meter) == []
