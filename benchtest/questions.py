"""The questions from which a bench file and an amplifier file are written, as data and pure functions.

A command asks them one after the other (``next_question``), checks each answer as it is typed (``answered``), and
writes what ``bench_text`` or ``amplifier_text`` makes of them. No input or output here. An empty answer takes the
default, or leaves the thing out where there is none: nobody is made to guess.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from benchtest.amplifier_checks import KINDS, OUTPUT_STAGES
from benchtest.amplifier_file import (
    AmplifierSpec,
    Claim,
    amplifier_as_toml,
    amplifier_from_text,
)
from benchtest.bench_file import (
    AudioSection,
    BenchFile,
    BenchSection,
    CalibrationSection,
    DmmSection,
    LampSection,
    LoadSection,
    OperatorSection,
    bench_as_toml,
    bench_from_text,
)
from benchtest.config import nearest
from benchtest.errors import FileError
from benchtest.quantities import convert

Answers = Mapping[str, Any]
Kind = Literal["text", "number", "choice", "yes or no"]


@dataclass(frozen=True)
class Question:
    """One question. ``lowest`` and ``highest`` bound a number, both included, unless ``above`` excludes the lowest."""

    key: str
    text: str
    kind: Kind = "text"
    why: str = ""
    unit: str = ""
    choices: tuple[str, ...] = ()
    default: Any = None
    lowest: float = 0.0
    highest: float = 1e9
    above: bool = True
    required: bool = False
    when: Callable[[Answers], bool] = lambda answers: True


def _is(key: str, *values: Any) -> Callable[[Answers], bool]:
    return lambda answers: answers.get(key) in values


_MOST_METERS = 3
_USUAL_POINTS = ("left_output", "right_output", "rail_positive", "rail_negative", "dc_watch")
"""Where meters usually stay; the file takes any test point."""


def _meter_questions(n: int) -> tuple[Question, ...]:
    first = n == 1
    before = _is(f"meter_{n - 1}_driver", "scpi", "handheld")
    here = _is(f"meter_{n}_driver", "scpi", "handheld")
    return (
        Question(
            f"meter_{n}_driver",
            "What kind of multimeter do you have?" if first else f"A meter number {n}?",
            "choice",
            "scpi: it has a computer interface. handheld: you read it and type what it shows."
            if first
            else "With a meter on each output fewer leads are moved. none ends the list.",
            choices=("scpi", "handheld") if first else ("none", "scpi", "handheld"),
            default="handheld" if first else "none",
            when=(lambda answers: True) if first else before,
        ),
        Question(f"meter_{n}_name", "What shall it be called?", default=f"meter {n}", when=here),
        Question(
            f"meter_{n}_resource",
            "Its VISA resource name?",
            why="`benchtest devices` lists those on cables, such as ASRL/dev/ttyUSB0::INSTR. In the network it is "
            "TCPIP::192.168.1.20::5025::SOCKET with the meter's own address and port, as its menu shows them.",
            required=True,
            when=_is(f"meter_{n}_driver", "scpi"),
        ),
        Question(
            f"meter_{n}_point",
            "Where do its leads stay?",
            "choice",
            "movable: you move them when you are asked to.",
            choices=("movable", *_USUAL_POINTS),
            default="movable",
            when=here,
        ),
    )


_HAS_CARD = _is("sound_card", True)

BENCH_QUESTIONS: tuple[Question, ...] = (
    Question("name", "What is this bench called?", default="my bench"),
    Question("mains_voltage", "Mains voltage?", "number", unit="V", default=230.0, lowest=80.0, highest=300.0),
    Question("mains_frequency", "Mains frequency?", "choice", choices=("50", "60"), default="50", unit="Hz"),
    Question(
        "left_ohm",
        "Left dummy load, measured?",
        "number",
        "Null the leads first: 0.2 ohm is 2.5 % of 8 ohm.",
        "ohm",
        required=True,
        highest=1000.0,
    ),
    Question("right_ohm", "Right dummy load, measured?", "number", unit="ohm", required=True, highest=1000.0),
    Question(
        "tolerance_percent",
        "How well are the two values known?",
        "number",
        "The load, not the meter, sets the uncertainty of power.",
        "%",
        default=1.0,
        highest=20.0,
    ),
    Question(
        "power_rating_w",
        "Rating of one channel's load?",
        "number",
        "Power above it is not driven. Not known: 10 W.",
        "W",
        default=10.0,
        highest=10_000.0,
    ),
    Question(
        "as_mounted",
        "How is it mounted?",
        "choice",
        "bare: aluminium-clad resistors without their heatsink bear 40 % of the print.",
        choices=("heatsink", "bare", "not aluminium-clad"),
        default="not aluminium-clad",
    ),
    Question("lamp_w", "Series lamp: how many watts? (none: leave empty)", "number", unit="W", highest=500.0),
    *(question for n in range(1, _MOST_METERS + 1) for question in _meter_questions(n)),
    Question(
        "sound_card", "Is there a sound card?", "yes or no", "Without one nothing needs a test tone.", default=True
    ),
    Question(
        "output_device",
        "Its output's name?",
        why="`benchtest devices` lists the names; a part that no other has is enough. Behind an audio server: pulse:SINK.",
        required=True,
        when=_HAS_CARD,
    ),
    Question(
        "input_device",
        "Its input's name?",
        why="Behind an audio server pulse:SOURCE, such as pulse:bench.monitor for what is played into the sink bench.",
        required=True,
        when=_HAS_CARD,
    ),
    Question(
        "sample_rate",
        "Its highest sample rate?",
        "number",
        unit="Hz",
        default=96_000.0,
        lowest=44_100.0,
        highest=768_000.0,
        above=False,
        when=_HAS_CARD,
    ),
    Question(
        "output_full_scale_v",
        "Its largest output, peak volts?",
        "number",
        "2 V rms are 2.83 V peak. A guess will do: `benchtest calibrate` measures it.",
        "V",
        default=2.83,
        highest=1000.0,
        when=_HAS_CARD,
    ),
    Question(
        "input_full_scale_v",
        "Its largest input, peak volts?",
        "number",
        "1 V rms is 1.41 V peak. Guess low if in doubt: too high a guess overloads the input.",
        "V",
        default=1.41,
        highest=1000.0,
        when=_HAS_CARD,
    ),
    Question(
        "left_input_divider",
        "Left input divider: volts in per volt out?",
        "number",
        "10 k and 470 ohm into a 10 k input make 23.3. 1 is none: then an amplifier's output may destroy the input.",
        default=23.3,
        lowest=1.0,
        highest=10_000.0,
        above=False,
        when=_HAS_CARD,
    ),
    Question(
        "right_input_divider",
        "Right input divider: volts in per volt out?",
        "number",
        default=23.3,
        lowest=1.0,
        highest=10_000.0,
        above=False,
        when=_HAS_CARD,
    ),
    Question(
        "output_divider",
        "Output divider: volts in per volt out?",
        "number",
        "1 is none.",
        default=1.0,
        lowest=1.0,
        highest=10_000.0,
        above=False,
        when=_HAS_CARD,
    ),
)
"""For `bench new`."""

AMPLIFIER_QUESTIONS: tuple[Question, ...] = (
    Question("name", "What is it called? (model, or where it stands)", required=True),
    Question("serial", "Serial number?", why="Its history is found by it."),
    Question("kind", "What is it?", "choice", choices=KINDS, default="integrated"),
    Question(
        "output_stage",
        "Kind of output stage?",
        "choice",
        "It decides which DC at the output is normal. Not sure: unknown.",
        choices=OUTPUT_STAGES,
        default="unknown",
    ),
    Question("rated_power_w", "Rated power for each channel?", "number", "As on the label or sheet.", "W", highest=1e4),
    Question("rated_load_ohm", "Into which load?", "number", unit="ohm", default=8.0, highest=100.0),
    Question(
        "minimum_load_ohm",
        "Lowest load that the label allows?",
        "number",
        "4 ohm is driven only if the label allows it.",
        "ohm",
        highest=100.0,
    ),
    Question("rated_thd_percent", "At which distortion is the power stated?", "number", unit="%", highest=100.0),
    Question("sensitivity_v", "Input sensitivity for rated power?", "number", "Such as 150 mV.", "V", highest=100.0),
    Question("signal_to_noise_db", "Signal-to-noise ratio re 1 W, if stated so?", "number", unit="dB", highest=200.0),
    Question(
        "mains_voltage", "Mains voltage on the label?", "number", unit="V", default=230.0, lowest=80.0, highest=300.0
    ),
    Question("speaker_fuse_a", "Speaker fuses, if it has some?", "number", unit="A", highest=100.0),
    Question("age_years", "How old is it?", "number", unit="years", highest=150.0, above=False),
)
"""For `amplifier new`: from the rear label, in one minute."""


def next_question(questions: Sequence[Question], answers: Answers) -> Question | None:
    """The first question that applies and has no answer yet; None when all are answered.

    >>> next_question(AMPLIFIER_QUESTIONS, {"name": "a"}).key
    'serial'
    """
    return next((each for each in questions if each.key not in answers and each.when(answers)), None)


def asked(question: Question) -> str:
    """The question as it stands on the screen: its unit, why it is asked, its choices by number, what Enter does.

    >>> print(asked(BENCH_QUESTIONS[1]))
    Mains voltage? In V. Enter: 230 V
    >>> print(asked(BENCH_QUESTIONS[2]))
    Mains frequency? In Hz.  [1] 50  [2] 60  Enter: 50 Hz
    """
    parts = [question.text]
    if question.unit:
        parts.append(f"In {question.unit}.")
    if question.why:
        parts.append(f"({question.why})")
    if question.choices:
        parts.append(" " + "  ".join(f"[{n}] {each}" for n, each in enumerate(question.choices, 1)) + " ")
    if question.kind == "yes or no":
        parts.append("y or n.")
    if question.default is not None:
        parts.append(f"Enter: {shown(question, question.default)}")
    else:
        parts.append("Must be answered." if question.required else "Enter: left out")
    return " ".join(parts)


def taken(question: Question, value: Any) -> str:
    """What an empty answer stands for, in words.

    >>> taken(BENCH_QUESTIONS[1], 230.0)
    'taken: 230 V (the default)'
    """
    return "left out" if value is None else f"taken: {shown(question, value)} (the default)"


def shown(question: Question, value: Any) -> str:
    """A value of an answer with its unit."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    text = f"{value:.10g}" if isinstance(value, float) else str(value)
    return f"{text} {question.unit}".strip()


