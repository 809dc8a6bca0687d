"""The small picture in a line of the table: where the readings lie between their limits. Pure text.

A bar is what is serviceable; its paler ends are the guard band, as wide as the uncertainty, in which a reading is too
close to call. Left is a filled round mark, right an open square one; a thin upright stroke is the maker's figure.
"""

from __future__ import annotations

from dataclasses import dataclass

WIDTH, HEIGHT, EDGE = 132.0, 26.0, 7.0

PAINT = {
    "guard": 'fill="#e4dfd0"',
    "band": 'fill="#a9bfb9"',
    "limit": 'fill="none" stroke="#22282b" stroke-width="1.6"',
    "claim": 'fill="none" stroke="#453360" stroke-width="1.6" stroke-dasharray="2 2"',
    "whisker": 'fill="none" stroke="#22282b" stroke-width="1.1"',
    "left": 'fill="#0f4c75"',
    "right": 'fill="#ffffff" stroke="#a8480a" stroke-width="2"',
    "whole": 'fill="#22282b"',
}
"""Stands in each shape: what makes PDF of the page gives a picture no style from outside it."""


@dataclass(frozen=True)
class Mark:
    channel: str
    value: float
    uncertainty: float


@dataclass(frozen=True)
class LimitGraphic:
    """lower, upper, marks and claim in the unit of the line; at least one limit is given."""

    lower: float | None
    upper: float | None
    marks: tuple[Mark, ...]
    claim: float | None = None
    decibels: bool = False

    def span(self) -> tuple[float, float]:
        """The values at the left and right edge of the picture. A reading far outside does not squeeze the rest: it is
        drawn at the edge."""
        limits = [v for v in (self.lower, self.upper) if v is not None]
        points = limits + [mark.value for mark in self.marks] + ([self.claim] if self.claim is not None else [])
        if len(limits) == 1 and not self.decibels:
            points.append(0.0 if self.lower is None else 0.5 * self.lower)
        low, high = min(points), max(points)
        if len(limits) == 2:
            room = limits[1] - limits[0]
            low, high = max(low, limits[0] - room), min(high, limits[1] + room)
        elif limits[0] != 0 and not self.decibels:
            low, high = max(low, limits[0] - 2 * abs(limits[0])), min(high, limits[0] + 2 * abs(limits[0]))
        pad = 0.12 * (high - low) or abs(high) or 1.0
        return low - pad, high + pad

    def svg(self) -> str:
        low, high = self.span()

        def x(value: float) -> float:
            place = EDGE + (value - low) / (high - low) * (WIDTH - 2 * EDGE)
            return min(max(place, 4.0), WIDTH - 4.0)

        start = 0.0 if self.lower is None else x(self.lower)
        stop = WIDTH if self.upper is None else x(self.upper)
        guard = max(mark.uncertainty for mark in self.marks)
        inner_start = start if self.lower is None else x(self.lower + guard)
        inner_stop = stop if self.upper is None else x(self.upper - guard)
        parts = [f'<rect {PAINT["guard"]} x="{start:.1f}" y="9" width="{max(stop - start, 0):.1f}" height="8"/>']
        if inner_stop > inner_start:
            parts.append(
                f'<rect {PAINT["band"]} x="{inner_start:.1f}" y="9" width="{inner_stop - inner_start:.1f}" height="8"/>'
            )
        for limit in (self.lower, self.upper):
            if limit is not None:
                parts.append(f'<path {PAINT["limit"]} d="M{x(limit):.1f} 5v16"/>')
        if self.claim is not None:
            parts.append(f'<path {PAINT["claim"]} d="M{x(self.claim):.1f} 1v24"/>')
        for mark in self.marks:
            parts.append(_drawn(mark, x))
        return (
            f'<svg class="where" viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" role="img" aria-label="{self.words()}">'
            + "".join(parts)
            + "</svg>"
        )

    def words(self) -> str:
        """What the picture shows, for who cannot see it."""
        told = []
        for mark in self.marks:
            inside = (self.lower is None or self.lower <= mark.value) and (
                self.upper is None or mark.value <= self.upper
            )
            name = {"left": "left ", "right": "right "}.get(mark.channel, "")
            told.append(f"{name}{'inside' if inside else 'outside'} the limits")
        return ", ".join(told)


def _drawn(mark: Mark, x: object) -> str:
    assert callable(x)
    centre = x(mark.value)
    y = {"left": 9.0, "right": 17.0}.get(mark.channel, 13.0)
    first, last = x(mark.value - mark.uncertainty), x(mark.value + mark.uncertainty)
    whisker = f'<path {PAINT["whisker"]} d="M{first:.1f} {y:.0f}H{last:.1f}"/>' if last - first > 7 else ""
    if mark.channel == "right":
        return whisker + f'<rect {PAINT["right"]} x="{centre - 3:.1f}" y="{y - 3:.0f}" width="6" height="6"/>'
    if mark.channel == "left":
        return whisker + f'<circle {PAINT["left"]} cx="{centre:.1f}" cy="{y:.0f}" r="3.4"/>'
    return whisker + f'<path {PAINT["whole"]} d="M{centre:.1f} {y - 4:.0f}l4 4l-4 4l-4 -4z"/>'


def legend() -> str:
    """The picture beside the words that explain it: one limit on each side, both channels inside."""
    return (
        f'<svg class="where" viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" aria-hidden="true">'
        f'<rect {PAINT["guard"]} x="20" y="9" width="90" height="8"/><rect {PAINT["band"]} x="32" y="9" width="66" height="8"/>'
        f'<path {PAINT["limit"]} d="M20 5v16"/><path {PAINT["limit"]} d="M110 5v16"/>'
        f'<circle {PAINT["left"]} cx="58" cy="9" r="3.4"/><rect {PAINT["right"]} x="73" y="14" width="6" height="6"/></svg>'
    )
