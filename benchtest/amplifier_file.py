"""The amplifier file: an amplifier's specification, with what its maker claims and limits where they differ.

    [amplifier]   identity, kind of output stage, rated power, load, THD, gain or sensitivity, rails, fuses
    [[claims]]    the maker's figure for a quantity: at_most, at_least or plus_minus, where it holds, the maker's words
    [[limits]]    what is serviceable, where it differs from the defaults: lower, upper, good_lower, good_upper

``where`` says under which conditions a row holds, such as ``where = { at = "1 W", frequency_hz = 1000.0 }``; see
``WHERE_KEYS``. How rows are matched and what they decide is in ``limits``.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from benchtest.amplifier_checks import KINDS, OUTPUT_STAGES, REFERENCES, WHERE_KEYS, amplifier_faults
from benchtest.config import FileModel, Says, as_toml, model_from_text, read_text
from benchtest.quantities import QUANTITIES

OutputStage = Literal[
    "direct_coupled", "dc_servo", "capacitor_coupled", "bridged", "output_transformer", "unknown"
]  # fmt: skip


def _positive(what: str, example: str, unit: str) -> Says:
    return Says(
        f"{what} above 0 {unit}".rstrip(), f"Write {example}, or leave the line out where it is not known.", unit
    )


_NAME = Says("a name in quotes", 'Write what the set is called, such as "living room amplifier".')
_STAGE = Says(
    f"one of {', '.join(OUTPUT_STAGES)}",
    'Write "unknown" if it is not known: it decides which DC at the output is normal.',
    "decides which DC at the output is normal",
)
_TEXT = Says("text in quotes", "Put it in quotes.")


class AmplifierSection(FileModel):
    """[amplifier]: what stands on the rear label, in the sheet, and under the lid."""

    name: Annotated[str, Field(min_length=1), _NAME]
    serial: Annotated[str, Says("text in quotes", "Put it in quotes.", "its history is found by it")] = ""
    maker: Annotated[str, _TEXT] = ""
    kind: Annotated[
        Literal["integrated", "power", "receiver", "module"],
        Says(f"one of {', '.join(KINDS)}", 'Write "module" for a salvaged power-amplifier board.', ", ".join(KINDS)),
    ] = "integrated"
    output_stage: Annotated[OutputStage, _STAGE] = "unknown"
    rated_power_w: Annotated[
        float | None, Field(gt=0.0, le=10_000.0), _positive("a power for each channel", "60.0", "W")
    ] = None
    rated_load_ohm: Annotated[float, Field(gt=0.0, le=100.0), _positive("a load", "8.0", "ohm")] = 8.0
    minimum_load_ohm: Annotated[
        float | None,
        Field(gt=0.0, le=100.0),
        Says(
            "a load above 0 ohm, at most the rated load",
            "Write the lowest load on the label, such as 4.0; without it, below the rated load nothing is driven.",
            "ohm; the lowest that the label allows",
        ),
    ] = None
    rated_thd_percent: Annotated[
        float | None,
        Field(gt=0.0, le=100.0),
        Says("a distortion above 0 %, at most 100 %", "Write 0.1 for 0.1 %, or leave the line out.", "%"),
    ] = None
    gain_db: Annotated[
        float | None, Field(ge=-20.0, le=80.0), Says("a gain in dB, -20 to 80", "Write 31.5, or leave it out.", "dB")
    ] = None
    sensitivity_v: Annotated[
        float | None,
        Field(gt=0.0, le=100.0),
        Says(
            "an input voltage above 0 V",
            "Write 0.15 for 150 mV, or leave the line out.",
            "V rms at the input for rated power",
        ),
    ] = None
    rail_v: Annotated[
        float | None,
        Field(gt=0.0, le=1000.0),
        Says(
            "the magnitude of each rail, above 0 V",
            "Write 42.0 for rails of +42 V and -42 V, or leave the line out.",
            "V; magnitude of each rail",
        ),
    ] = None
    reservoir_uf: Annotated[
        float | None, Field(gt=0.0, le=1e7), _positive("the capacitance marked on each reservoir", "10000.0", "uF")
    ] = None
    speaker_fuse_a: Annotated[float | None, Field(gt=0.0, le=100.0), _positive("a fuse rating", "4.0", "A")] = None
    speaker_fuse_characteristic: Annotated[
        Literal["", "FF", "F", "M", "T", "TT"],
        Says('"FF", "F", "M", "T", "TT" or empty', "Read the letter before the rating: F quick, T time-lag."),
    ] = ""
    rail_fuse_a: Annotated[float | None, Field(gt=0.0, le=100.0), _positive("a fuse rating", "5.0", "A")] = None
    mains_voltage: Annotated[
        float,
        Field(ge=80.0, le=300.0),
        Says("the mains voltage on the label in V, 80 to 300", "Write 230.0.", "V, on the label"),
    ] = 230.0
    relay_delay_s: Annotated[
        float | None,
        Field(ge=0.0, le=120.0),
        Says("a delay of 0 to 120 s", "Write the seconds until the relay clicks, 0.0 if there is none.", "s"),
    ] = None
    idle_current_ma: Annotated[
        float | None, Field(gt=0.0, le=10_000.0), _positive("the idle current of one output pair", "50.0", "mA")
    ] = None
    emitter_resistor_ohm: Annotated[
        float | None, Field(gt=0.0, le=10.0), _positive("an emitter resistor", "0.22", "ohm")
    ] = None
    age_years: Annotated[
        float | None,
        Field(ge=0.0, le=150.0),
        Says("an age in years, 0 to 150", "Write 40.0, or leave it out.", "years"),
    ] = None
    remarks: Annotated[str, _TEXT] = ""


_QUANTITY = Says("the name of a quantity", f"Quantities: {', '.join(QUANTITIES)}.")
_UNIT = Says("a unit in quotes", 'Write the unit of the figure, such as "%" or "mV".')
_FIGURE = Says("a finite number", "Write the figure in the row's unit.")
_WHERE = Says(
    "conditions in braces",
    'Write where = { at = "1 W", frequency_hz = 1000.0 }; conditions: ' + ", ".join(WHERE_KEYS) + ".",
)


class Claim(FileModel):
    """[[claims]]: the maker's figure for a quantity. Exactly one of at_most, at_least and plus_minus."""

    quantity: Annotated[str, _QUANTITY]
    at_most: Annotated[float | None, _FIGURE] = None
    at_least: Annotated[float | None, _FIGURE] = None
    plus_minus: Annotated[float | None, Field(ge=0.0), Says("a deviation of 0 or more", "Write 0.5 for +-0.5.")] = None
    unit: Annotated[str, _UNIT]
    channel: Annotated[
        Literal["", "left", "right", "both", "none"],
        Says('"left", "right", "both", "none" or empty', "Leave it out where the claim is for both channels."),
    ] = ""
    where: Annotated[dict[str, Any], _WHERE] = Field(default_factory=dict)
    text: Annotated[str, Says("the maker's words in quotes", "Copy them from the sheet.")] = ""

    @property
    def kind(self) -> Literal["max", "min", "deviation"]:
        """Which of the three it is."""
        if self.at_most is not None:
            return "max"
        return "min" if self.at_least is not None else "deviation"

    @property
    def value(self) -> float:
        """The maker's figure, in ``unit``."""
        for each in (self.at_most, self.at_least, self.plus_minus):
            if each is not None:
                return each
        raise ValueError(f"a claim on {self.quantity} without a figure")