def answered(question: Question, typed: str) -> Any:
    """The value of what was typed; the default, or None, for an empty answer.

    Numbers may carry a decimal comma and a unit ("150 mV", "8,02 ohm"); choices may be typed by number or beginning.

    Raises
    ------
    FileError
        If it is no answer to the question: what was typed, what was expected, what to do.

    Examples
    --------
    >>> answered(AMPLIFIER_QUESTIONS[8], "150 mV")
    0.15
    """
    text = typed.strip()
    if not text:
        if question.required:
            raise FileError(f"{question.text} Nothing was typed. Expected an answer: it cannot be left out.")
        return question.default
    if question.kind == "number":
        return _number(question, text)
    if question.kind == "choice":
        return _choice(question, text)
    if question.kind == "yes or no":
        if text.casefold() in ("y", "yes", "n", "no"):
            return text.casefold().startswith("y")
        raise FileError(f"'{text}' is no answer here. Expected yes or no. Type y or n.")
    return text


def _number(question: Question, text: str) -> float:
    found = re.fullmatch(r"([+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(\S*)", text)
    expected = f"a number in {question.unit}" if question.unit else "a number"
    if found is None:
        raise FileError(f"'{text}' is no number. Expected {expected}. Type it like 8.02, or leave it empty.")
    value, unit = float(found.group(1).replace(",", ".")), found.group(2)
    if unit:
        try:
            value = convert(value, unit, question.unit)
        except ValueError as error:
            raise FileError(f"'{text}': {error}. Expected {expected}. Type the number alone.") from error
    low_enough = value <= question.highest
    high_enough = value > question.lowest if question.above else value >= question.lowest
    if not (low_enough and high_enough):
        words = "above" if question.above else "from"
        raise FileError(
            f"'{text}' is out of range. Expected {expected}, {words} {question.lowest:g} to {question.highest:g}. "
            "Look at the unit, and type it again."
        )
    return value


