"""The bench file: every key checked, an unknown or impossible one refused with file, line and remedy."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.bench_file import (
    BARE_SHARE,
    AccuracyRow,
    AudioSection,
    BenchFile,
    BenchSection,
    CalibrationSection,
    DmmSection,
    LampSection,
    LoadSection,
    MainsSocketSection,
    OperatorSection,
    bench_as_toml,
    bench_from_text,
    check_bench,
    load_bench,
    notes_on,
)
from benchtest.config import FaultyFile
from benchtest.errors import FileError
from benchtest.instruments.protocols import Function
from benchtest.instruments.test_points import TEST_POINTS

TEXT = """\
[bench]
name = "my bench"
[load]
left_ohm = 8.02
right_ohm = 7.98
tolerance_percent = 1.0
[[dmm]]
name = "dmm"
driver = "scpi"
resource = "TCPIP0::192.0.2.7::5025::SOCKET"
connected_to = "left_output"
accuracy = [
  { function = "dc_volts", range = 0.2, percent_of_reading = 0.05, percent_of_range = 0.01 },
  { function = "ac_volts", range = 20.0, frequency_hz = [45.0, 1000.0], percent_of_reading = 1, percent_of_range = 1 },
]
[audio]
driver = "sound_card"
output_device = "card"
input_device = "card"
sample_rate = 96000
output_full_scale_v = 2.83
input_full_scale_v = 1.41
left_input_divider = 23.3
right_input_divider = 23.3
"""


def told(old: str, new: str) -> str:
    """What is said of the text with one thing changed."""
    assert old in TEXT
    with pytest.raises(FaultyFile) as caught:
        bench_from_text(TEXT.replace(old, new, 1), "bench.toml")
    return str(caught.value)


def test_what_is_left_out_has_the_values_of_the_contract():
    bench = bench_from_text(TEXT, "bench.toml")
    assert (bench.bench.mains_voltage, bench.bench.mains_frequency, bench.bench.simulated) == (230.0, 50.0, False)
    assert bench.operator == OperatorSection(driver="person", resource="")
    assert bench.load.power_rating_w == 10.0  # no rating given: 10 W (common practice, no source)
    assert bench.audio is not None
    assert bench.audio.output_divider == 1.0
    assert (bench.calibration, bench.lamp, bench.mains_socket) == (None, None, None)
    assert bench.dmm[0].accuracy[1].frequency_hz == (45.0, 1000.0)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("left_ohm = 8.02", "left_ohm = -8.0", "line 4: [load] left_ohm = -8.0. Expected a resistance above 0 ohm"),
        ("left_ohm = 8.02", "left_ohm = 0", "line 4: [load] left_ohm = 0. Expected a resistance above 0 ohm"),
        ("left_ohm = 8.02", "left_ohm = nan", "Expected a finite number"),
        ("left_ohm = 8.02", "left_omh = 8.02", "Did you mean left_ohm?"),
        ("tolerance_percent = 1.0", "tolerance_percent = 0.0", "nothing is known exactly"),
        ("sample_rate = 96000", "sample_rate = 96000.0", "a whole number"),
        ("sample_rate = 96000", "sample_rate = 8000", "44100 to 768000"),
        ("left_input_divider = 23.3", "left_input_divider = 0.043", "volts in per volt out, at least 1"),
        ("input_full_scale_v = 1.41", "input_full_scale_v = 0.0", "peak volts above 0"),
        ('driver = "scpi"', 'driver = "simulated"', "[bench] simulated is not true"),
        ('driver = "sound_card"', 'driver = "simulated"', "[bench] simulated is not true"),
        ('connected_to = "left_output"', 'connected_to = "left output"', "Did you mean left_output?"),
        ('connected_to = "left_output"', 'connected_to = "moveable"', "Did you mean movable?"),
        ("TCPIP0::192.0.2.7::5025::SOCKET", "192.0.2.7", "a VISA resource name"),
        ('driver = "scpi"', 'driver = "handheld"', "no resource for a meter that a person reads"),
        ('output_device = "card"', 'output_device = ""', "[audio] output_device"),
        ('input_device = "card"\n', "", "[audio] input_device is missing"),
        (", frequency_hz = [45.0, 1000.0]", "", "accuracy row 2, frequency_hz is missing"),
        ("[45.0, 1000.0]", "[1000.0, 45.0]", "the lower frequency first"),
        ("[45.0, 1000.0]", "[45.0]", "two frequencies"),
        ('"dc_volts", range', '"dc_volts", frequency_hz = [1.0, 2.0], range', "no band for this function"),
        ('"dc_volts"', '"dc_volt"', 'Did you mean "dc_volts"?'),
        ("percent_of_reading = 0.05, percent_of_range = 0.01", "percent_of_reading = 0, percent_of_range = 0", "exact"),
        ("[audio]", "[dmm.commands]\nread = 5\n[audio]", "number 1, commands, read = 5. Expected text in quotes"),
        ("[audio]", '[[dmm]]\nname = "dmm"\ndriver = "handheld"\n[audio]', "meter number 1 has this one"),
        (
            "[audio]",
            '[[dmm]]\nname = "two"\ndriver = "handheld"\nconnected_to = "left_output"\n[audio]',
            "meter number 1 sits on this one",
        ),
        (
            'connected_to = "left_output"',
            'connected_to = "left_output"\ncommands = { raed = "READ?" }',
            "commands, raed is not known",
        ),
        ("[load]", "[laod]", "[laod] is not known"),
        ("[audio]", "[mains_socket]\ndriver = \"simulated\"\n[audio]", "[mains_socket] driver"),
        ("[audio]", '[operator]\nresource = "port"\n[audio]', "no resource for a person"),
        ("[audio]", "[lamp]\npower_w = -60.0\n[audio]", "Write 60.0 or 100.0."),
    ],
)  # fmt: skip
def test_an_unknown_or_impossible_key_is_refused_with_a_remedy(old, new, says):
    assert says in told(old, new)


def test_a_bench_without_any_instrument_is_refused():
    with pytest.raises(FaultyFile, match="at least one multimeter"):
        bench_from_text(TEXT[: TEXT.index("[[dmm]]")], "bench.toml")


def test_two_meters_may_both_be_movable():
    more = '[[dmm]]\nname = "two"\ndriver = "handheld"\n[[dmm]]\nname = "three"\ndriver = "handheld"\n'
    assert len(bench_from_text(TEXT + more, "bench.toml").dmm) == 3


def test_two_ranges_and_two_bands_may_stand_in_one_table_but_not_the_same_twice():
    row = '{ function = "ac_volts", range = 20.0, frequency_hz = [%s], percent_of_reading = 1, percent_of_range = 1 },'
    beside = TEXT.replace("\n]\n[audio]", "\n" + row % "1000.0, 20000.0" + "\n]\n[audio]")
    assert len(bench_from_text(beside, "bench.toml").dmm[0].accuracy) == 3
    assert "row 2 is for the same" in told("\n]\n[audio]", "\n" + row % "900.0, 20000.0" + "\n]\n[audio]")


def test_all_faults_of_a_bench_are_told_at_once():
    text = TEXT.replace("8.02", "-8.0").replace('"scpi"', '"spci"').replace('"left_output"', '"nowhere"')
    with pytest.raises(FaultyFile) as caught:
        bench_from_text(text.replace("[audio]", "[adio]"), "bench.toml")
    assert [fault.line for fault in caught.value.faults] == [4, 9, 11, 16]


def test_a_simulated_bench_may_use_real_drivers_and_simulated_ones():
    """The simulated bench served to other processes is reached by the real drivers and still marked."""
    text = TEXT.replace('name = "my bench"', 'name = "served"\nsimulated = true')
    assert bench_from_text(text, "bench.toml").bench.simulated
    assert bench_from_text(text.replace('"scpi"', '"simulated"'), "bench.toml").dmm[0].driver == "simulated"


def test_a_bare_resistor_counts_for_two_fifths_of_its_print():
    """Common practice, no source; 50 W bare against 100 W on a heatsink: pmillett.com/dummyload.html."""
    load = LoadSection(left_ohm=8.0, right_ohm=8.0, tolerance_percent=1.0, power_rating_w=100.0, as_mounted="bare")
    assert load.rating_as_mounted_w == pytest.approx(100.0 * BARE_SHARE)
    assert load.rating_as_mounted_w < 50.0


def test_loading_names_the_file(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(TEXT, encoding="utf-8")
    assert load_bench(path).meter("dmm").connected_to == "left_output"
    with pytest.raises(FileError, match=r"bnch\.toml: no such bench file\..*bench\.toml"):
        load_bench(tmp_path / "bnch.toml")
    with pytest.raises(KeyError, match="this bench has dmm"):
        load_bench(path).meter("other")


def test_notes_tell_what_is_missing_without_refusing_it():
    notes = " ".join(notes_on(bench_from_text(TEXT[: TEXT.index("[audio]")], "bench.toml")))
    assert "No [audio]" in notes
    assert "10 W" in notes
    assert "No [lamp]" in notes


def test_notes_tell_their_line_and_that_a_hand_held_meter_watches_nothing():
    text = TEXT.replace('driver = "scpi"', 'driver = "handheld"').replace(
        'connected_to = "left_output"', 'connected_to = "dc_watch"'
    )
    text = "\n".join(line for line in text.splitlines() if not line.startswith("resource ="))
    line = text.splitlines().index('connected_to = "dc_watch"') + 1
    notes = notes_on(bench_from_text(text, "bench.toml"), text, "bench.toml")
    found = [note for note in notes if note.startswith(f"bench.toml, line {line}: ")]
    assert len(found) == 1
    assert "is no DC watch" in found[0]
    assert "measured again between the tones" in found[0]
    assert 'driver = "scpi"' in found[0]
    watched = notes_on(bench_from_text(TEXT.replace('"left_output"', '"dc_watch"'), "bench.toml"))
    assert not any("DC is not watched" in note for note in watched)
    assert any("No meter on dc_watch" in note for note in notes_on(bench_from_text(TEXT, "bench.toml")))


def test_four_wires_are_no_matter_of_a_hand_held_meter():
    assert bench_from_text(TEXT.replace('name = "dmm"', 'name = "dmm"\nfour_wire = true'), "b").dmm[0].four_wire
    said = told(
        'driver = "scpi"\nresource = "TCPIP0::192.0.2.7::5025::SOCKET"', 'driver = "handheld"\nfour_wire = true'
    )
    assert "four_wire is given. Expected no such thing for a meter that a person reads" in said


NAMES = st.text(min_size=1, max_size=8)
POSITIVE = st.floats(0.01, 900.0)
PERCENT = st.floats(0.001, 10.0)


@st.composite
def benches(draw: st.DrawFn) -> BenchFile:
    points = draw(st.lists(st.sampled_from([*TEST_POINTS]), unique=True, max_size=3))
    rows = st.builds(
        AccuracyRow,
        function=st.just(Function.AC_VOLTS),
        range=POSITIVE,
        frequency_hz=st.tuples(st.floats(0.0, 40.0), st.floats(41.0, 1e5)),
        percent_of_reading=PERCENT,
        percent_of_range=PERCENT,
    )
    meters = tuple(
        DmmSection(
            name=f"{draw(NAMES)}{i}",
            driver="simulated",
            resource=draw(st.text(max_size=5)),
            connected_to=point,
            accuracy=(draw(rows),) if draw(st.booleans()) else (),
            commands=draw(st.dictionaries(st.sampled_from(["read", "error"]), st.text(max_size=5))),
        )
        for i, point in enumerate([*points, "movable"])
    )
    audio = AudioSection(
        driver="simulated",
        sample_rate=draw(st.integers(44_100, 192_000)),
        output_full_scale_v=draw(POSITIVE),
        input_full_scale_v=draw(POSITIVE),
        left_input_divider=1.0 + draw(POSITIVE),
        right_input_divider=1.0 + draw(POSITIVE),
    )
    return BenchFile(
        bench=BenchSection(name=draw(NAMES), simulated=True),
        operator=OperatorSection(driver="simulated", resource=draw(st.text(max_size=5))),
        load=LoadSection(left_ohm=draw(POSITIVE), right_ohm=draw(POSITIVE), tolerance_percent=draw(PERCENT)),
        lamp=draw(st.none() | st.just(LampSection(power_w=60.0))),
        dmm=meters,
        audio=draw(st.none() | st.just(audio)),
        calibration=draw(st.none() | st.builds(CalibrationSection, file=NAMES)),
        mains_socket=draw(st.none() | st.just(MainsSocketSection(driver="simulated"))),
    )


@settings(deadline=None)
@given(benches(), st.booleans())
def test_a_bench_survives_being_written_and_read(bench, comments):
    assert bench_from_text(bench_as_toml(bench, comments=comments), "bench.toml") == bench


def test_a_check_lists_the_faults_or_the_notes(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(TEXT, encoding="utf-8")
    assert (check_bench(path).faults, bool(check_bench(path).notes)) == ((), True)
    path.write_text(TEXT.replace("8.02", "-8.0").replace('"scpi"', '"spci"'), encoding="utf-8")
    assert [(fault.line, fault.key) for fault in check_bench(path).faults] == [
        (4, "[load] left_ohm"),
        (9, "[[dmm]] number 1, driver"),
    ]
    with pytest.raises(FileError, match="no such bench file"):
        check_bench(tmp_path / "other.toml")
