"""The curves of a run as SVG, two runs' curves one over the other, and a quantity over time.

The channels differ by colour, line style and marker; limits, the maker's figure, the bench's own floor and the
uncertainty of the judged readings are drawn in. Every picture names the CSV file that holds its numbers, and tells its
values under the pointer.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import matplotlib
import numpy as np

from benchtest.report.drawing import AXIS_WORDS as AXIS_WORDS
from benchtest.report.drawing import (
    BEFORE,
    CLAIM,
    FLOOR_GREY,
    INK,
    LEFT,
    LIMIT,
    RIGHT,
    SETTINGS,
    as_svg,
    axis_label,
    finish,
    hover_points,
    new_figure,
    set_range,
    set_ticks,
    time_scale,
    voltage_scale,
)
from benchtest.report.numbers import significant
from benchtest.report.series import (
    COLUMNS_DRAWN,
    FLOOR,
    HOLDS_FROM_TO_HZ,
    Judged,
    Row,
    Series,
    bench_floor,
    family_of,
    judged_readings,
    power_of,
    rows_of,
    same_kind,
    series_of,
    thinned,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from benchtest.archive.curves import Curve
    from benchtest.instruments.protocols import FloatArray

STYLES: dict[str, dict[str, Any]] = {
    "left": {"color": LEFT, "linestyle": "-", "marker": "o", "linewidth": 1.5, "markersize": 4.2},
    "right": {
        "color": RIGHT, "linestyle": (0, (5, 2)), "marker": "s", "linewidth": 1.5, "markersize": 4.2,
        "markerfacecolor": "white",
    },
    "": {"color": INK, "linestyle": "-", "marker": "D", "linewidth": 1.4, "markersize": 3.6},
}  # fmt: skip
BEFORE_STYLE = {"color": BEFORE, "linestyle": (0, (4, 2)), "marker": "x", "markerfacecolor": BEFORE}
FAR_OFF = 30.0
"""A limit more than so many times above all that a curve shows is told, not drawn."""
MOST_MARKERS = 30  # points of a curve; above it markers would hide the line
ORDER = (
    "thd_n_vs_level", "frequency_response", "thd_vs_frequency", "distortion_vs_frequency", "separation", "spectrum_left",
    "spectrum_right", "spectrum_of_noise", "thd_vs_low_level", "balance", "offset_warmup",
)  # fmt: skip
"""Curves as a technician looks for them; the others come after."""


@dataclass(frozen=True)
class Picture:
    """One drawn curve: title, SVG, what it shows in words, and the files that hold its numbers."""

    title: str
    svg: str
    words: str
    files: tuple[str, ...]


def pictures(
    curves: Mapping[str, Curve],
    rows: Sequence[Row],
    rated_power_w: float | None,
    calibration: Mapping[str, Any] | None = None,
) -> list[Picture]:
    """Every curve of a run, those that a technician looks for first in front. calibration is that of run.json: its
    noise_v and residual_thd are the bench's own floor."""
    drawn: list[Picture] = []
    with matplotlib.rc_context(SETTINGS):
        for base, members in _families(curves):
            first = next(iter(members.values()))
            series = [one for channel, curve in members.items() for one in series_of(curve, channel)]
            series += bench_floor(base, first, calibration or {})
            picture = _draw(
                base, first, series, rows, rated_power_w, f"c{len(drawn)}",
                title=_title(first, several=len(members) > 1),
                files=tuple(f"curves/{curve.path.name}" for curve in members.values()),
            )  # fmt: skip
            drawn += [picture] if picture is not None else []
    return drawn


def overlays(before: Mapping[str, Curve], after: Mapping[str, Curve]) -> list[Picture]:
    """The curves that two runs have in common, one over the other: a picture for each channel, the old line in grey."""
    drawn: list[Picture] = []
    with matplotlib.rc_context(SETTINGS):
        for base, members in _families(after):
            lines: dict[str, list[Series]] = {}
            first = next(iter(members.values()))
            for channel, curve in members.items():
                old = before.get(curve.name)
                if old is None or not same_kind(old, curve):
                    continue
                for which, one in (("before", old), ("after", curve)):
                    for series in series_of(one, channel):
                        if not series.thin:
                            lines.setdefault(series.channel, []).append(replace(series, label=which))
            for channel, series_list in lines.items():
                title = f"{_title(first, several=True)}{f', {channel}' if channel else ''}"
                picture = _draw(base, first, series_list, (), None, f"c{len(drawn)}", title=title, files=())
                drawn += [picture] if picture is not None else []
    return drawn


def over_time(
    title: str, series: Sequence[Series], x_words: str, y_words: str, y_unit: str, limits: Sequence[float]
) -> Picture:
    """A quantity over days with its uncertainty and limits, for the page of a trend."""
    with matplotlib.rc_context(SETTINGS):
        figure, axes = new_figure()
        for one in series:
            _plot(axes, one, 1.0, 1.0, log_x=False, alone=True)
        for number, bound in enumerate(limits):
            axes.axhline(bound, color=LIMIT, linewidth=1.2, label=None if number else "limit")
        set_ticks(axes, log_x=False, log_y=False)
        finish(figure, axes, x_words, f"{y_words} ({y_unit})" if y_unit not in ("", "1") else y_words)
        hover = [
            point
            for one in series
            for point in hover_points(figure, axes, one, 1.0, 1.0, "days", y_unit, one.label or one.channel)
        ]
        words = _words(title, series, 1.0, 1.0, "days", y_unit, [f"limit {significant(v)}" for v in limits])
        return Picture(title, as_svg(figure, "t0", words, hover), words, ())


