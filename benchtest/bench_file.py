"""The bench file: what stands on this bench, every key checked, all faults at once, with line numbers.

What it says is what the person believes; opening the instruments is ``bench``'s work. Dividers are volts in per volt
out (1 for none); full scale is the volts that a sample value of 1.0 stands for, so peak volts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from benchtest.bench_checks import MOVABLE, bench_faults
from benchtest.config import Fault, FaultyFile, FileModel, Says, as_toml, model_from_text, read_text
from benchtest.instruments.protocols import Function
from benchtest.toml_lines import key_lines

DEFAULT_LOAD_RATING_W = 10.0
"""No rating given: 10 W (common practice, no source)."""
BARE_SHARE = 0.4
"""Bare aluminium-clad: 40 % of the print (common practice, no source; half in pmillett.com/dummyload.html)."""

_LOWEST_AUDIO_RATE, _HIGHEST_AUDIO_RATE = 44_100, 768_000

_DIVIDER = Says(
    "a divider in volts in per volt out, at least 1",
    "Write 23.3 for a divider that makes 1 V of 23.3 V; write 1.0 for none.",
)
_FULL_SCALE = Says(
    "peak volts above 0, at most 1000",
    "Write the peak volts that a sample value of 1.0 stands for, such as 1.41; `benchtest calibrate` measures them.",
)
_OHMS = Says(
    "a resistance above 0 ohm, at most 1000 ohm", "Write the dummy load's measured value in ohm, such as 8.02."
)


class BenchSection(FileModel):
    """[bench]: the bench as a whole."""

    name: Annotated[
        str, Field(min_length=1), Says("the bench's name in quotes", 'Write a name, such as "my bench".', "any name")
    ]
    mains_voltage: Annotated[
        float,
        Field(ge=80.0, le=300.0),
        Says("the mains voltage in V, 80 to 300", "Write the nominal voltage, such as 230.0.", "V, nominal"),
    ] = 230.0
    mains_frequency: Annotated[
        float,
        Field(ge=45.0, le=65.0),
        Says("the mains frequency in Hz, 45 to 65", "Write 50.0 or 60.0.", "Hz"),
    ] = 50.0
    simulated: Annotated[
        bool,
        Says(
            "whether the bench is a simulated one",
            "Write true only for a simulated bench.",
            "true marks every page SIMULATED",
        ),
    ] = False


class OperatorSection(FileModel):
    """[operator]: who moves probes and turns knobs."""

    driver: Annotated[
        Literal["person", "simulated"],
        Says(
            '"person" or "simulated"', 'Write "person" for a real bench.', "person: prompts on the screen; or simulated"
        ),
    ] = "person"
    resource: Annotated[
        str,
        Says(
            "text in quotes",
            "Leave it empty for a person.",
            "empty for a person; the control port of a simulated bench",
        ),
    ] = ""


class ResistorsSection(FileModel):
    """A pair of dummy loads, one resistor a channel."""

    left_ohm: Annotated[float, Field(gt=0.0, le=1000.0), _OHMS]
    right_ohm: Annotated[float, Field(gt=0.0, le=1000.0), _OHMS]
    tolerance_percent: Annotated[
        float,
        Field(gt=0.0, le=20.0),
        Says(
            "a tolerance above 0 %, at most 20 %",
            "Write how well the two values are known, such as 1.0; nothing is known exactly.",
            "% of the two values, plus or minus",
        ),
    ]
    power_rating_w: Annotated[
        float,
        Field(gt=0.0, le=10_000.0),
        Says(
            "a power above 0 W for each channel",
            "Write the rating of one channel's load, such as 100.0; leave it out where it is not known (10 W).",
            "W for each channel",
        ),
    ] = DEFAULT_LOAD_RATING_W
    as_mounted: Annotated[
        Literal["", "heatsink", "bare"],
        Says(
            '"heatsink", "bare" or empty',
            'Write "bare" for an aluminium-clad resistor without its heatsink: 40 % of the print is counted.',
            '"heatsink": the rating holds; "bare": aluminium-clad without heatsink, 40 % of it is counted',
        ),
    ] = ""
    inductance_uh: Annotated[
        float,
        Field(ge=0.0, le=1000.0),
        Says(
            "an inductance of 0 uH or more",
            "Write it in microhenry, such as 20.0, or leave it out.",
            "uH for each channel",
        ),
    ] = 0.0

    @property
    def rating_as_mounted_w(self) -> float:
        """Watts for each channel that count, mounted as it is."""
        return self.power_rating_w * (BARE_SHARE if self.as_mounted == "bare" else 1.0)

    def ohm(self, channel: str) -> float:
        """The stated resistance of "left" or "right", ohm."""
        return {"left": self.left_ohm, "right": self.right_ohm}[channel]


class LoadSection(ResistorsSection):
    """[load]: the dummy load."""

    two_pole_switch: Annotated[
        bool,
        Says(
            "whether a two-pole switch connects the load",
            "Write true only for a switch that opens both poles of both channels.",
            "true: the load may be switched while the amplifier is on",
        ),
    ] = False


class AccuracyRow(FileModel):
    """One row of a meter's accuracy statement: limits of error for one function and range."""

    function: Annotated[
        Function,
        Field(strict=False),
        Says(f"one of {', '.join(Function)}", "Write the function that the row of the meter's manual is for."),
    ]
    range: Annotated[
        float,
        Field(gt=0.0),
        Says("the range's upper end, above 0, in V, A or ohm", "Write 0.2 for the 200 mV range."),
    ]
    frequency_hz: Annotated[
        tuple[float, float] | None,
        Says("two frequencies in Hz, low and high, such as [45.0, 1000.0]", "Read the band off the meter's manual."),
    ] = None
    percent_of_reading: Annotated[
        float, Field(ge=0.0, le=100.0), Says("0 to 100 % of the reading", "Write 0.5 for 0.5 % of the reading.")
    ]
    percent_of_range: Annotated[
        float,
        Field(ge=0.0, le=100.0),
        Says("0 to 100 % of the range", "Counts become a share of the range: 2 counts of 2000 are 0.1."),
    ]


