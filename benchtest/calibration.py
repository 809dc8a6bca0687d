"""How many volts a sample value of 1.0 stands for, at the amplifier's inputs and at its speaker terminals.

The multimeter (AC volts, at a frequency inside its band) is compared with the sound card's output; the output, plugged
straight into the dividers' far end, then tells the input, dividers as built in. Both channels. Gain and channel
difference need only the ratio of the two, in which the meter's error cancels; volts and watts carry it.

Without a calibration the stated values of the bench file are used, and every page says so.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchtest.bench_file import BenchFile, DmmSection
from benchtest.errors import FileError, InstrumentError, NotReachable
from benchtest.instruments.accuracy import DEFAULT
from benchtest.instruments.protocols import Function
from benchtest.loopback import BenchResponse, bench_response, from_table

if TYPE_CHECKING:
    from benchtest.safety import Capture, GuardedBench
    from benchtest.safety.tone import ToneFigures

FORMAT = 1
NOT_CALIBRATED = "NOT CALIBRATED: the values stated in the bench file are used. Run 'benchtest calibrate'."
FREQUENCY_HZ = 1000.0
LOWER_HZ = (400.0, 200.0, 100.0)
"""Taken in this order where the meter's AC statement does not reach 1 kHz, as that of many a hand-held one does not."""
SHARE = 0.6
"""Share of full scale that the calibration tone has: near the top, away from clipping, inside a 1 V meter range."""
ARRIVES_S = 1.0
"""A tone has arrived by then: a busy audio server was seen to take 0.65 s."""
HOLD_S = 4.0
"""Long enough for two readings of a slow AC filter after that."""
HOLD_HANDHELD_S = 20.0
"""Long enough for a person to read a meter and type; the answer may come later, the tone does not wait for it."""
DUE_DAYS = 180
"""How long a calibration counts as fresh. Common practice, no source; every session is better."""
DRIFT_RELATIVE = 2e-4
"""Standard uncertainty of each scale's drift since a calibration that was not made in this session (judgement: converters
of some 50 ppm/K, some kelvin)."""
STATED_RELATIVE = 0.03
"""Standard uncertainty of stated converter and divider values together: a guess for parts of 1 to 5 %."""


@dataclass(frozen=True)
class Calibration:
    """Scales of the sound card as built in; tuples are (left, right), volts are peak.

    meter_relative is the standard uncertainty (k = 1) common to all volts, own_relative that of each scale on its own.
    residual_thd_n and residual_thd are the loopback's ratios, residual_orders its harmonics from the second on, each over
    the fundamental (0 where noise hides it), noise_v its rms noise referred to the terminals; response is the bench's own
    response and crosstalk.
    """

    kind: str
    made_utc: str
    meter: str
    sound_card: str
    frequency_hz: float
    output_volts_per_full_scale: tuple[float, float]
    input_volts_per_full_scale: tuple[float, float]
    meter_relative: float
    own_relative: float
    residual_thd: tuple[float, float] | None = None
    residual_thd_n: tuple[float, float] | None = None
    noise_v: tuple[float, float] | None = None
    residual_orders: tuple[tuple[float, ...], tuple[float, ...]] | None = None
    due_utc: str = ""
    path: str = ""
    warning: str = ""
    response: BenchResponse | None = None
    simulated: bool = False
    """Made on a simulated bench: its scales are those of instruments that do not exist."""
    stated: tuple[float, ...] | None = None
    """What the bench file stated when it was made (``stated_scales``)."""

    def volts_relative(self) -> float:
        """Relative standard uncertainty of a voltage measured through the sound card."""
        return math.hypot(self.meter_relative, self.own_relative)

    def ratio_relative(self) -> float:
        """Relative standard uncertainty of output over input, or of left over right."""
        if self.kind != "measured":
            return math.hypot(STATED_RELATIVE, STATED_RELATIVE)
        return math.sqrt(2.0) * self.own_relative

    def as_dict(self) -> dict[str, Any]:
        """For run.json."""
        return asdict(self)


