"""Two runs side by side, and a quantity over time: the lines of a table, and the pages that hold them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchtest.archive.compare import Comparison, DifferingCondition, compare_rows, differing_conditions
from benchtest.archive.durable import write_whole
from benchtest.archive.run import Run, amplifier_identity
from benchtest.errors import FileError
from benchtest.quantities import TOLD_IN_WORDS
from benchtest.report.numbers import MINUS, Unit, fitting_unit, limits_text, value_text
from benchtest.report.template import environment
from benchtest.report.wording import COUNTED, HEADLINE, quantity_words, shown_conditions, si_text, told_in_words

if TYPE_CHECKING:
    from benchtest.archive.trend import Trend

OURS = b'<meta name="generator" content="benchtest"'
"""Stands in every page that may be replaced by a newer one."""
SIGNIFICANT = {True: "changed", False: "within uncertainty", None: "uncertainty not known"}


@dataclass(frozen=True)
class Side:
    """One channel of a line, as texts in the line's unit."""

    before: str
    after: str
    difference: str
    significant: bool | None
    words: str
    before_verdict: str
    after_verdict: str


@dataclass
class Line:
    """What was measured the same way on both channels, before and after; or, where it belongs to no one channel, whole."""

    quantity: str
    conditions: str
    unit: str
    sides: dict[str, Side] = field(default_factory=dict)
    differing: tuple[str, ...] = ()

    @property
    def changed(self) -> bool:
        return any(side.significant for side in self.sides.values())


@dataclass(frozen=True)
class TwoRuns:
    """A comparison, ready to be shown. only_before and only_after name the readings that the other run has not."""

    before: Mapping[str, Any]
    after: Mapping[str, Any]
    differing: tuple[DifferingCondition, ...]
    comparisons: tuple[Comparison, ...]
    lines: tuple[Line, ...]
    only_before: tuple[str, ...]
    only_after: tuple[str, ...]

    @property
    def simulated(self) -> bool:
        return any(run.get("simulated") is not False for run in (self.before, self.after))

    def as_dict(self) -> dict[str, Any]:
        keys = ("run_id", "started_utc", "procedure", "result", "simulated", "folder")
        return {
            "before": {key: self.before.get(key) for key in keys},
            "after": {key: self.after.get(key) for key in keys},
            "differing": [
                {"what": each.what, "before": each.before, "after": each.after} for each in self.differing
            ],
            "readings": [each.as_dict() for each in self.comparisons],
        }  # fmt: skip


def two_runs(before: Run, after: Run) -> TwoRuns:
    """Compare two runs. Raises FileError where one cannot be read."""
    comparisons = compare_rows(before.rows(), after.rows())
    both = [each for each in comparisons if each.before_verdict and each.after_verdict]
    return TwoRuns(
        before=before.summary,
        after=after.summary,
        differing=tuple(differing_conditions(before.summary, after.summary)),
        comparisons=tuple(comparisons),
        lines=tuple(lines_of(both)),
        only_before=_names(each for each in comparisons if not each.after_verdict and each.before is not None),
        only_after=_names(each for each in comparisons if not each.before_verdict and each.after is not None),
    )


def lines_of(comparisons: Sequence[Comparison]) -> list[Line]:
    """The comparisons with left beside right, in their order."""
    grouped: list[list[Comparison]] = []
    for each in comparisons:
        partner = next((group for group in grouped if _belongs(each, group)), None)
        if partner is None:
            grouped.append([each])
        else:
            partner.append(each)
    return [_line(group) for group in grouped]


def _belongs(each: Comparison, group: Sequence[Comparison]) -> bool:
    first = group[0]
    return (
        len(group) == 1
        and {each.channel, first.channel} == {"left", "right"}
        and (each.quantity, each.unit, _spoken(each)) == (first.quantity, first.unit, _spoken(first))
    )


def _spoken(each: Comparison) -> str:
    """The conditions without the level as measured, which differs a little between the channels."""
    return ", ".join(part for part in each.conditions.split(", ") if part[:1].isalpha() or part.endswith("Hz"))


def _line(group: Sequence[Comparison]) -> Line:
    first = group[0]
    values = [v for each in group for v in (each.before, each.after, each.uncertainty) if v is not None]
    unit = fitting_unit(first.unit, values)
    differing = tuple(dict.fromkeys(text for each in group for text in each.differing))
    shown = shown_conditions(first.conditions)
    line = Line(quantity_words(first.quantity), shown, unit.text, differing=tuple(map(si_text, differing)))
    for each in group:
        line.sides[each.channel] = _side(each, unit)
    return line


def _side(each: Comparison, unit: Unit) -> Side:
    def shown(value: float | None, span: float | None, verdict: str) -> str:
        if value is None:
            return "no value" if verdict == "fail" else "not measured"
        word = told_in_words({"quantity": each.quantity, "value": value})
        return word or " ".join(value_text(value, span, unit)).strip()

    difference = ""
    if each.difference is not None and each.quantity not in TOLD_IN_WORDS:
        number, span = value_text(each.difference, each.uncertainty, unit)
        difference = f"{number if number.startswith(MINUS) else f'+{number}'} {span}".strip()
    return Side(
        before=shown(each.before, each.before_uncertainty, each.before_verdict),
        after=shown(each.after, each.after_uncertainty, each.after_verdict),
        difference=difference,
        significant=each.significant,
        words="" if each.difference is None else SIGNIFICANT[each.significant],
        before_verdict=COUNTED.get(each.before_verdict, each.before_verdict),
        after_verdict=COUNTED.get(each.after_verdict, each.after_verdict),
    )


