"""How good the diagnosis is, on simulated sets whose fault is known: ranks, calibration of probabilities, confusion.

Pure: it gets cases (what was true, and the ranked list that the diagnosis gave) and makes figures. ``benchtest score``
plays the cases and prints the table.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from benchtest.diagnosis.knowledge import HEALTHY, shipped

PAIRS: Mapping[str, tuple[str, str]] = {
    "relay-contact-and-joint": ("relay-contact-oxidised", "output-joint-cracked"),
}
"""Scenarios that are two faults at once, and which."""
NOT_TESTABLE = ("healthy-bridged", "bridged-half-dead")
"""Sets that the power-on test refuses: bridged outputs."""


@dataclass(frozen=True)
class Scored:
    """One case: the truth, and the causes that the diagnosis listed, best first, as (cause, channel, probability)."""

    scenario: str
    channel: str
    listed: tuple[tuple[str, str, float], ...]
    intermittent: bool = False
    unsafe: bool = False
    stage: str = "power_on"


def group_of(cause: str) -> str:
    """The group of a cause; every healthy kind is healthy.

    >>> group_of("relay-open"), group_of("healthy-dc-servo"), group_of("bias-low")
    ('open-path', 'healthy', 'bias-low')
    """
    if cause.startswith(HEALTHY):
        return HEALTHY
    entry = shipped().causes.get(cause)
    return entry.group_name if entry else cause


def placed(case: Scored, cause: str, channel: str) -> bool:
    """Whether a listed channel is the true one; a fault of the set has none to miss."""
    entry = shipped().causes.get(case.scenario)
    return entry is None or entry.channels == "both" or channel == case.channel


def group_rank(case: Scored) -> int:
    """Place of the true group in the true channel among the listed groups, from 1; 0 where it is not listed.

    >>> group_rank(Scored("relay-open", "left", (("speaker-fuse-open", "left", 0.6), ("relay-open", "left", 0.3))))
    1
    """
    wanted = group_of(case.scenario)
    groups = []
    for cause, channel, _ in case.listed:
        key = (group_of(cause), channel)
        if key not in groups:
            groups.append(key)
    for place, (group, channel) in enumerate(groups, 1):
        if group == wanted and (wanted == HEALTHY or placed(case, group, channel)):
            return place
    return 0


def cause_rank(case: Scored) -> int:
    """Place of the true cause in the true channel, from 1; 0 where it is not listed."""
    wanted = HEALTHY if case.scenario.startswith(HEALTHY) else case.scenario
    for place, (cause, channel, _) in enumerate(case.listed, 1):
        if cause == wanted and (wanted == HEALTHY or placed(case, cause, channel)):
            return place
    return 0


def pair_named(case: Scored) -> bool:
    """Whether both faults of a pair are among the first three."""
    first = {(cause, channel) for cause, channel, _ in case.listed[:3]}
    return all((cause, case.channel) in first or (cause, "both") in first for cause in PAIRS.get(case.scenario, ()))


def _first(cases: Iterable[Scored]) -> list[tuple[float, bool]]:
    """Of every case of which something was said: the stated probability of the first group, and whether it was right."""
    found = []
    for case in cases:
        if case.listed and case.scenario not in PAIRS:
            top = (group_of(case.listed[0][0]), case.listed[0][1])
            stated = sum(p for cause, channel, p in case.listed if (group_of(cause), channel) == top)
            found.append((stated, group_rank(case) == 1))
    return found


def _bin(low: float, high: float, held: Sequence[tuple[float, bool]]) -> dict[str, Any]:
    n = len(held)
    return {
        "from": low, "to": high, "cases": n, "stated": sum(s for s, _ in held) / n, "right": sum(r for _, r in held) / n
    }  # fmt: skip


def calibration(cases: Iterable[Scored], bins: int = 10) -> list[dict[str, Any]]:
    """Stated probability of the first-ranked group against how often it is right, in bins of equal width.

    Two faults at once are left out here and below: they are in no single group.
    """
    held: dict[int, list[tuple[float, bool]]] = defaultdict(list)
    for stated, right in _first(cases):
        held[min(bins - 1, int(stated * bins))].append((stated, right))
    return [_bin(i / bins, (i + 1) / bins, held[i]) for i in sorted(held)]


WITHIN = 0.10
LEAST_IN_A_BIN = 100


def deciles(cases: Iterable[Scored], bins: int = 10) -> list[dict[str, Any]]:
    """The same in bins of equal count: a diagnosis that is mostly sure leaves most bins of equal width all but empty.

    >>> sure = [Scored("bias-low", "left", (("bias-low", "left", p),)) for p in (0.9, 0.8)]
    >>> [(b["cases"], b["stated"], b["right"]) for b in deciles(sure, bins=2)]
    [(1, 0.8, 1.0), (1, 0.9, 1.0)]
    """
    said = sorted(_first(cases), key=lambda one: one[0])
    edges = [round(i * len(said) / bins) for i in range(bins + 1)]
    parts = [said[low:high] for low, high in pairwise(edges)]
    return [_bin(part[0][0], part[-1][0], part) for part in parts if part]


def calibrated(bins: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """The table's row of the calibration: bins of at least 100 cases, and how many of them are within ten points."""
    enough = [b for b in bins if b["cases"] >= LEAST_IN_A_BIN]
    near = [b for b in enough if abs(b["stated"] - b["right"]) <= WITHIN]
    return {
        "what": "stated probability within 10 points of the frequency, bins", "hits": len(near), "cases": len(enough),
        "share": len(near) / len(enough) if enough else None, "interval": wilson(len(near), len(enough)), "reach": 1.0,
        "met": len(near) == len(bins) if len(enough) == len(bins) and enough else None,
    }  # fmt: skip


