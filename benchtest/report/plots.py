"""The curves of a run as SVG. matplotlib is imported here and only when a report is drawn.

The channels differ by colour, line style and marker; limits, the maker's figure and the bench's own floor are drawn in.
Every picture names the CSV file that holds its numbers.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import matplotlib
import numpy as np
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter, NullLocator

from benchtest.report.numbers import MINUS, significant

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from benchtest.archive.curves import Curve
    from benchtest.instruments.protocols import FloatArray

LEFT, RIGHT, INK, GRID = "#0f4c75", "#b8500b", "#22282b", "#d9d6cc"
LIMIT, CLAIM, FLOOR = "#8a1c2b", "#5d3a78", "#8b9094"
STYLES: dict[str, dict[str, Any]] = {
    "left": {"color": LEFT, "linestyle": "-", "marker": "o", "linewidth": 1.5, "markersize": 4.2},
    "right": {
        "color": RIGHT, "linestyle": (0, (5, 2)), "marker": "s", "linewidth": 1.5, "markersize": 4.2,
        "markerfacecolor": "white",
    },
    "": {"color": INK, "linestyle": "-", "marker": "D", "linewidth": 1.4, "markersize": 3.6},
}  # fmt: skip
SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "benchtest",
    "text.parse_math": False,
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.edgecolor": "#6d7376",
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.linewidth": 0.8,
}
Y_FIRST = ("thd_n_percent",)  # what a curve of many columns is about, wherever it stands
MOST_MARKERS = 30  # points of a curve; above it markers would hide the line
COLUMNS_DRAWN = 500  # of a spectrum; more than the picture has pixels
DYNAMIC_RANGE_DB = 160.0

QUANTITY_OF = {"offset_warmup": "dc_offset", "thd_n_vs_level": "thd_n", "response": "frequency_response"}
ORDER = ("thd_n_vs_level", "spectrum", "offset_warmup")
AXIS_WORDS = {
    "output_power_w": "output power",
    "frequency_hz": "frequency",
    "time_s": "time",
    "level_db": "level",
    "thd_n_percent": "THD+N",
    "thd_percent": "THD",
    "output_v": "output voltage",
}
_UNIT_ENDINGS = {"V": "_v", "W": "_w", "%": "_percent", "Hz": "_hz", "s": "_s", "ohm": "_ohm"}


@dataclass(frozen=True)
class Picture:
    """One drawn curve: title, SVG, what it shows in words, and the files that hold its numbers."""

    title: str
    svg: str
    words: str
    files: tuple[str, ...]


@dataclass(frozen=True)
class Series:
    channel: str
    name: str
    x: FloatArray
    y: FloatArray
    thin: bool = False


def pictures(
    curves: Mapping[str, Curve],
    rows: Sequence[Mapping[str, Any]],
    rated_power_w: float | None,
    calibration: Mapping[str, Any] | None = None,
) -> list[Picture]:
    """Every curve of a run, those that a technician looks for first in front. calibration is that of run.json: its
    noise_v and residual_thd are the bench's own floor under the distortion."""
    families: dict[str, dict[str, Curve]] = {}
    for name, curve in curves.items():
        base, channel = _family(name)
        families.setdefault(base if "spectrum" not in base else name, {})[channel] = curve
    names = sorted(families, key=lambda name: next((i for i, o in enumerate(ORDER) if name.startswith(o)), len(ORDER)))
    drawn: list[Picture | None] = []
    with matplotlib.rc_context(SETTINGS):
        for name in names:
            drawn.append(
                _draw(_family(name)[0], families[name], rows, rated_power_w, calibration or {}, f"c{len(drawn)}")
            )
    return [picture for picture in drawn if picture is not None]


def _family(name: str) -> tuple[str, str]:
    for channel in ("left", "right"):
        if name.endswith(f"_{channel}"):
            return name.removesuffix(f"_{channel}"), channel
    return name, ""