def _names(comparisons: Any) -> tuple[str, ...]:
    found: dict[str, list[str]] = {}
    for each in comparisons:
        name = quantity_words(each.quantity) + (f" ({shown_conditions(each.conditions)})" if each.conditions else "")
        channels = found.setdefault(name, [])
        if each.channel in ("left", "right") and each.channel not in channels:
            channels.append(each.channel)
    return tuple(name + (f", {' and '.join(channels)}" if channels else "") for name, channels in found.items())


# ---------------------------------------------------------------------------------------------------------------- pages


def write_comparison(found: TwoRuns, before: Run, after: Run, path: Path) -> Path:
    """The page of a comparison, with the curves one over the other. Raises FileError."""
    from benchtest.report.plots import overlays

    old, new = before.curves(), after.curves()
    page = {
        "before": _head(found.before),
        "after": _head(found.after),
        "found": found,
        "pictures": overlays(old, new) if old and new else [],
        "simulated": found.simulated,
        "made": f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC",
    }
    return _write(path, "comparison.html.j2", page)


def write_trend(
    found: Sequence[Trend], quantity: str, sentences: Sequence[str], path: Path, *, simulated: bool
) -> Path:
    """The page of a trend. Raises FileError."""
    page = {
        "quantity": quantity_words(quantity),
        "trends": [(trend, trend_lines(trend), _trend_picture(trend)) for trend in found],
        "sentences": sentences,
        "simulated": simulated,
        "made": f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC",
    }
    return _write(path, "trend.html.j2", page)


def trend_unit(trend: Trend) -> Unit:
    return fitting_unit(trend.unit, [point.value for point in trend.points])


def trend_lines(trend: Trend) -> list[dict[str, Any]]:
    """A trend's runs as texts: when, value, verdict, set, what is not as in the run before."""
    unit = trend_unit(trend)
    return [
        {
            "when": f"{point.time_utc:%Y-%m-%d %H:%M}",
            "value": " ".join(value_text(point.value, point.uncertainty, unit)).strip(),
            "unit": unit.text,
            "verdict": COUNTED.get(point.verdict, point.verdict),
            "set": " ".join(filter(None, (point.amplifier, point.serial_number))),
            "bench": point.bench,
            "differing": point.differing,
            "run": point.run_id[-6:],
        }
        for point in trend.points
    ]


def trend_limits(trend: Trend) -> str:
    unit = trend_unit(trend)
    words = limits_text(trend.lower_limit, trend.upper_limit, unit)
    return f"{words} {unit.text}".strip() if words else ""


def _trend_picture(trend: Trend) -> Any:
    import numpy as np

    from benchtest.report.plots import over_time
    from benchtest.report.series import Series

    unit = trend_unit(trend)
    first = trend.points[0].time_utc
    days = np.array([(point.time_utc - first).total_seconds() / 86400.0 for point in trend.points])
    values = np.array([point.value for point in trend.points]) / unit.divisor
    spans = np.array([point.uncertainty or 0.0 for point in trend.points]) / unit.divisor
    channel = trend.channel if trend.channel in ("left", "right") else ""
    series = [Series(channel, "value", days, values, spread=spans)]
    limits = [bound / unit.divisor for bound in (trend.lower_limit, trend.upper_limit) if bound is not None]
    title = f"{quantity_words(trend.quantity)}{f', {channel}' if channel else ''}"
    return over_time(title, series, f"days since {first:%Y-%m-%d}", quantity_words(trend.quantity), unit.text, limits)


def _head(summary: Mapping[str, Any]) -> dict[str, str]:
    about = amplifier_identity(summary)
    result = str(summary.get("result") or "unfinished")
    return {
        "name": str(about.get("name") or "Amplifier without a name"),
        "serial": str(about.get("serial") or ""),
        "procedure": str(summary.get("title") or summary.get("procedure") or ""),
        "when": str(summary.get("started_utc") or "")[:16].replace("T", " "),
        "result": HEADLINE.get(result, result),
        "run_id": str(summary["run_id"]),
    }


def _write(path: Path, template: str, page: Mapping[str, Any]) -> Path:
    try:
        with path.open("rb") as file:
            ours = OURS in file.read(2000)
    except FileNotFoundError:
        ours = True
    except OSError as error:
        raise FileError(
            f"{path}: cannot be written ({error.strerror}). Name a file in a folder that you may write."
        ) from error
    if not ours:
        raise FileError(f"{path}: is there already and is no page of this program. Name another file.")
    text = environment().get_template(template).render(page)
    write_whole(path, text.encode("utf-8", "replace"), sync=False)
    return path