def _families(curves: Mapping[str, Curve]) -> list[tuple[str, dict[str, Curve]]]:
    """The curves by what they show, left with right but for spectra, in ORDER."""
    families: dict[str, dict[str, Curve]] = {}
    for name, curve in curves.items():
        base, channel = family_of(name)
        families.setdefault(name if "spectrum" in base else base, {})[channel] = curve
    names = sorted(families, key=lambda name: next((i for i, o in enumerate(ORDER) if name.startswith(o)), len(ORDER)))
    return [(family_of(name)[0], families[name]) for name in names]


def _draw(
    base: str,
    first: Curve,
    series: Sequence[Series],
    rows: Sequence[Row],
    rated_power_w: float | None,
    prefix: str,
    *,
    title: str,
    files: tuple[str, ...],
) -> Picture | None:
    series = [one for one in series if len(one.x)]
    if not series:
        return None
    x_name, y_name = next(iter(first.columns)), series[0].name
    x_unit, y_unit = first.units.get(x_name, ""), first.units.get(y_name, "")
    scale_x, x_unit = time_scale(series, x_unit)
    scale_y, y_unit = voltage_scale(series, y_unit, base)
    log_x = x_unit == "Hz" or x_name == "output_power_w"
    log_y = y_unit == "%" and all(np.min(one.y) > 0 for one in series)

    figure, axes = new_figure()
    alone = len({(one.channel, one.label) for one in series} - {(FLOOR, "")}) == 1
    for one in series:
        _plot(axes, one, scale_x, scale_y, log_x=log_x, alone=alone)
    own_rows = rows_of(base, rows, x_name, first.meta.get("at"))
    _whiskers(axes, judged_readings(own_rows, x_name), scale_y)
    axes.set_xscale("log" if log_x else "linear")
    axes.set_yscale("log" if log_y else "linear")
    drawn_limits, bounds = _limits(axes, base, x_name, own_rows, rated_power_w, scale_y, y_unit, _largest(series))
    decibels = y_unit.startswith("dB")
    set_range(axes, series, scale_x, scale_y, log_x=log_x, log_y=log_y, decibels=decibels, bounds=bounds)
    set_ticks(axes, log_x=log_x, log_y=log_y)
    finish(figure, axes, axis_label(x_name, x_unit), axis_label(y_name, y_unit))
    hover = [
        point
        for one in series
        for point in hover_points(figure, axes, one, scale_x, scale_y, x_unit, y_unit, _name_of(one))
    ]  # fmt: skip
    words = _words(title, series, scale_x, scale_y, x_unit, y_unit, drawn_limits)
    return Picture(title, as_svg(figure, prefix, words, hover), words, files)


def _name_of(one: Series) -> str:
    words = AXIS_WORDS.get(one.name, one.name.replace("_", " "))
    if one.label:
        return f"{one.channel}, {one.label}".lstrip(", ")
    return f"{one.channel}, {words}" if one.thin else one.channel or words


def _plot(axes: Axes, one: Series, scale_x: float, scale_y: float, *, log_x: bool, alone: bool) -> None:
    x, y = one.x * scale_x, one.y * scale_y
    if one.spread is not None and not one.thin:
        _band(axes, one, x, y, one.spread * scale_y)
    if len(x) > COLUMNS_DRAWN:
        x, y = thinned(x, y, logarithmic=log_x)
    if one.channel == FLOOR:
        axes.plot(x, y, color=FLOOR_GREY, linewidth=1.0, linestyle="-.", label="bench floor")
        return
    style = dict(STYLES[one.channel])
    if one.label == "before":
        style |= BEFORE_STYLE
    if len(x) > MOST_MARKERS:
        style |= {"marker": "", "linewidth": 0.9}
        if alone or one.label:  # a dashed line would look like gaps in a spectrum
            style["linestyle"] = "-"
    name = one.label or one.channel or AXIS_WORDS.get(one.name, one.name.replace("_", " "))
    if one.thin:
        style |= {"linewidth": 0.9, "marker": "", "linestyle": ":"}
        name = f"{one.channel}, {AXIS_WORDS.get(one.name, 'THD')}"
    axes.plot(x, y, label=name, **style)


def _band(axes: Axes, one: Series, x: FloatArray, y: FloatArray, spread: FloatArray) -> None:
    """The expanded uncertainty: a band under a long line, whiskers at the points of a short one."""
    color = STYLES.get(one.channel, STYLES[""])["color"]
    spread = np.where(np.isfinite(spread), spread, 0.0)
    below = np.where(y > 0, np.minimum(spread, 0.9 * y), spread) if one.name.endswith("_percent") else spread
    if len(x) > MOST_MARKERS:
        axes.fill_between(x, y - below, y + spread, color=color, alpha=0.18, linewidth=0)
    else:
        axes.errorbar(x, y, [below, spread], fmt="none", ecolor=color, elinewidth=0.9, capsize=2.0)