class LimitRow(FileModel):
    """[[limits]]: what a quantity must keep to be serviceable, and between which values it is good.

    With percent_of the figures are percent of that reference (90 % of rated_power_w), with relative_to they are added
    to it (gain_db, -1 and +1 dB). A row whose reference is not known does not apply.
    """

    quantity: Annotated[str, _QUANTITY]
    lower: Annotated[float | None, _FIGURE] = None
    upper: Annotated[float | None, _FIGURE] = None
    good_lower: Annotated[float | None, _FIGURE] = None
    good_upper: Annotated[float | None, _FIGURE] = None
    unit: Annotated[str, _UNIT]
    percent_of: Annotated[str, Says("a reference", f"References: {', '.join(REFERENCES)}.")] = ""
    relative_to: Annotated[str, Says("a reference", f"References: {', '.join(REFERENCES)}.")] = ""
    mains_exponent: Annotated[
        int,
        Field(ge=0, le=2),
        Says(
            "0, 1 or 2",
            "Write 1 where the reference goes with the mains voltage (a rail), 2 with its square (power).",
        ),
    ] = 0
    overload_fails: Annotated[
        bool, Says("whether an overload (open circuit) fails", "Write true for a fuse: open is a failed reading.")
    ] = False
    exact: Annotated[
        bool,
        Says("whether the value is a sign or a count", "Write true only where a value has no uncertainty of its own."),
    ] = False
    where: Annotated[dict[str, Any], _WHERE] = Field(default_factory=dict)
    source: Annotated[str, Says("where the figures come from, in quotes", "Name the sheet and the page.")] = ""
    confidence: Annotated[str, Says("how the source was read, in quotes", 'Such as "read at source".')] = ""