class DmmSection(FileModel):
    """[[dmm]]: one multimeter."""

    name: Annotated[
        str,
        Field(min_length=1),
        Says(
            "the meter's name in quotes",
            'Write a short name, such as "dmm".',
            "what prompts and records call the meter",
        ),
    ]
    driver: Annotated[
        Literal["scpi", "handheld", "simulated"],
        Says(
            '"scpi", "handheld" or "simulated"',
            'Write "scpi" for a meter with a computer interface, "handheld" for one that a person reads.',
            "scpi: computer interface; handheld: a person reads it; or simulated",
        ),
    ]
    resource: Annotated[
        str,
        Says(
            "a VISA resource name in quotes",
            "`benchtest devices` lists those that can be reached.",
            "a VISA resource name; `benchtest devices` lists them; empty for handheld",
        ),
    ] = ""
    connected_to: Annotated[
        str,
        Says(
            '"movable" or the name of a test point',
            'Write "movable" where the leads are moved by hand.',
            '"movable", or the test point on which the leads stay',
        ),
    ] = MOVABLE
    four_wire: Annotated[
        bool,
        Says(
            "whether ohms are measured with four wires",
            "Write true for a meter with sense leads that are clipped on beside the others.",
            "true: ohms with four wires (sense leads beside the others)",
        ),
    ] = False
    accuracy: Annotated[
        tuple[AccuracyRow, ...], Says("rows of the meter's accuracy statement", "Copy them from the meter's manual.")
    ] = ()
    commands: Annotated[
        dict[str, str],
        Says(
            "command texts in quotes", "Only for a meter that deviates from SCPI.", "where the meter deviates from SCPI"
        ),
    ] = Field(default_factory=dict)


class AudioSection(FileModel):
    """[audio]: the sound card with the dividers on its input and output."""

    driver: Annotated[
        Literal["sound_card", "simulated"],
        Says('"sound_card" or "simulated"', 'Write "sound_card" for a real one.', "sound_card or simulated"),
    ]
    output_device: Annotated[
        str, Says("a device's name in quotes", "`benchtest devices` lists them.", "`benchtest devices` lists the names")
    ] = ""
    input_device: Annotated[str, Says("a device's name in quotes", "`benchtest devices` lists them.")] = ""
    sample_rate: Annotated[
        int,
        Field(ge=_LOWEST_AUDIO_RATE, le=_HIGHEST_AUDIO_RATE),
        Says(
            f"a whole number of samples a second, {_LOWEST_AUDIO_RATE} to {_HIGHEST_AUDIO_RATE}",
            "Write 96000, or the highest rate that the sound card has.",
            "samples a second",
        ),
    ] = 96_000
    output_full_scale_v: Annotated[float, Field(gt=0.0, le=1000.0), _FULL_SCALE]
    input_full_scale_v: Annotated[float, Field(gt=0.0, le=1000.0), _FULL_SCALE]
    left_input_divider: Annotated[float, Field(ge=1.0, le=10_000.0), _DIVIDER]
    right_input_divider: Annotated[float, Field(ge=1.0, le=10_000.0), _DIVIDER]
    output_divider: Annotated[float, Field(ge=1.0, le=10_000.0), _DIVIDER] = 1.0
    exclusive: Annotated[
        bool,
        Says(
            "whether the device is taken for this program alone",
            "Write true to keep the system's mixer and resampler out, where its sound has such a mode.",
            "true: no other program and no resampler comes in between, where the system has such a mode",
        ),
    ] = False

    def input_divider(self, channel: str) -> float:
        """Volts at the terminals per volt at the sound card's input, "left" or "right"."""
        return {"left": self.left_input_divider, "right": self.right_input_divider}[channel]