def _draw(
    base: str,
    members: Mapping[str, Curve],
    rows: Sequence[Mapping[str, Any]],
    rated_power_w: float | None,
    calibration: Mapping[str, Any],
    prefix: str,
) -> Picture | None:
    series = [one for channel, curve in members.items() for one in _series(curve, channel)]
    if base == "thd_n_vs_level":
        series += _bench_floor(next(iter(members.values())), calibration)
    series = [one for one in series if len(one.x)]
    if not series:
        return None
    first = next(iter(members.values()))
    x_name, y_name = next(iter(first.columns)), series[0].name
    x_unit, y_unit = first.units.get(x_name, ""), first.units.get(y_name, "")
    scale_x, x_unit = _time_scale(series, x_unit)
    scale_y, y_unit = _voltage_scale(series, y_unit, base)
    log_x = x_unit == "Hz" or x_name == "output_power_w"
    log_y = y_unit == "%" and all(np.min(one.y) > 0 for one in series)

    figure = Figure(figsize=(4.7, 3.1), layout=None)
    FigureCanvasSVG(figure)
    axes = figure.add_axes((0.135, 0.15, 0.845, 0.72))
    alone = len({one.channel for one in series} - {"floor"}) == 1
    for one in series:
        _plot(axes, one, scale_x, scale_y, log_x=log_x, alone=alone)
    axes.set_xscale("log" if log_x else "linear")
    axes.set_yscale("log" if log_y else "linear")
    drawn_limits = _limits(axes, base, rows, rated_power_w, scale_y)
    _range(axes, series, scale_x, scale_y, log_x=log_x, log_y=log_y, decibels=y_unit.startswith("dB"))
    _ticks(axes, log_x=log_x, log_y=log_y)
    axes.set_xlabel(_label(x_name, x_unit))
    axes.set_ylabel(_label(y_name, y_unit))
    axes.grid(True, color=GRID, linewidth=0.7)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    figure.legend(
        *axes.get_legend_handles_labels(),
        loc="upper left", bbox_to_anchor=(0.12, 1.0), ncols=4, frameon=False, fontsize=8.5, handlelength=2.4,
        columnspacing=1.2, borderaxespad=0.2,
    )  # fmt: skip
    title = _title(first, members)
    words = _words(title, series, scale_x, scale_y, x_unit, y_unit, drawn_limits)
    files = tuple(f"curves/{curve.path.name}" for curve in members.values())
    return Picture(title, _svg(figure, prefix, words), words, files)


def _series(curve: Curve, channel: str) -> list[Series]:
    """The lines of one curve: what it is about, what goes thinly beside it (THD beside THD+N, the bench's floor)."""
    names = list(curve.columns)
    names[1:] = sorted(names[1:], key=lambda name: name not in Y_FIRST)
    x = curve.columns[names[0]]
    found: list[Series] = []
    for name in names[1:]:
        own = channel or next((c for c in ("left", "right") if name.startswith(c)), "")
        floor = "floor" in name
        if not floor and channel and any(one.channel == channel and not one.thin for one in found):
            if name != "thd_percent":
                continue
            own = channel
        y = curve.columns[name]
        usable = np.isfinite(x) & np.isfinite(y)
        thin = floor or name == "thd_percent"
        found.append(Series("floor" if floor else own, name, x[usable], y[usable], thin=thin))
    return found


def _bench_floor(curve: Curve, calibration: Mapping[str, Any]) -> list[Series]:
    """What a perfect amplifier would read on this bench: its noise over the level, and its residual THD. [] where the
    calibration did not measure them."""
    volts, noise, residual = curve.columns.get("output_v"), calibration.get("noise_v"), calibration.get("residual_thd")
    if volts is None or not isinstance(noise, list) or not isinstance(residual, list) or not noise or not residual:
        return []
    with np.errstate(divide="ignore"):
        percent = 100 * np.hypot(max(noise) / volts, max(residual))
    x = next(iter(curve.columns.values()))
    usable = np.isfinite(percent) & np.isfinite(x)
    return [Series("floor", "bench_floor_percent", x[usable], percent[usable], thin=True)]


