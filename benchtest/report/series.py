"""From a kept curve to the lines of a picture: which columns are drawn, the bench's own floor, uncertainty. Pure."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from benchtest.archive.conditions import alike, conditions_of

if TYPE_CHECKING:
    import numpy.typing as npt

    from benchtest.archive.curves import Curve
    from benchtest.instruments.protocols import FloatArray

    IntArray = npt.NDArray[np.int64]

Row = Mapping[str, Any]

FLOOR = "floor"
Y_FIRST = ("thd_n_percent",)  # what a curve of many columns is about, wherever it stands
QUANTITY_OF = {
    "offset_warmup": "dc_offset", "thd_n_vs_level": "thd_n", "thd_vs_low_level": "thd_n", "thd_vs_frequency": "thd_n",
    "response": "frequency_response", "frequency_response": "frequency_response",
    "separation": "crosstalk", "distortion_vs_frequency": "thd", "balance_vs_frequency": "balance_deviation",
    "thump_turn_off": "turn_off_transient", "thump_turn_on": "turn_on_transient",
    "equalisation_error": "equalisation_error", "power_bandwidth": "thd",
}  # fmt: skip
"""Which readings are judged by the limits that a curve shows."""
POWER_CURVES = ("thd_n_vs_level", "thd_vs_low_level")
BESIDE = ("thd_percent", "order_3_percent")
"""Columns that go thinly beside what a curve is about."""
HOLDS_FROM_TO_HZ = {"balance_vs_frequency": (40.0, 16e3)}
"""Limits of a quantity that is the widest of a band hold in all of it."""
COLUMNS_DRAWN = 500  # of a spectrum; more than the picture has pixels
NOISE_BAND_HZ = 19980.0
"""In which the calibration's noise was measured: 20 Hz to 20 kHz."""
HANN_NOISE_BINS = 1.5
"""Equivalent noise bandwidth of the Hann window in bins (Harris, Proc. IEEE 66(1), 1978, table I; from memory)."""


@dataclass(frozen=True)
class Series:
    """One line. thin ones go beside what the picture is about; spread is the expanded uncertainty of each y, or None."""

    channel: str
    name: str
    x: FloatArray
    y: FloatArray
    thin: bool = False
    spread: FloatArray | None = None
    label: str = ""


@dataclass(frozen=True)
class Judged:
    """A reading that belongs to a picture: where it lies, and its expanded uncertainty."""

    channel: str
    x: float
    y: float
    spread: float


def family_of(name: str) -> tuple[str, str]:
    """A curve's name without its channel, and the channel ("" for a curve of both). Separation belongs to the channel
    that leaks, as its readings do.

    >>> family_of("spectrum_left"), family_of("separation_left_into_right"), family_of("offset_warmup")
    (('spectrum', 'left'), ('separation', 'left'), ('offset_warmup', ''))
    """
    if found := re.fullmatch(r"separation_(left|right)_into_(?:left|right)", name):
        return "separation", found[1]
    for channel in ("left", "right"):
        if name.endswith(f"_{channel}"):
            return name.removesuffix(f"_{channel}"), channel
    return name, ""


def series_of(curve: Curve, channel: str) -> list[Series]:
    """The lines of one curve: what it is about, what goes thinly beside it (THD beside THD+N, the bench's floor)."""
    names = [name for name in curve.columns if "uncertainty" not in name]
    names[1:] = sorted(names[1:], key=lambda name: name not in Y_FIRST)
    x = curve.columns[names[0]]
    found: list[Series] = []
    for name in names[1:]:
        own = channel or next((c for c in ("left", "right") if name.startswith(c)), "")
        floor = FLOOR in name
        if not floor and channel and any(one.channel == channel and not one.thin for one in found):
            if name not in BESIDE:
                continue
            own = channel
        y = curve.columns[name]
        usable = np.isfinite(x) & np.isfinite(y)
        thin = floor or name in BESIDE
        spread = _spread(curve, name, own)
        found.append(
            Series(
                FLOOR if floor else own, name, x[usable], y[usable], thin, None if spread is None else spread[usable]
            )
        )
    return found


def _spread(curve: Curve, name: str, channel: str) -> FloatArray | None:
    """The column that holds a column's expanded uncertainty, if the curve has one."""
    bare = re.sub(r"_(v|w|percent|hz|s|ohm|db)$", "", name)
    for other in (f"{name}_uncertainty", f"{bare}_uncertainty", f"{channel}_uncertainty", "expanded_uncertainty"):
        for column in curve.columns:
            if column == other or column.startswith(f"{other}_"):
                return curve.columns[column]
    return None


def bench_floor(base: str, curve: Curve, calibration: Mapping[str, Any]) -> list[Series]:
    """What a perfect amplifier would read on this bench. [] where the calibration did not measure it, or the curve
    brings a floor of its own."""
    noise, residual = calibration.get("noise_v"), calibration.get("residual_thd")
    if not isinstance(noise, list | tuple) or not isinstance(residual, list | tuple) or not noise or not residual:
        return []
    if any(FLOOR in name for name in curve.columns):
        return []
    x = next(iter(curve.columns.values()))
    if base in POWER_CURVES and "output_v" in curve.columns:
        with np.errstate(divide="ignore"):
            y = 100 * np.hypot(max(noise) / curve.columns["output_v"], max(residual))
        name = "bench_floor_percent"
    elif base.startswith("spectrum") and curve.units.get("level_db", "").startswith("dB re 1 V"):
        y, name = spectrum_floor(x, max(noise)), "bench_floor_db"
    else:
        return []
    usable = np.isfinite(y) & np.isfinite(x)
    return [Series(FLOOR, name, x[usable], y[usable], thin=True)]