def _whiskers(axes: Axes, judged: Sequence[Judged], scale_y: float) -> None:
    """The readings that were judged, with their expanded uncertainty; the label stands once."""
    told = False
    for channel in ("left", "right"):
        own = [one for one in judged if one.channel == channel]
        if not own:
            continue
        x, y, spread = (np.array([getattr(one, key) for one in own]) for key in ("x", "y", "spread"))
        below = np.minimum(spread, 0.999 * np.abs(y))  # a logarithmic axis knows no zero
        axes.errorbar(
            x, y * scale_y, np.array([below, spread]) * scale_y, fmt="none", ecolor=STYLES[channel]["color"],
            elinewidth=1.3, capsize=3.0, label=None if told else "judged ±",
        )  # fmt: skip
        told = True


def _largest(series: Sequence[Series]) -> float:
    return max(float(np.max(np.abs(one.y))) for one in series)


def _limits(
    axes: Axes,
    base: str,
    x_name: str,
    judged: Sequence[Row],
    rated_power_w: float | None,
    scale_y: float,
    y_unit: str,
    largest: float,
) -> tuple[list[str], list[float]]:
    """Draw the limits that the readings of this quantity were judged by, and the maker's figure: where a limit belongs to
    one power or frequency a short bar there, else a line across. A limit so far off that the curve would be a flat line is
    told in the legend instead. Returns what was drawn in words, and the heights of the limits as drawn."""
    told: list[str] = []
    if x_name not in ("output_power_w", "frequency_hz"):
        bounds = sorted(
            {float(row[key]) for row in judged for key in ("lower_limit", "upper_limit") if row[key] is not None}
        )
        near = [bound for bound in bounds if abs(bound) <= FAR_OFF * largest]
        for bound in near:
            axes.axhline(bound * scale_y, color=LIMIT, linewidth=1.2, label=None if told else "limit")
            told.append(f"limit {significant(bound * scale_y)}")
        for size in sorted({abs(bound) for bound in bounds if bound not in near}):
            both = "±" if -size in bounds and size in bounds else ""
            words = f"limit {both}{significant(size * scale_y)} {y_unit}, off the picture"
            axes.plot([], [], color=LIMIT, linewidth=1.2, label=words)
            told.append(words)
        return told, [bound * scale_y for bound in near]
    x_unit = "W" if x_name == "output_power_w" else "Hz"
    bars = {
        (at, row[key])
        for row in judged
        for key in ("lower_limit", "upper_limit")
        if row[key] and (at := _place(row, x_name))
    }
    heights = []
    for at, bound in _merged(bars):
        label = None if told else "limit"
        ends = HOLDS_FROM_TO_HZ.get(base, (at / 1.5, at * 1.5))
        axes.plot(ends, [bound * scale_y] * 2, color=LIMIT, linewidth=2.2, label=label)
        heights.append(bound * scale_y)
        told.append(f"limit {significant(bound * scale_y)} {y_unit} at {significant(at, 3)} {x_unit}")
    if rated_power_w and x_name == "output_power_w" and base == "thd_n_vs_level":
        axes.axvline(rated_power_w, color=CLAIM, linewidth=1.1, linestyle=(0, (1, 1.5)), label="rated")
        told.append(f"rated power {significant(rated_power_w)} W")
    return list(dict.fromkeys(told)), heights


def _place(row: Row, x_name: str) -> float | None:
    found = power_of(row) if x_name == "output_power_w" else row["frequency_hz"]
    return float(found) if found else None


def _merged(bars: set[tuple[float, float]]) -> list[tuple[float, float]]:
    """The bars in order, without those that a limit of the same height beside them covers (left and right differ a little).

    >>> _merged({(1.0, 0.3), (1.004, 0.3), (30.0, 0.5)})
    [(1.0, 0.3), (30.0, 0.5)]
    """
    kept: list[tuple[float, float]] = []
    for at, bound in sorted(bars):
        if not any(bound == other and at < 1.1 * there for there, other in kept):
            kept.append((at, bound))
    return kept


def _title(first: Curve, *, several: bool) -> str:
    title = first.title
    if several:
        title = re.sub(r"[,;:(]?\s*\b(left|right)( into (left|right)| channel)?\b\)?", "", title).strip(" ,;:-")
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
    """The picture in words: for each line from where to where, lowest and highest."""
    told = []
    for one in series:
        if one.thin:
            continue
        x, y = one.x * scale_x, one.y * scale_y
        who = ", ".join(filter(None, (one.channel, one.label)))
        told.append(
            f"{f'{who}: ' if who else ''}{significant(float(y.min()), 3)} to {significant(float(y.max()), 3)} {y_unit} "
            f"between {significant(float(x.min()), 3)} and {significant(float(x.max()), 3)} {x_unit}"
        )
    return f"{title}. {'; '.join(told)}." + (f" Drawn in: {', '.join(limits)}." if limits else "")