class AmplifierSpec(AmplifierSection):
    """An amplifier's specification: everything in [amplifier], with claims and limits."""

    claims: tuple[Claim, ...] = ()
    limits: tuple[LimitRow, ...] = ()

    @property
    def rated_voltage(self) -> float | None:
        """Output at rated power into the rated load, V rms; None where the rated power is not known."""
        return None if self.rated_power_w is None else math.sqrt(self.rated_power_w * self.rated_load_ohm)


class AmplifierFile(FileModel):
    """The file's sections as they stand."""

    amplifier: Annotated[AmplifierSection, Says("a section [amplifier]", 'Add [amplifier] with name = "..".')]
    claims: Annotated[
        tuple[Claim, ...],
        Says("one section [[claims]] for each figure", "Write its header in double brackets: [[claims]]."),
    ] = ()
    limits: Annotated[
        tuple[LimitRow, ...],
        Says("one section [[limits]] for each limit", "Write its header in double brackets: [[limits]]."),
    ] = ()


def load_amplifier(path: Path) -> AmplifierSpec:
    """Read and check an amplifier file.

    Raises
    ------
    FileError
        Where there is none (the message lists those that could be meant), or with all its faults (``FaultyFile``).
    """
    return amplifier_from_text(read_text(path, what="amplifier file"), str(path))


def amplifier_from_text(text: str, name: str) -> AmplifierSpec:
    """Check the text of an amplifier file; ``name`` is what messages call it. Raises FaultyFile with every fault.

    >>> amplifier_from_text('[amplifier]\\nname = "a"\\nrated_power_w = 60.0\\n', "a.toml").rated_power_w
    60.0
    """
    file = model_from_text(text, AmplifierFile, name=name, cross_check=amplifier_faults)
    section = {key: getattr(file.amplifier, key) for key in type(file.amplifier).model_fields}
    return AmplifierSpec(**section, claims=file.claims, limits=file.limits)


def unknown_amplifier() -> AmplifierSpec:
    """An amplifier of which nothing is known: the defaults judge, claims are not judged."""
    return AmplifierSpec(name="unknown amplifier")


def amplifier_as_toml(spec: AmplifierSpec, comments: bool = True) -> str:
    """The amplifier file's text; what ``amplifier_from_text`` makes of it is equal to ``spec``."""
    lines = ["[amplifier]"]
    for key, field in AmplifierSection.model_fields.items():
        value = getattr(spec, key)
        if value is None or (value == "" and key != "serial"):
            continue
        says = next((each for each in field.metadata if isinstance(each, Says)), None)
        comment = f"  # {says.comment}" if comments and says is not None and says.comment else ""
        lines.append(f"{key} = {as_toml(value)}{comment}")
    for header, rows in (("claims", spec.claims), ("limits", spec.limits)):
        for row in rows:
            lines += ["", f"[[{header}]]", *_stated(row)]
    return "\n".join(lines) + "\n"


def _stated(row: FileModel) -> list[str]:
    fields = type(row).model_fields
    return [
        f"{key} = {as_toml(getattr(row, key))}"
        for key, field in fields.items()
        if getattr(row, key) != field.get_default(call_default_factory=True)
    ]