class CalibrationSection(FileModel):
    """[calibration]: where `benchtest calibrate` keeps what it found."""

    file: Annotated[
        str,
        Says(
            "a file name in quotes",
            'Write a name, such as "calibration.toml"; it is looked for beside the bench file.',
            "beside the bench file; `benchtest calibrate` writes it",
        ),
    ] = ""


class MainsSocketSection(FileModel):
    """[mains_socket]: a mains socket that the tool can switch; every stop uses it."""

    driver: Annotated[
        Literal["scpi", "simulated"],
        Says('"scpi" or "simulated"', 'Write "scpi"; leave the section out where you switch off at the wall.'),
    ]
    resource: Annotated[
        str, Says("a VISA resource name in quotes", "Write its address, such as TCPIP0::192.0.2.8::5025::SOCKET.")
    ] = ""
    commands: Annotated[
        dict[str, str],
        Says("command texts in quotes for on, off and state", "Only for a socket that does not speak OUTP ON."),
    ] = Field(default_factory=dict)


class ConnectionRow(FileModel):
    """One row of [scanner] connections: a setting in a state, and the relays that make it."""

    setting: Annotated[
        str,
        Field(min_length=1),
        Says("what is set: a movable meter's name, inputs, load, ..", "Write the name that prompts use, in quotes."),
    ]
    state: Annotated[
        str, Field(min_length=1), Says("the state: a test point, shorted, load, ..", "Write it in quotes.")
    ]
    channels: Annotated[
        str,
        Field(pattern=r"^\s*\d{1,6}(\s*,\s*\d{1,6})*\s*$"),
        Says("channel numbers in quotes", 'Write "101", or "101, 205" for both leads.'),
    ]


class ScannerSection(FileModel):
    """[scanner]: relays (SCPI ROUTe) that connect what a person would otherwise be asked to connect."""

    resource: Annotated[
        str, Says("a VISA resource name in quotes", "Write its address, such as TCPIP0::192.0.2.9::5025::SOCKET.")
    ]
    connections: Annotated[
        tuple[ConnectionRow, ...],
        Field(min_length=1),
        Says(
            "rows of what the relays connect",
            'Write { setting = "dmm", state = "left_output", channels = "101" } for each.',
        ),
    ]


class LampSection(FileModel):
    """[lamp]: the series lamp that this bench has."""

    power_w: Annotated[
        float,
        Field(gt=0.0, le=500.0),
        Says("the lamp's power in W, above 0, at most 500", "Write 60.0 or 100.0.", "W; 60 first, then 100"),
    ]


class BenchFile(FileModel):
    """A whole bench file."""

    bench: Annotated[BenchSection, Says("a section [bench]", 'Add [bench] with name = "my bench".')]
    operator: OperatorSection = OperatorSection()
    load: Annotated[LoadSection, Says("a section [load]", "Add [load] with left_ohm, right_ohm and tolerance_percent.")]
    second_load: ResistorsSection | None = None
    """Another pair, such as 4 ohm beside 8; connected only where the amplifier's label allows it."""
    lamp: LampSection | None = None
    dmm: Annotated[
        tuple[DmmSection, ...],
        Says("one section [[dmm]] for each multimeter", "Write its header in double brackets: [[dmm]]."),
    ] = ()
    audio: AudioSection | None = None
    calibration: CalibrationSection | None = None
    mains_socket: MainsSocketSection | None = None
    scanner: ScannerSection | None = None

    def meter(self, name: str) -> DmmSection:
        """The meter of that name. Raises KeyError."""
        for each in self.dmm:
            if each.name == name:
                return each
        raise KeyError(f"no meter {name!r}; this bench has {', '.join(each.name for each in self.dmm) or 'none'}")


def load_bench(path: Path) -> BenchFile:
    """Read and check a bench file.

    Raises
    ------
    FileError
        Where there is none (the message lists those that could be meant), or with all its faults (``FaultyFile``).
    """
    return bench_from_text(read_text(path, what="bench file"), str(path))


def bench_from_text(text: str, name: str) -> BenchFile:
    """Check the text of a bench file; ``name`` is what messages call it. Raises FaultyFile with every fault.

    >>> text = '''
    ... [bench]
    ... name = "my bench"
    ... [load]
    ... left_ohm = 8.02
    ... right_ohm = 7.98
    ... tolerance_percent = 1.0
    ... [[dmm]]
    ... name = "dmm"
    ... driver = "handheld"
    ... '''
    >>> bench_from_text(text, "bench.toml").load.ohm("right")
    7.98
    """
    return model_from_text(text, BenchFile, name=name, cross_check=bench_faults)