def _choice(question: Question, text: str) -> str:
    if text.isdigit() and 1 <= int(text) <= len(question.choices) and text not in question.choices:
        return question.choices[int(text) - 1]
    plain = text.casefold().replace(" ", "_")
    same = [each for each in question.choices if each.casefold().replace(" ", "_") == plain]
    begun = same or [each for each in question.choices if each.casefold().replace(" ", "_").startswith(plain)]
    if len(begun) == 1:
        return begun[0]
    near = nearest(text, question.choices)
    hint = f"Did you mean {near}?" if near else "Type one of them, or its number."
    raise FileError(f"'{text}' is none of the choices. Expected one of {', '.join(question.choices)}. {hint}")


def bench_text(answers: Answers) -> str:
    """The commented bench file for the answers; what it says has been checked.

    Raises
    ------
    FileError
        If the answers do not make a bench (two meters of one name, say); the faults name the file's keys.
    """
    bench = BenchFile(
        bench=BenchSection(
            name=answers["name"],
            mains_voltage=answers["mains_voltage"],
            mains_frequency=float(answers["mains_frequency"]),
        ),
        operator=OperatorSection(),
        load=LoadSection(
            left_ohm=answers["left_ohm"],
            right_ohm=answers["right_ohm"],
            tolerance_percent=answers["tolerance_percent"],
            power_rating_w=answers["power_rating_w"],
            as_mounted=answers["as_mounted"] if answers["as_mounted"] in ("heatsink", "bare") else "",
        ),
        lamp=None if answers.get("lamp_w") is None else LampSection(power_w=answers["lamp_w"]),
        dmm=tuple(_meters(answers)),
        audio=_audio(answers) if answers.get("sound_card") else None,
        calibration=CalibrationSection(file="calibration.toml") if answers.get("sound_card") else None,
    )
    text = _BENCH_HEADER + bench_as_toml(bench) + _ACCURACY_HINT
    bench_from_text(text, "the bench file")
    return text