def stated_scales(file: BenchFile) -> tuple[float, ...] | None:
    """What a bench file states of output and input: full scales and dividers; None without a sound card."""
    a = file.audio
    if a is None:
        return None
    return a.output_full_scale_v, a.output_divider, a.input_full_scale_v, a.left_input_divider, a.right_input_divider


def stated_calibration(file: BenchFile) -> Calibration:
    """The values that the bench file states, unchecked."""
    audio = file.audio
    if audio is None:
        out = back = (1.0, 1.0)
    else:
        out = (audio.output_full_scale_v / audio.output_divider,) * 2
        back = (
            audio.input_full_scale_v * audio.left_input_divider,
            audio.input_full_scale_v * audio.right_input_divider,
        )
    return Calibration(
        kind="stated", made_utc="", meter="", sound_card="", frequency_hz=FREQUENCY_HZ,
        output_volts_per_full_scale=out, input_volts_per_full_scale=back,
        meter_relative=STATED_RELATIVE, own_relative=STATED_RELATIVE,
        warning=NOT_CALIBRATED if audio is not None else "",
    )  # fmt: skip


def make_calibration(bench: GuardedBench) -> Calibration:
    """Measure the scales of a bench: two hook-ups, the amplifier not connected to the sound card.

    Raises NotReachable without a movable meter or a sound card, InstrumentError where the loopback is not seen.
    """
    if bench.file.audio is None:
        raise NotReachable(
            f"bench '{bench.file.bench.name}' has no sound card: there is nothing to calibrate. Add an [audio] section to "
            "its file; 'benchtest devices' lists the cards."
        )
    bench.hook_up(
        say="Calibration: plug the sound card's output into the far ends of the input dividers, both channels. "
        "The amplifier is not connected.",
        sound_card="loopback",
    )
    out: list[float] = []
    back: list[float] = []
    relative: list[float] = []
    taken: list[Capture] = []
    stated = bench.calibration
    meter = movable_meter(bench.file)
    frequency_hz = calibration_frequency(meter)
    hold_s = HOLD_HANDHELD_S if meter.driver == "handheld" else HOLD_S
    for i, point in enumerate(("sound_card_output", "sound_card_output_right")):
        bench.move_meter(point)
        seen: list[Any] = []
        if meter.driver == "handheld":
            bench.tell(
                f"A tone of {frequency_hz:g} Hz plays for {hold_s:g} s: set {meter.name} to AC volts and read it."
            )

        def read_meter(point: str = point, seen: list[Any] = seen) -> None:
            bench.sleep(ARRIVES_S, why="the tone arrives")
            seen.append(bench.ac_volts(point, frequency_hz, repeats=2))

        capture = bench.loopback_tone(SHARE, frequency_hz=frequency_hz, hold_s=hold_s, while_playing=read_meter)
        value = seen[-1]
        if value.value is None or not value.value > 0.01:
            raise InstrumentError(
                f"{value.meter} read {'an overload' if value.value is None else f'{value.value:.3g} V'} at {point} while "
                f"a tone of {SHARE * stated.output_volts_per_full_scale[i] / math.sqrt(2):.3g} V was played. Check that "
                "its leads are on the sound card's output and that the output is not muted by the system."
            )
        channel = ("left", "right")[i]
        level = capture.figures[channel].level_v / stated.input_volts_per_full_scale[i]  # fraction of full scale, rms
        expected = value.value / stated.input_volts_per_full_scale[i]
        if not 0.2 * expected < level < 5.0 * expected:
            raise InstrumentError(
                f"the {channel} input recorded {level:.2g} of full scale (rms) where {expected:.2g} was expected from "
                f"the bench file's divider and full scale. Expected within a factor of 5. Check the loopback lead of "
                f"the {channel} channel, the input gain, and [audio] in the bench file."
            )
        out.append(value.value * math.sqrt(2.0) / SHARE)
        back.append(value.value / level)
        relative.append(value.standard_uncertainty / value.value)
        taken.append(capture)
    response = bench_response(bench)
    leaks = [abs(complex(response.leak(1 - i, frequency_hz))) for i in (0, 1)]  # of the other channel into this one
    # both channels played, and each held a little of the other, in proportion: with one driven its scale is that much more
    back = [volts * (1.0 + leak) for volts, leak in zip(back, leaks, strict=True)]
    bench.hook_up(say="Plug the sound card's output back to the amplifier's side.", sound_card="amplifier")
    now = datetime.now(UTC)
    instruments = bench.describe()["instruments"]
    identity = {item["kind"]: item["identity"] for item in instruments}
    scale = [b / s for b, s in zip(back, stated.input_volts_per_full_scale, strict=True)]
    figures = [capture.figures[c] for capture, c in zip(taken, ("left", "right"), strict=True)]
    return Calibration(
        kind="measured",
        made_utc=now.isoformat(timespec="seconds"),
        due_utc=(now + timedelta(days=DUE_DAYS)).isoformat(timespec="seconds"),
        meter=next((i["identity"] for i in instruments if i.get("connected_to") == "movable"), ""),
        sound_card=identity.get("audio interface", ""),
        frequency_hz=frequency_hz,
        output_volts_per_full_scale=(out[0], out[1]),
        input_volts_per_full_scale=(back[0], back[1]),
        meter_relative=max(relative),
        own_relative=math.hypot(1e-6, 0.2 * max(leaks)),
        residual_thd=(figures[0].thd, figures[1].thd),
        residual_thd_n=(figures[0].thd_n, figures[1].thd_n),
        noise_v=(figures[0].noise_v * scale[0], figures[1].noise_v * scale[1]),
        residual_orders=(harmonic_ratios(figures[0]), harmonic_ratios(figures[1])),
        response=response,
        simulated=bench.simulated,
        stated=stated_scales(bench.file),
    )