@dataclass(frozen=True)
class Checked:
    """What is wrong with a bench file, and what is no fault but worth knowing."""

    faults: tuple[Fault, ...]
    notes: tuple[str, ...]


def check_bench(path: Path) -> Checked:
    """All faults of a bench file at once, or its notes where it has none.

    Raises
    ------
    FileError
        Where there is no such file, or it is no text.
    """
    try:
        text = read_text(path, what="bench file")
        return Checked((), notes_on(bench_from_text(text, str(path)), text, str(path)))
    except FaultyFile as found:
        return Checked(found.faults, ())


def bench_as_toml(b: BenchFile, comments: bool = True) -> str:
    """The bench file's text; what ``bench_from_text`` makes of it is equal to ``b``."""
    parts = []
    for section, field in type(b).model_fields.items():
        value = getattr(b, section)
        if isinstance(value, FileModel):
            parts.append(f"[{section}]\n{_keys(value, comments)}")
        elif value is not None:
            parts += [f"[[{section}]]\n{_keys(each, comments)}" for each in value]
        del field
    return "\n".join(parts)


def notes_on(b: BenchFile, text: str = "", name: str = "") -> tuple[str, ...]:
    """What is no fault but worth knowing before this bench is trusted, one sentence each.

    With the file's text each note that is about a line of it begins with its place: "bench.toml, line 7: ".
    """
    lines = key_lines(text) if text else {}
    return tuple((f"{name}, line {lines[path]}: " if path in lines else "") + words for path, words in _notes(b))


def _notes(b: BenchFile) -> Iterator[tuple[tuple[str | int, ...], str]]:
    if b.load.power_rating_w == DEFAULT_LOAD_RATING_W and not b.bench.simulated:
        yield (
            ("load", "power_rating_w"),
            "[load] power_rating_w is 10 W: power above that is not driven. State the load's rating if it is more.",
        )
    if b.calibration is None or not b.calibration.file:
        yield ("calibration",), "No [calibration] file: every page says so. `benchtest calibrate` makes one."
    if b.audio is None:
        yield ("audio",), "No [audio]: everything that needs a test tone is recorded as not measured."
    if not b.dmm:
        yield ("dmm",), "No [[dmm]]: there is no DC check, so nothing is driven."
    for i, meter in enumerate(b.dmm):
        if not meter.accuracy and meter.driver != "simulated":
            yield (
                ("dmm", i),
                f"[[dmm]] {meter.name}: no accuracy rows, so it is taken for a plain hand-held one; copy its manual's.",
            )
    if b.audio is not None and b.dmm:
        yield from _watch_notes(b)
    if b.lamp is None and not b.bench.simulated:
        yield ("lamp",), "No [lamp]: the first switch-on has no series lamp to limit the current."


_NO_WATCH = (
    "DC is not watched while a tone plays. The offset is measured again between the tones, where a meter that the program "
    "reads sits on an output, and in the DC checks; the report says so."
)


def _watch_notes(b: BenchFile) -> Iterator[tuple[tuple[str | int, ...], str]]:
    watching = [(i, meter) for i, meter in enumerate(b.dmm) if meter.connected_to == "dc_watch"]
    if not watching:
        yield ("dmm",), f"No meter on dc_watch: {_NO_WATCH}"
    for i, meter in watching:
        if meter.driver == "handheld":
            yield (
                ("dmm", i, "connected_to"),
                f"[[dmm]] {meter.name}: a hand-held meter on dc_watch is no DC watch: nobody types while a tone stands. "
                f'{_NO_WATCH} Put a meter with a computer interface there (driver = "scpi").',
            )


def _keys(section: FileModel, comments: bool) -> str:
    lines = []
    for key, field in type(section).model_fields.items():
        value = getattr(section, key)
        if value is None or value in ({}, ()):
            continue
        if isinstance(value, tuple) and value and isinstance(value[0], FileModel):
            rows = ",\n".join(f"    {as_toml(_plain(row))}" for row in value)
            lines.append(f"{key} = [\n{rows},\n]")
            continue
        says = next((each for each in field.metadata if isinstance(each, Says)), None)
        comment = f"  # {says.comment}" if comments and says is not None and says.comment else ""
        lines.append(f"{key} = {as_toml(value)}{comment}")
    return "\n".join(lines) + "\n"


def _plain(row: FileModel) -> dict[str, Any]:
    return {key: getattr(row, key) for key in type(row).model_fields if getattr(row, key) is not None}
