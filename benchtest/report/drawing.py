"""The pieces of a picture: axes, ticks, labels, the SVG with values on hover. matplotlib is imported here."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter, NullLocator

from benchtest.report.numbers import MINUS, significant
from benchtest.report.series import FLOOR, Series, standing_points

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LEFT, RIGHT, INK, GRID = "#0f4c75", "#b8500b", "#22282b", "#d9d6cc"
LIMIT, CLAIM, FLOOR_GREY, BEFORE = "#8a1c2b", "#5d3a78", "#8b9094", "#7b8286"
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
DYNAMIC_RANGE_DB = 160.0
MOST_HOVERED = 48
"""Points of one line that tell their value under the pointer."""
HOVER_RADIUS = 6.0

AXIS_WORDS = {
    "output_power_w": "output power",
    "frequency_hz": "frequency",
    "time_s": "time",
    "level_db": "level",
    "thd_n_percent": "THD+N",
    "thd_percent": "THD",
    "output_v": "output voltage",
    "order_2_percent": "second harmonic",
    "order_3_percent": "third harmonic",
    "separation_db": "separation",
    "difference_db": "right less left",
    "error_db": "departure",
}
_UNIT_ENDINGS = {"V": "_v", "W": "_w", "%": "_percent", "Hz": "_hz", "s": "_s", "ohm": "_ohm", "dB": "_db"}


def new_figure() -> tuple[Figure, Axes]:
    figure = Figure(figsize=(4.7, 3.1), layout=None)
    FigureCanvasSVG(figure)
    return figure, figure.add_axes((0.15, 0.15, 0.83, 0.72))


def finish(figure: Figure, axes: Axes, x_label: str, y_label: str) -> None:
    """Labels, grid and legend."""
    axes.set_xlabel(x_label)
    axes.set_ylabel(y_label)
    axes.grid(True, color=GRID, linewidth=0.7)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    handles, labels = axes.get_legend_handles_labels()
    if handles:
        columns = _legend_columns(labels)
        rows = -(-len(labels) // columns)
        if rows > 2:  # the axes make room
            left, bottom, width, height = axes.get_position().bounds
            axes.set_position((left, bottom, width, height - (rows - 2) * LEGEND_ROW))
        figure.legend(
            handles, labels, loc="upper left", bbox_to_anchor=(0.12, 1.0), ncols=columns, frameon=False, fontsize=8,
            handlelength=2.2, handletextpad=0.5, columnspacing=0.9, borderaxespad=0.2,
        )  # fmt: skip


LEGEND_ROW = 0.055
LEGEND_WIDTH = 290.0  # points, as all below at 8 points of type
HANDLE_WIDTH, LETTER_WIDTH = 30.0, 4.1


def _legend_columns(labels: Sequence[str]) -> int:
    """As many columns as fit side by side, each as wide as its widest label (they are filled downwards).

    >>> _legend_columns(["left", "right", "limit", "judged ±"]), _legend_columns(["left, third harmonic"] * 4)
    (4, 2)
    """
    for columns in (4, 3, 2):
        column = np.array_split(np.array([len(label) for label in labels]), columns)  # the first ones hold one more
        widest = [int(lengths.max(initial=0)) for lengths in column]
        if sum(HANDLE_WIDTH + LETTER_WIDTH * letters for letters in widest) <= LEGEND_WIDTH:
            return columns
    return 1


def set_range(
    axes: Axes,
    series: Sequence[Series],
    scale_x: float,
    scale_y: float,
    *,
    log_x: bool,
    log_y: bool,
    decibels: bool,
    bounds: Sequence[float] = (),
) -> None:
    """bounds: the heights of limits, which stay inside a picture in decibels (the others hold them by themselves)."""
    x = np.concatenate([one.x for one in series]) * scale_x
    x = x[x > 0] if log_x else x
    if log_x and len(x):
        low, high = float(x.min()), float(x.max())
        if decibels and high > 1000 * low:  # a spectrum: nothing below 10 Hz is of interest
            low = max(low, 10.0)
        axes.set_xlim(low / 1.12, high * 1.12)
    y = np.concatenate([one.y for one in series]) * scale_y
    if decibels:
        top, bottom = max(float(y.max()), *bounds, -np.inf), min(float(y.min()), *bounds, np.inf)
        bottom = max(bottom, float(y.max()) - DYNAMIC_RANGE_DB)
        room = 0.06 * (top - bottom) + 0.2
        axes.set_ylim(bottom - room, top + room)
    if log_y:
        low, high = axes.get_ylim()
        axes.set_ylim(low / 1.3, high * 1.3)


def set_ticks(axes: Axes, *, log_x: bool, log_y: bool) -> None:
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
    """A tick as a number that needs no exponent.

    >>> _tick_text(1e-05), _tick_text(-20000.0), _tick_text(0.5)
    ('0.00001', '−20 k', '0.5')
    """
    if 0 < abs(value) < 1e-4:
        return f"{value:.9f}".rstrip("0").replace("-", MINUS)
    if abs(value) >= 1000:
        return f"{value / 1000:g} k".replace("-", MINUS)
    return f"{value:.6g}".replace("-", MINUS)


def time_scale(series: Sequence[Series], unit: str) -> tuple[float, str]:
    if unit != "s":
        return 1.0, unit
    longest = max(float(np.max(np.abs(one.x))) for one in series)
    if longest > 240:
        return 1 / 60, "min"
    return (1.0, "s") if longest >= 1 else (1000.0, "ms")


def voltage_scale(series: Sequence[Series], unit: str, base: str) -> tuple[float, str]:
    if unit != "V":
        return 1.0, unit
    largest = max(float(np.max(np.abs(one.y))) for one in series)
    if base == "offset_warmup" or largest < 0.5:
        return (1000.0, "mV") if largest < 1 else (1.0, "V")
    return 1.0, unit


def axis_label(name: str, unit: str) -> str:
    words = AXIS_WORDS.get(name)
    if words is None:
        bare = re.sub(r"^(left|right)_", "", name)
        for ending in _UNIT_ENDINGS.values():
            bare = bare.removesuffix(ending)
        words = {"v": "voltage", "": "voltage"}.get(bare, bare.replace("_", " "))
    return f"{words} ({unit})" if unit else words


def as_svg(figure: Figure, prefix: str, words: str, hover: Sequence[str] = ()) -> str:
    """The figure as an <svg> element that can stand in a page beside others: ids of its own, no size of its own."""
    from markupsafe import escape

    text = io.StringIO()
    figure.savefig(text, format="svg", transparent=True, metadata={"Date": None})
    svg = text.getvalue()
    svg = svg[svg.index("<svg") :].replace("</svg>", "".join(hover) + "</svg>")
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.S)
    svg = re.sub(r'\bid="', f'id="{prefix}-', svg)
    svg = re.sub(r"url\(#", f"url(#{prefix}-", svg)
    svg = re.sub(r'xlink:href="#', f'xlink:href="#{prefix}-', svg)
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    return svg.replace("<svg", f'<svg class="plot" role="img" aria-label="{escape(words)}"', 1).strip()


def hover_points(
    figure: Figure, axes: Axes, one: Series, scale_x: float, scale_y: float, x_unit: str, y_unit: str, who: str
) -> list[str]:
    """Unseen circles over a line, each with its value as the <title> that a browser shows under the pointer."""
    from markupsafe import escape

    if one.channel == FLOOR or len(one.x) == 0:
        return []
    x, y = one.x * scale_x, one.y * scale_y
    low, high = axes.get_xlim()
    inside = (x >= low) & (x <= high)
    x, y = x[inside], y[inside]
    chosen = standing_points(x, y, MOST_HOVERED)
    height = figure.get_figheight() * 72.0
    places = axes.transData.transform(np.column_stack([x[chosen], y[chosen]])) * 72.0 / figure.dpi
    found = []
    for (left, up), x_value, y_value in zip(places, x[chosen], y[chosen], strict=True):
        value = f"{significant(float(y_value), 4)} {y_unit} at {significant(float(x_value), 4)} {x_unit}"
        title = escape(f"{who}: {value}" if who else value)
        found.append(
            f'<circle cx="{left:.1f}" cy="{height - up:.1f}" r="{HOVER_RADIUS}" fill="none" pointer-events="all">'
            f"<title>{title}</title></circle>"
        )
    return found