def wilson(hits: int, of: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson 1927).

    >>> tuple(round(v, 3) for v in wilson(85, 100))
    (0.767, 0.907)
    """
    if of == 0:
        return (0.0, 1.0)
    z, p = 1.96, hits / of
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of)) / (1 + z * z / of)
    return (max(0.0, middle - half), min(1.0, middle + half))


def table(cases: Sequence[Scored], not_shown: Sequence[str] = ()) -> list[dict[str, Any]]:
    """The table: one row a requirement, with hits, cases, share, its interval and what is to be reached.

    not_shown: scenarios whose signature the power-on test cannot show; left out of its row, counted in all others.
    """
    tested = [c for c in cases if c.scenario not in NOT_TESTABLE]
    faulty = [c for c in tested if not c.scenario.startswith(HEALTHY) and c.scenario not in PAIRS]
    lasting = [c for c in faulty if not c.intermittent]
    rows = []

    def row(what: str, hits: Iterable[bool], reach: float | None, *, most: bool = False) -> None:
        seen = list(hits)
        share = sum(seen) / len(seen) if seen else None
        met = None if share is None or reach is None else (share <= reach if most else share >= reach)
        rows.append(
            {"what": what, "hits": sum(seen), "cases": len(seen), "share": share, "interval": wilson(sum(seen), len(seen)),
             "reach": reach, "met": met}
        )  # fmt: skip

    def of(stage: str, among: Sequence[Scored]) -> list[Scored]:
        return [c for c in among if c.stage == stage]

    shown = [c for c in of("power_on", lasting) if c.scenario not in not_shown]
    row("true group first after power_on, of faults that it can show", (group_rank(c) == 1 for c in shown), 0.85)
    row(
        "true group first after power_on, all lasting faults",
        (group_rank(c) == 1 for c in of("power_on", lasting)),
        None,
    )
    row("true group first after find_fault", (group_rank(c) == 1 for c in of("find_fault", lasting)), 0.95)
    row(
        "true cause first after the separating measurement",
        (cause_rank(c) == 1 for c in of("find_fault", lasting)),
        0.95,
    )
    among = (0 < group_rank(c) <= 3 for c in of("find_fault", lasting))
    row("true group among the first three after find_fault", among, 0.99)
    healthy = [c for c in tested if c.scenario.startswith(HEALTHY)]
    row("healthy called faulty", (bool(c.listed) and c.listed[0][0] != HEALTHY for c in healthy), 0.01, most=True)
    come = [c for c in faulty if c.intermittent]
    pairs = [c for c in tested if c.scenario in PAIRS]
    for stage, reach in (("power_on", None), ("find_fault", 0.80)):  # the search looks inside, where a pair shows
        row(f"intermittent faults: true group first after {stage}", (group_rank(c) == 1 for c in of(stage, come)), None)
        row(f"pairs: both named in the first three after {stage}", (pair_named(c) for c in of(stage, pairs)), reach)
    row("driven further than the safety limits allow", (c.unsafe for c in tested), 0.0, most=True)
    return rows


def confusion(cases: Iterable[Scored]) -> dict[str, Counter[str]]:
    """By scenario: which group came first how often ("-": nothing was said)."""
    found: dict[str, Counter[str]] = {}
    for case in cases:
        top = group_of(case.listed[0][0]) if case.listed else "-"
        right = group_rank(case) == 1
        wrong_side = not right and top == group_of(case.scenario)
        found.setdefault(case.scenario, Counter())[f"{top} (other channel)" if wrong_side else top] += 1
    return found


def table_text(rows: Sequence[Mapping[str, Any]]) -> str:
    """The table for a terminal or a page of text."""
    lines = [f"{'':<62} {'share':>7} {'95 %':>15} {'cases':>6}  to reach"]
    for r in rows:
        share = "-" if r["share"] is None else f"{100 * r['share']:.1f} %"
        low, high = r["interval"]
        interval = f"{100 * low:.1f} to {100 * high:.1f}" if r["cases"] else ""
        reach = (
            ""
            if r["reach"] is None
            else f"{100 * r['reach']:g} %{'' if r['met'] is None else ' met' if r['met'] else ' MISSED'}"
        )
        lines.append(f"{r['what']:<62} {share:>7} {interval:>15} {r['cases']:>6}  {reach}")
    return "\n".join(lines)


def confusion_text(found: Mapping[str, Counter[str]]) -> str:
    """By scenario, what came first: the right group marked with its share."""
    lines = []
    for scenario, tops in sorted(found.items()):
        total = sum(tops.values())
        right = tops.get(group_of(scenario), 0)
        others = ", ".join(f"{top} {n}" for top, n in tops.most_common() if top != group_of(scenario))
        lines.append(f"{scenario:<32} {right:>4} of {total:<4} {others}")
    return "\n".join(lines)