def movable_meter(file: BenchFile) -> DmmSection:
    """The meter that is moved to the sound card's output. Raises NotReachable where there is none."""
    for meter in file.dmm:
        if meter.connected_to == "movable":
            return meter
    raise NotReachable(
        f"bench '{file.bench.name}' has no meter that can be moved to the sound card's output. Declare a [[dmm]] with "
        'connected_to = "movable".'
    )


def calibration_frequency(meter: DmmSection) -> float:
    """1 kHz, or the highest lower frequency that lies inside the meter's AC statement.

    1 kHz again where none does: the reading is then refused, with the statement's band in the message.
    """
    if meter.driver == "simulated" and not meter.accuracy:
        return FREQUENCY_HZ
    rows = [row for row in (meter.accuracy or DEFAULT) if row.function == Function.AC_VOLTS]
    bands: dict[float, list[tuple[float, float] | None]] = {}
    for row in rows:
        bands.setdefault(row.range, []).append(row.frequency_hz)
    for wanted in (FREQUENCY_HZ, *LOWER_HZ):
        if all(any(b is None or b[0] <= wanted <= b[1] for b in of_range) for of_range in bands.values()):
            return wanted
    return FREQUENCY_HZ


def harmonic_ratios(figures: ToneFigures) -> tuple[float, ...]:
    """Each harmonic from the second on over the fundamental; 0 where it is lost in noise."""
    return tuple(0.0 if db is None else 10 ** (db / 20.0) for _, db in figures.harmonics)


def calibration_path(file: BenchFile, bench_path: Path | None) -> Path | None:
    """Where the calibration file is that a bench's file names, relative to that file; None where it names none."""
    if file.calibration is None or not file.calibration.file:
        return None
    path = Path(file.calibration.file)
    return bench_path.parent / path if bench_path is not None and not path.is_absolute() else path