_BENCH_HEADER = """\
# A bench file: what stands on this bench. Text after # is for you. `benchtest bench check` tells what is wrong with it.
# A divider is volts in per volt out, 1 for none. Full scale is peak volts.

"""

_ACCURACY_HINT = """
# Without its accuracy a meter is taken for a plain hand-held one of 2000 counts (0.5 % + 2 counts DC, 1 % + 3 counts AC
# from 40 to 500 Hz). Better: copy the rows from its manual into its [[dmm]] section, and take the # away. Counts become
# a share of the range: 2 counts of 2000 are 0.1 %. A function or a range without a row is refused, so write them all.
#
# accuracy = [
#   { function = "dc_volts", range = 0.2, percent_of_reading = 0.5, percent_of_range = 0.1 },
#   { function = "dc_volts", range = 200.0, percent_of_reading = 0.8, percent_of_range = 0.1 },
#   { function = "ac_volts", range = 200.0, frequency_hz = [45, 400], percent_of_reading = 1, percent_of_range = 0.2 },
#   { function = "resistance", range = 20e3, percent_of_reading = 0.8, percent_of_range = 0.2 },
# ]
"""


def _meters(answers: Answers) -> list[DmmSection]:
    return [
        DmmSection(
            name=answers[f"meter_{n}_name"],
            driver=answers[f"meter_{n}_driver"],
            resource=answers.get(f"meter_{n}_resource") or "",
            connected_to=answers[f"meter_{n}_point"],
        )
        for n in range(1, _MOST_METERS + 1)
        if answers.get(f"meter_{n}_driver") in ("scpi", "handheld")
    ]


def _audio(answers: Answers) -> AudioSection:
    keys = ("output_device", "input_device", "output_full_scale_v", "input_full_scale_v")
    dividers = ("left_input_divider", "right_input_divider", "output_divider")
    return AudioSection(
        driver="sound_card",
        sample_rate=round(answers["sample_rate"]),
        **{key: answers[key] for key in (*keys, *dividers)},
    )


def amplifier_text(answers: Answers) -> str:
    """The commented amplifier file for the answers; what the label says becomes claims as well.

    Raises
    ------
    FileError
        If the answers contradict each other (a lowest load above the rated one); the faults name the file's keys.
    """
    stated = {
        key: answers[key]
        for key in AmplifierSpec.model_fields
        if answers.get(key) is not None and key not in ("claims", "limits")
    }
    spec = AmplifierSpec(**stated, claims=tuple(_claims(answers)))
    text = _AMPLIFIER_HEADER + amplifier_as_toml(spec) + _CLAIMS_HINT
    amplifier_from_text(text, "the amplifier file")
    return text


_AMPLIFIER_HEADER = """\
# An amplifier file: the specification of one amplifier. Text after # is for you. What is not known is left out.

"""

_CLAIMS_HINT = """
# More of the maker's figures, each in a section like this one (take the # away). Exactly one of at_most, at_least and
# plus_minus; where says under which conditions the figure holds.
#
# [[claims]]
# quantity = "thd"
# at_most = 0.05
# unit = "%"
# where = { at = "1 W" }
# text = "as the sheet prints it"
#
# Limits that differ from the usual ones (what is serviceable), in the same way:
#
# [[limits]]
# quantity = "dc_offset"
# lower = -30.0
# upper = 30.0
# unit = "mV"
# source = "service sheet, page 7"
"""


def _claims(answers: Answers) -> list[Claim]:
    claims = []
    power, thd = answers.get("rated_power_w"), answers.get("rated_thd_percent")
    load = answers.get("rated_load_ohm") or 8.0
    if power is not None:
        text = f"{power:g} W per channel into {load:g} ohm" + (f" at {thd:g} %" if thd is not None else "")
        where = {"driven": "both", "load_ohm": load, "burst": ""}
        claims.append(Claim(quantity="output_power", at_least=power, unit="W", where=where, text=text))
    if power is not None and thd is not None:
        where = {"at": "rated power"}
        claims.append(Claim(quantity="thd", at_most=thd, unit="%", where=where, text=f"{thd:g} % at rated power"))
    if answers.get("signal_to_noise_db") is not None:
        ratio = answers["signal_to_noise_db"]
        where = {"reference": ["1 W", ""]}
        claims.append(
            Claim(quantity="signal_to_noise", at_least=ratio, unit="dB", where=where, text=f"{ratio:g} dB re 1 W")
        )
    return claims