def _plot(axes: Axes, one: Series, scale_x: float, scale_y: float, *, log_x: bool, alone: bool) -> None:
    x, y = one.x * scale_x, one.y * scale_y
    if len(x) > COLUMNS_DRAWN:
        x, y = thinned(x, y, logarithmic=log_x)
    if one.channel == "floor":
        axes.plot(x, y, color=FLOOR, linewidth=1.0, linestyle="-.", label="bench floor")
        return
    style = dict(STYLES[one.channel])
    if len(x) > MOST_MARKERS:
        style |= {"marker": "", "linewidth": 0.9}
        if alone:  # a dashed line would look like gaps in a spectrum
            style["linestyle"] = "-"
    label = one.channel or AXIS_WORDS.get(one.name, one.name.replace("_", " "))
    if one.thin:
        style |= {"linewidth": 0.9, "marker": "", "linestyle": ":"}
        label = f"{one.channel}, THD"
    axes.plot(x, y, label=label, **style)


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


def _limits(
    axes: Axes, base: str, rows: Sequence[Mapping[str, Any]], rated_power_w: float | None, scale_y: float
) -> list[str]:
    """Draw the limits that the readings of this quantity were judged by, and the maker's figure."""
    told: list[str] = []
    judged = [row for row in rows if row["quantity"] == QUANTITY_OF.get(base)]
    if base == "thd_n_vs_level":
        for row in judged:
            power = _power(row)
            if power and row["upper_limit"]:
                label = "limit" if not told else None
                axes.plot([power / 1.5, power * 1.5], [row["upper_limit"]] * 2, color=LIMIT, linewidth=2.2, label=label)
                told.append(f"limit {significant(row['upper_limit'])} % at {significant(power, 3)} W")
        if rated_power_w:
            axes.axvline(rated_power_w, color=CLAIM, linewidth=1.1, linestyle=(0, (1, 1.5)), label="rated")
            told.append(f"rated power {significant(rated_power_w)} W")
        return list(dict.fromkeys(told))
    bounds = {row[key] for row in judged for key in ("lower_limit", "upper_limit") if row[key] is not None}
    for bound in sorted(bounds):
        axes.axhline(bound * scale_y, color=LIMIT, linewidth=1.2, label=None if told else "limit")
        told.append(f"limit {significant(bound * scale_y)}")
    return told


def _power(row: Mapping[str, Any]) -> float | None:
    level, unit, load = row["level"], row["level_unit"], row["load_ohm"]
    if level is None or level <= 0:
        return None
    if unit == "W":
        return float(level)
    return float(level) ** 2 / float(load) if unit == "V" and load else None


def _range(
    axes: Axes, series: Sequence[Series], scale_x: float, scale_y: float, *, log_x: bool, log_y: bool, decibels: bool
) -> None:
    x = np.concatenate([one.x for one in series]) * scale_x
    x = x[x > 0] if log_x else x
    if log_x and len(x):
        low, high = float(x.min()), float(x.max())
        if decibels and high > 1000 * low:  # a spectrum: nothing below 10 Hz is of interest
            low = max(low, 10.0)
        axes.set_xlim(low / 1.12, high * 1.12)
    y = np.concatenate([one.y for one in series]) * scale_y
    if decibels:
        top = float(y.max())
        axes.set_ylim(max(float(y.min()), top - DYNAMIC_RANGE_DB) - 5, top + 8)
    if log_y:
        low, high = axes.get_ylim()
        axes.set_ylim(low / 1.3, high * 1.3)