def calibration_for(bench: GuardedBench, bench_path: Path | None, *, make: bool = True) -> Calibration:
    """The calibration that a bench's file names; a simulated bench that names none is calibrated now.

    Where the named file is not there (yet), the stated values are used and the warning says so.
    """
    if bench.file.audio is None:
        return stated_calibration(bench.file)
    path = calibration_path(bench.file, bench_path)
    if path is not None and not path.exists():
        return replace(
            stated_calibration(bench.file),
            warning=f"NOT CALIBRATED: {path}, which the bench file names, is not there yet. The values stated in the bench "
            "file are used. Run 'benchtest calibrate', which writes it.",
        )  # fmt: skip
    if path is not None:
        return check_calibration(drifted(load_calibration(path)), bench)
    if bench.simulated and make:
        return make_calibration(bench)
    return stated_calibration(bench.file)


def drifted(calibration: Calibration) -> Calibration:
    """The same as it is used in a later session: each scale may have drifted on its own."""
    return replace(calibration, own_relative=math.hypot(calibration.own_relative, DRIFT_RELATIVE))


def check_calibration(calibration: Calibration, bench: GuardedBench) -> Calibration:
    """Add the warning that a calibration deserves: old, made on other instruments, or for another [audio] section.

    One that was made on a simulated bench is refused for real instruments: the stated values are used, and the warning
    says so.
    """
    if not bench.simulated and (
        calibration.simulated or "simulated" in f"{calibration.meter}{calibration.sound_card}".casefold()
    ):
        return replace(
            stated_calibration(bench.file), path=calibration.path,
            warning=f"CALIBRATION REFUSED: {calibration.path or 'it'} was made on a SIMULATED bench "
            f"({calibration.sound_card}). Its scales belong to instruments that do not exist; NOT CALIBRATED: the values "
            "stated in the bench file are used. Run 'benchtest calibrate' with this bench.",
        )  # fmt: skip
    warnings = []
    if calibration.due_utc and datetime.fromisoformat(calibration.due_utc) < datetime.now(UTC):
        warnings.append(f"the calibration was due on {calibration.due_utc[:10]}")
    instruments = bench.describe()["instruments"]
    here = {i["kind"]: i["identity"] for i in instruments}.get("audio interface", "")
    if calibration.sound_card and here and calibration.sound_card != here:
        warnings.append(f"the calibration was made on another sound card ({calibration.sound_card}; now {here})")
    meters = [i["identity"] for i in instruments if i["kind"] == "multimeter"]
    if calibration.meter and meters and calibration.meter not in meters:
        warnings.append(
            f"the calibration was made with another multimeter ({calibration.meter}; now {', '.join(meters)})"
        )
    if calibration.stated is not None and calibration.stated != stated_scales(bench.file):
        warnings.append(
            "the bench file states other dividers or full scales than when it was made: a divider that was changed is not "
            "in it"
        )
    if not warnings:
        return calibration
    return replace(calibration, warning="CALIBRATION: " + "; ".join(warnings) + ". Run 'benchtest calibrate'.")