def spectrum_floor(frequency_hz: FloatArray, noise_v: float) -> FloatArray:
    """The level (dB re 1 V rms) at which white noise of ``noise_v`` lies in a spectrum with Hann window whose points are
    the largest of the bins between them.

    The bins' powers are exponentially distributed; the largest of m of them is on average H_m = 1 + 1/2 + ... + 1/m times
    the mean. The bin's width is the smallest step of the frequencies.

    >>> f = np.arange(10.0, 20.0)
    >>> np.round(spectrum_floor(f, 1e-4)[:2], 1)  # 1e-4 V * sqrt(1.5 / 19980): -121.2 dB
    array([-121.2, -121.2])
    """
    if len(frequency_hz) < 2:
        return np.full(len(frequency_hz), np.nan)
    steps = np.diff(frequency_hz, append=2 * frequency_hz[-1] - frequency_hz[-2])
    width = float(np.min(steps))
    bins = np.maximum(np.round(steps / width), 1.0)
    largest = np.log(bins) + np.euler_gamma + 1.0 / (2.0 * bins) - 1.0 / (12.0 * bins**2)  # H_m, within 1 % from m = 1
    density = HANN_NOISE_BINS * width / NOISE_BAND_HZ
    level: FloatArray = 20.0 * math.log10(noise_v) + 10.0 * np.log10(density * np.where(bins == 1.0, 1.0, largest))
    return level


def rows_of(base: str, rows: Sequence[Row], x_name: str, at: Any) -> list[Row]:
    """The readings that a curve shows too: of its quantity and, against frequency, of its level (``at`` as the curve's
    description says it)."""
    own = [row for row in rows if row["quantity"] == QUANTITY_OF.get(base)]
    if x_name != "frequency_hz" or not at:
        return own
    return [row for row in own if str(conditions_of(row).get("at", at)).startswith(str(at))]


def judged_readings(rows: Sequence[Row], x_name: str) -> list[Judged]:
    """The readings that a limit or a claim judges and that have a place in the picture, with their uncertainty."""
    found = []
    for row in rows:
        value, spread = row["value"], row["expanded_uncertainty"]
        if value is None or not spread or not math.isfinite(value):
            continue
        if row["upper_limit"] is None and row["lower_limit"] is None and not row["claim_verdict"]:
            continue
        x = {"output_power_w": power_of(row), "frequency_hz": row["frequency_hz"]}.get(x_name)
        if x:
            found.append(Judged(str(row["channel"]), float(x), float(value), float(spread)))
    return found


def power_of(row: Row) -> float | None:
    """The output power at which a reading was taken, W."""
    level, unit, load = row["level"], row["level_unit"], row["load_ohm"]
    if level is None or level <= 0:
        return None
    if unit == "W":
        return float(level)
    return float(level) ** 2 / float(load) if unit == "V" and load else None


def same_kind(one: Curve, other: Curve) -> bool:
    """Whether two curves show the same thing: the same columns and units, and the same level, as their description says.
    Uncertainties may stand in one and be missing in the other."""
    mine, theirs = dict(one.meta), dict(other.meta)
    return (
        _lines(one) == _lines(other)
        and mine.get("at") == theirs.get("at")
        and alike(_number(mine.get("frequency_hz")), _number(theirs.get("frequency_hz")))
    )


def _lines(curve: Curve) -> list[tuple[str, str]]:
    return [(name, curve.units.get(name, "")) for name in curve.columns if "uncertainty" not in name]


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def thinned(x: FloatArray, y: FloatArray, *, logarithmic: bool) -> tuple[FloatArray, FloatArray]:
    """The largest ``y`` of each of COLUMNS_DRAWN stretches of ``x``, so that no line of a spectrum is lost.

    >>> x = np.arange(1.0, 5001.0)
    >>> y = np.zeros(5000)
    >>> y[3210] = 1.0
    >>> fewer, peaks = thinned(x, y, logarithmic=True)
    >>> len(fewer) <= 500, fewer[peaks == 1.0]
    (True, array([3211.]))
    """
    if logarithmic:
        x, y = x[x > 0], y[x > 0]
    if len(x) == 0:
        return x, y
    place = np.log(x) if logarithmic else x
    span = place[-1] - place[0] or 1.0
    stretch = np.minimum((place - place[0]) / span * COLUMNS_DRAWN, COLUMNS_DRAWN - 1).astype(np.int64)
    order = np.lexsort((y, stretch))
    last = np.flatnonzero(np.diff(stretch[order], append=-1))
    keep = order[last]
    return x[keep], y[keep]


def standing_points(x: FloatArray, y: FloatArray, most: int) -> IntArray:
    """The indices of at most ``most`` points that tell a curve: all of a short one, the highest peaks of a long one."""
    if len(x) <= most:
        return np.arange(len(x), dtype=np.int64)
    inner = np.flatnonzero((y[1:-1] >= y[:-2]) & (y[1:-1] >= y[2:])) + 1
    if len(inner) < most // 2:  # a smooth curve has few peaks: points spread along it instead
        return np.unique(np.linspace(0, len(x) - 1, most).astype(np.int64))
    return np.sort(inner[np.argsort(y[inner])[-most:]]).astype(np.int64)