def _ticks(axes: Axes, *, log_x: bool, log_y: bool) -> None:
    for axis, logarithmic, limits in ((axes.xaxis, log_x, axes.get_xlim()), (axes.yaxis, log_y, axes.get_ylim())):
        if logarithmic:
            axis.set_major_locator(FixedLocator(_decades(*limits)))
            axis.set_minor_locator(NullLocator())
            axis.set_minor_formatter(NullFormatter())
        axis.set_major_formatter(FuncFormatter(_tick_text))


def _decades(low: float, high: float) -> list[float]:
    """Ticks at 1, or at 1, 2 and 5 where there are few decades."""
    first, last = int(np.floor(np.log10(low))), int(np.ceil(np.log10(high)))
    steps = (1.0, 2.0, 5.0) if np.log10(high / low) < 2.2 else (1.0,)
    found = [step * 10.0**decade for decade in range(first, last + 1) for step in steps]
    return [tick for tick in found if low <= tick <= high]


def _tick_text(value: float, _position: int | None = None) -> str:
    if abs(value) >= 1000:
        return f"{value / 1000:g} k".replace("-", MINUS)
    return f"{value:.6g}".replace("-", MINUS)


def _time_scale(series: Sequence[Series], unit: str) -> tuple[float, str]:
    if unit != "s":
        return 1.0, unit
    longest = max(float(np.max(np.abs(one.x))) for one in series)
    if longest > 240:
        return 1 / 60, "min"
    return (1.0, "s") if longest >= 1 else (1000.0, "ms")


def _voltage_scale(series: Sequence[Series], unit: str, base: str) -> tuple[float, str]:
    if unit != "V":
        return 1.0, unit
    largest = max(float(np.max(np.abs(one.y))) for one in series)
    if base == "offset_warmup" or largest < 0.5:
        return (1000.0, "mV") if largest < 1 else (1.0, "V")
    return 1.0, unit


def _label(name: str, unit: str) -> str:
    words = AXIS_WORDS.get(name)
    if words is None:
        bare = re.sub(r"^(left|right)_", "", name)
        for ending in _UNIT_ENDINGS.values():
            bare = bare.removesuffix(ending)
        words = {"v": "voltage", "": "voltage"}.get(bare, bare.replace("_", " "))
    return f"{words} ({unit})" if unit else words


def _title(first: Curve, members: Mapping[str, Curve]) -> str:
    title = first.title
    if len(members) > 1:
        title = re.sub(r"[,;:(]?\s*\b(left|right)\b( channel)?\)?", "", title).strip(" ,;:-")
    return title or first.name.replace("_", " ")


def _words(
    title: str,
    series: Sequence[Series],
    scale_x: float,
    scale_y: float,
    x_unit: str,
    y_unit: str,
    limits: Sequence[str],
) -> str:
    """The picture in words: for each channel from where to where, lowest and highest."""
    told = []
    for one in series:
        if one.thin:
            continue
        x, y = one.x * scale_x, one.y * scale_y
        who = f"{one.channel}: " if one.channel else ""
        told.append(
            f"{who}{significant(float(y.min()), 3)} to {significant(float(y.max()), 3)} {y_unit} "
            f"between {significant(float(x.min()), 3)} and {significant(float(x.max()), 3)} {x_unit}"
        )
    return f"{title}. {'; '.join(told)}." + (f" Drawn in: {', '.join(limits)}." if limits else "")


def _svg(figure: Figure, prefix: str, words: str) -> str:
    """The figure as an <svg> element that can stand in a page beside others: ids of its own, no size of its own."""
    from markupsafe import escape

    text = io.StringIO()
    figure.savefig(text, format="svg", transparent=True, metadata={"Date": None})
    svg = text.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.S)
    svg = re.sub(r'\bid="', f'id="{prefix}-', svg)
    svg = re.sub(r"url\(#", f"url(#{prefix}-", svg)
    svg = re.sub(r'xlink:href="#', f'xlink:href="#{prefix}-', svg)
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    return svg.replace("<svg", f'<svg class="plot" role="img" aria-label="{escape(words)}"', 1).strip()