def save_calibration(calibration: Calibration, path: Path) -> None:
    """Write a calibration file (TOML). Raises FileError if it cannot be written."""
    lines = [
        "# Calibration of a bench's sound card against its multimeter. Made by 'benchtest calibrate'; not to be edited.",
        f"format = {FORMAT}",
    ]
    for key, value in asdict(calibration).items():
        if key in ("path", "warning", "response") or value is None:
            continue
        if isinstance(value, bool):
            lines.append(f"{key} = {str(value).lower()}")
        elif isinstance(value, str):
            escaped = value.replace("\\", "\\\\").replace('"', '\\"')
            lines.append(f'{key} = "{escaped}"')
        elif key == "residual_orders":
            both = ", ".join(f"[{', '.join(repr(float(v)) for v in row)}]" for row in value)
            lines.append(f"{key} = [{both}]  # left, right; from the second harmonic on")
        elif key == "stated":
            listed = ", ".join(repr(float(v)) for v in value)
            lines.append(f"{key} = [{listed}]  # the bench file's full scales and dividers at that time")
        elif isinstance(value, tuple):
            lines.append(f"{key} = [{', '.join(repr(float(v)) for v in value)}]  # left, right")
        else:
            lines.append(f"{key} = {value!r}")
    if calibration.response is not None:
        lines.append("\n[response]  # of the bench itself, in the loopback; pairs are left, right")
        for key, rows in asdict(calibration.response).items():
            rows = rows if isinstance(rows[0], tuple) else (rows,)
            written = [f"[{', '.join(repr(float(v)) for v in row)}]" for row in rows]
            lines.append(f"{key} = [{', '.join(written)}]" if len(written) == 2 else f"{key} = {written[0]}")
    try:
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    except OSError as error:
        raise FileError(
            f"the calibration cannot be written to {path}: {error.strerror}. Expected a folder that can be written to. "
            "Choose another with --output."
        ) from error


def load_calibration(path: Path) -> Calibration:
    """Read a calibration file. Raises FileError with what is missing or impossible."""
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise FileError(
            f"calibration file {path}: {error.strerror}. Expected the file that 'benchtest calibrate' wrote. Correct "
            "[calibration] file in the bench file, or calibrate again."
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise FileError(f"calibration file {path}: {error}. Expected TOML. Calibrate again.") from error
    if raw.pop("format", None) != FORMAT:
        raise FileError(f"calibration file {path}: expected format = {FORMAT}. Calibrate again with this version.")
    return _checked(raw, path)


_PAIRS = ("output_volts_per_full_scale", "input_volts_per_full_scale", "residual_thd", "residual_thd_n", "noise_v")


def _checked(raw: Mapping[str, Any], path: Path) -> Calibration:
    values = dict(raw)
    for key in _PAIRS:
        pair = values.get(key)
        if pair is None and key not in _PAIRS[:2]:
            continue
        good = isinstance(pair, list) and len(pair) == 2
        if pair is None or not good or not all(isinstance(v, float) and math.isfinite(v) and v > 0 for v in pair):
            raise FileError(
                f"calibration file {path}: {key} = {pair!r}. Expected two numbers above 0. Calibrate again."
            )
        values[key] = (pair[0], pair[1])
    if "stated" in values:
        if not isinstance(values["stated"], list) or not all(isinstance(v, float) for v in values["stated"]):
            raise FileError(
                f"calibration file {path}: stated = {values['stated']!r}. Expected numbers. Calibrate again."
            )
        values["stated"] = tuple(values["stated"])
    if "residual_orders" in values:
        values["residual_orders"] = _orders(values["residual_orders"], path)
    try:
        if "response" in values:
            values["response"] = from_table(values["response"])
        made = Calibration(**{**values, "path": str(path)})
        datetime.fromisoformat(made.made_utc)
    except (AttributeError, TypeError, ValueError) as error:
        raise FileError(f"calibration file {path}: {error}. Calibrate again.") from error
    if not isinstance(made.simulated, bool):
        raise FileError(f"calibration file {path}: simulated = {made.simulated!r}. Expected true or false.")
    if not all(0 <= v < 1 for v in (made.meter_relative, made.own_relative)):
        raise FileError(f"calibration file {path}: an uncertainty is not between 0 and 1. Calibrate again.")
    return made


def _orders(rows: Any, path: Path) -> tuple[tuple[float, ...], tuple[float, ...]]:
    good = isinstance(rows, list) and len(rows) == 2 and all(isinstance(row, list) for row in rows)
    if not good or not all(isinstance(v, float) and 0.0 <= v < 1.0 for row in rows for v in row):
        raise FileError(
            f"calibration file {path}: residual_orders = {rows!r}. Expected two lists of ratios from 0 to 1. "
            "Calibrate again."
        )
    return tuple(rows[0]), tuple(rows[1])
