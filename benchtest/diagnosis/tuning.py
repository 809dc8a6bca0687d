"""Likelihoods from cases whose cause is known: where to cut each symptom, how often each cause shows it, what it weighs.

``benchtest score --tune`` writes likelihoods.toml from the runs that were kept. It is made on one set of seeds and judged
on another; the seeds stand in the written file. Pure but for scipy's optimiser.
"""

from __future__ import annotations

import json
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from benchtest.amplifier_file import AmplifierSpec
from benchtest.diagnosis.features import CHANNELS, Sheet, features
from benchtest.diagnosis.knowledge import HEALTHY, UNNAMED, FloatArray, Knowledge, role_of
from benchtest.diagnosis.rows import seen

SMOOTHING = 1.5
"""Cases' worth of belief in what is normal, added to the counts."""
MOST_CUTS = 6
LEAST_GAIN = 0.02
"""A further cut must tell at least so many nats about the cause."""
FOLDS = 4
LEAST_WEIGHT = 0.01
CHANCE = 0.9999
"""How sure it must be that members of a group differ in a symptom."""
SURE, SURE_OF_OTHER = 0.99, 0.9999
"""How sure it must be that a cause touches a symptom at all; in the other channel it seldom does."""
RIDGE = 0.03
"""Pulls every weight towards 0.3, so that few cases do not decide alone."""
CAUSE_SAY = 0.25
"""How much naming the very cause counts beside naming its group."""


@dataclass(frozen=True)
class Case:
    """One run whose cause is known: features by (name, channel)."""

    cause: str
    channel: str
    values: Mapping[tuple[str, str], float]


def case_of(cause: str, channel: str, rows: Iterable[Mapping[str, Any]], amplifier: AmplifierSpec) -> Case:
    """A case from a run's rows; every healthy kind is "healthy"."""
    cause = HEALTHY if cause.startswith(HEALTHY) else cause
    found = features(Sheet(seen(rows), amplifier))
    return Case(cause, "none" if cause == HEALTHY else channel, {key: f.value for key, f in found.items()})


def classes(case: Case, known: Knowledge) -> str:
    """The channel under which the cause is weighed."""
    entry = known.causes.get(case.cause)
    return "none" if entry is None else ("both" if entry.channels == "both" else case.channel)


def tune(cases: Sequence[Case], known: Knowledge, *, rounds: int = 60) -> dict[str, Any]:
    """cuts, weights, normal and shows, as likelihoods.toml holds them."""
    seen_at_all = {name for case in cases for name, _ in case.values}
    cuts = {
        name: list(symptom.written) if symptom.written and name in seen_at_all else _cuts(name, cases, known)
        for name, symptom in known.symptoms.items()
    }
    symptoms = {
        name: replace(s, cuts=tuple(cuts[name])) for name, s in known.symptoms.items() if cuts[name] and not s.by_hand
    }
    known = replace(known, symptoms=symptoms)
    separators = {name for group in known.groups.values() for name in group.separators}
    weights = {n: w for n, w in _weights(cases, known, rounds).items() if w >= LEAST_WEIGHT or n in separators}
    normal, shows = _counted(cases, replace(known, symptoms={n: s for n, s in symptoms.items() if n in weights}))
    return {
        "cuts": {n: list(symptoms[n].cuts) for n in weights},
        "weights": weights,
        "normal": normal,
        "shows": shows,
    }


def _samples(name: str, cases: Sequence[Case], known: Knowledge) -> dict[tuple[str, str], list[float]]:
    """Values by (cause, role)."""
    found: dict[tuple[str, str], list[float]] = defaultdict(list)
    for case in cases:
        for channel in ("none",) if known.symptoms[name].of_set else CHANNELS:
            value = case.values.get((name, channel))
            if value is not None:
                found[(case.cause, role_of(channel, classes(case, known)))].append(value)
    return found


def _cuts(name: str, cases: Sequence[Case], known: Knowledge) -> list[float]:
    """The few values that tell most about the cause: greedy, among quantiles, each cause with the same say."""
    samples = {k: np.sort(v) for k, v in _samples(name, cases, known).items() if len(v) >= 2}
    if len(samples) < 2:
        return []
    pooled = np.concatenate([np.quantile(v, np.linspace(0.04, 0.96, 9)) for v in samples.values()])
    candidates = sorted({_rounded(c) for c in np.quantile(pooled, np.linspace(0.01, 0.99, 60))})
    below = np.array([[np.searchsorted(v, c, side="left") / len(v) for c in candidates] for v in samples.values()])
    chosen: list[int] = []
    best = 0.0
    while len(chosen) < MOST_CUTS:
        gains = [_told(below, sorted([*chosen, i])) if i not in chosen else -1.0 for i in range(len(candidates))]
        i = int(np.argmax(gains))
        if gains[i] - best < LEAST_GAIN:
            break
        best = gains[i]
        chosen.append(i)
    return [candidates[i] for i in sorted(chosen)]


def _told(below: FloatArray, cuts: Sequence[int]) -> float:
    """Mutual information, nats, between class and level."""
    edges = np.column_stack([np.zeros(len(below)), below[:, list(cuts)], np.ones(len(below))])
    p = np.diff(edges, axis=1)
    mean = p.mean(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        told = np.where(p > 0, p * np.log(p / mean), 0.0)
    return float(told.sum(axis=1).mean())


STEPS = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0, 10.0)
"""Cuts are such numbers times a power of ten: fit for a scale that people read, too coarse to follow chance."""


def _rounded(value: float) -> float:
    """The nearest step.

    >>> _rounded(0.0273), _rounded(-31.0), _rounded(0.0)
    (0.03, -30.0, 0.0)
    """
    if abs(value) < 1e-9:
        return 0.0
    power = math.floor(math.log10(abs(value)))
    step = min(STEPS, key=lambda s: abs(math.log(s / (abs(value) / 10.0**power))))
    return math.copysign(float(f"{step * 10.0**power:.3g}"), value)


def _counted(
    cases: Sequence[Case], known: Knowledge
) -> tuple[dict[str, list[float]], dict[str, dict[str, dict[str, list[float]]]]]:
    """How often each level is seen: in healthy sets, and with each cause in each role (where it differs)."""
    normal: dict[str, list[float]] = {}
    shows: dict[str, dict[str, dict[str, list[float]]]] = {}
    for name, symptom in known.symptoms.items():
        levels = len(symptom.cuts) + 1
        counts = {
            key: np.bincount(np.searchsorted(symptom.cuts, values, side="right"), minlength=levels).astype(float)
            for key, values in _samples(name, cases, known).items()
        }
        counts = _pooled(name, counts, known)
        by_role: dict[str, list[FloatArray]] = defaultdict(list)
        for (cause, role), count in counts.items():
            if cause != HEALTHY:
                by_role["set" if role == "set" else "this" if role in ("this", "both") else "other"].append(
                    count / count.sum()
                )
        mean = {role: np.mean(rows, axis=0) for role, rows in by_role.items()}
        healthy = next((c for (cause, _), c in counts.items() if cause == HEALTHY), np.zeros(levels))
        anything = mean.get("this", mean.get("set", np.full(levels, 1.0 / levels)))
        base = (healthy + 0.5 * anything + 0.1 / levels) / (healthy.sum() + 0.6)
        normal[name] = _short(base)
        for (cause, role), count in counts.items():
            if cause == HEALTHY:
                continue
            lean = 0.6 * base + 0.4 * anything if role in ("this", "both", "set") else 0.9 * base + 0.1 * anything
            belief = SMOOTHING * (3.0 if role == "other" else 1.0)
            row = (count + belief * lean) / (count.sum() + belief)
            # a healthy set is never measured there (before the relay, say): beside what the other causes show
            beside = (
                healthy if healthy.sum() else sum((c for k, c in counts.items() if k[0] != cause), np.zeros(levels))
            )
            if np.sum(row * np.log(row / base)) > 0.03 and _differ(
                np.array([count, beside]), SURE_OF_OTHER if role == "other" else SURE
            ):
                shows.setdefault(cause, {}).setdefault(role, {})[name] = _short(row)
        for role, rows in (("this", mean.get("this")), ("both", mean.get("this")), ("set", mean.get("set"))):
            if rows is not None and (role == "set") == symptom.of_set:
                shows.setdefault(UNNAMED, {}).setdefault(role, {})[name] = _short(0.7 * rows + 0.3 / levels)
    return normal, shows


def _pooled(
    name: str, counts: Mapping[tuple[str, str], FloatArray], known: Knowledge
) -> dict[tuple[str, str], FloatArray]:
    """Members of a group share their counts, but for what tells them apart: the group's separators, or what differs by
    more than chance would make it."""
    found = dict(counts)
    members: dict[tuple[str, str], list[tuple[str, str]]] = defaultdict(list)
    for cause, role in counts:
        if cause in known.causes and known.causes[cause].group:
            members[(known.causes[cause].group, role)].append((cause, role))
    for (group, _), keys in members.items():
        rows = np.array([counts[key] for key in keys])
        separators = known.groups[group].separators
        if (name not in separators) if separators else not _differ(rows, CHANCE):
            found.update(dict.fromkeys(keys, rows.sum(axis=0)))
    return found


def _differ(rows: FloatArray, confidence: float) -> bool:
    """Whether rows of counts come from different distributions: G test (likelihood ratio) against chi-squared."""
    from scipy.special import chdtri

    whole = rows.sum(axis=0)
    expected = rows.sum(axis=1, keepdims=True) * whole / max(whole.sum(), 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        g = 2.0 * float(np.where(rows > 0, rows * np.log(rows / expected), 0.0).sum())
    freedom = (np.count_nonzero(whole) - 1) * (len(rows) - 1)
    return bool(freedom > 0 and g > float(chdtri(freedom, 1.0 - confidence)))


def _short(row: FloatArray) -> list[float]:
    return [float(f"{p:.3g}") for p in row]


def _weights(cases: Sequence[Case], known: Knowledge, rounds: int) -> dict[str, float]:
    """Weights that make the stated probabilities of left-out cases as true as can be (log score)."""
    from scipy.optimize import minimize

    names = list(known.symptoms)
    prepared = []
    for fold in range(FOLDS):
        inside = [c for i, c in enumerate(cases) if i % FOLDS != fold]
        outside = [c for i, c in enumerate(cases) if i % FOLDS == fold]
        normal, shows = _counted(inside, known)
        prepared.append(_ratios(outside, known, normal, shows, names))
    ratios = np.concatenate([p[0] for p in prepared])
    fixed = np.zeros(ratios.shape[:2])
    right = np.concatenate([p[1] for p in prepared])
    very = np.concatenate([p[2] for p in prepared])
    of = np.concatenate([p[3] for p in prepared])
    prior = known.log_prior()
    # what tells the members of a group apart counts fully for them, whatever the fitted weight
    for h, (cause, _) in enumerate(known.hypotheses):
        entry = known.causes.get(cause)
        for name in known.groups[entry.group].separators if entry and entry.group else ():
            if name in names:
                s = names.index(name)
                fixed[:, h] += ratios[:, h, s]
                ratios[:, h, s] = 0.0
    prior = prior + fixed
    say = _say(of)

    def loss(w: FloatArray) -> tuple[float, FloatArray]:
        logits = prior + ratios @ w
        logits -= logits.max(axis=1, keepdims=True)
        p = np.exp(logits)
        p /= p.sum(axis=1, keepdims=True)
        hit = np.maximum((p * right).sum(axis=1), 1e-12)
        exact = np.maximum((p * very).sum(axis=1), 1e-12)
        pull = (1.0 + CAUSE_SAY) * p - p * right / hit[:, None] - CAUSE_SAY * p * very / exact[:, None]
        gradient = np.einsum("c,chs,ch->s", say, ratios, pull, optimize=True)
        score = -(say * (np.log(hit) + CAUSE_SAY * np.log(exact))).sum()
        return float(score + RIDGE * ((w - 0.3) ** 2).sum()), gradient + 2 * RIDGE * (w - 0.3)

    start = np.full(len(names), 0.3)
    done = minimize(
        loss, start, jac=True, method="L-BFGS-B", bounds=[(0.0, 1.0)] * len(names), options={"maxiter": rounds}
    )
    return {name: round(float(w), 3) for name, w in zip(names, done.x, strict=True)}


def _say(of: FloatArray) -> FloatArray:
    """Each cause has the same say, healthy sets as much as all causes together; the sum is 1."""
    causes, counts = np.unique(of, return_counts=True)
    share = dict(zip(causes, counts, strict=True))
    named = max(len(causes) - 1, 1)
    say: FloatArray = np.array([0.5 / share[c] if c == HEALTHY else 0.5 / named / share[c] for c in of])
    return say


def _ratios(
    cases: Sequence[Case], known: Knowledge, normal: Mapping[str, Any], shows: Mapping[str, Any], names: Sequence[str]
) -> tuple[FloatArray, FloatArray, FloatArray, Any]:
    """Log likelihood ratios (case, hypothesis, symptom), whose group is right, which is right, and each case's cause."""
    logs = {
        (cause, role, name): np.log(np.maximum(row, 1e-4)) - np.log(np.maximum(normal[name], 1e-4))
        for cause, roles in shows.items()
        for role, rows in roles.items()
        for name, row in rows.items()
    }
    number = {name: i for i, name in enumerate(names)}
    ratios = np.zeros((len(cases), len(known.hypotheses), len(names)), dtype=np.float32)
    right = np.zeros((len(cases), len(known.hypotheses)))
    very = np.zeros_like(right)
    for k, case in enumerate(cases):
        entry = known.causes.get(case.cause)
        group = entry.group_name if entry else case.cause
        at = classes(case, known)
        for h, (cause, channel) in enumerate(known.hypotheses):
            other = known.causes.get(cause)
            right[k, h] = (other.group_name if other else cause) == group and channel == at
            very[k, h] = cause == case.cause and channel == at
            for (name, side), value in case.values.items():
                if name in number and (row := logs.get((cause, role_of(side, channel), name))) is not None:
                    ratios[k, h, number[name]] += row[known.symptoms[name].level(value)]
    keep = np.flatnonzero(right.any(axis=1))
    causes = np.array([cases[int(k)].cause for k in keep])
    return ratios[keep].astype(np.float64), right[keep], very[keep], causes


def as_toml(found: Mapping[str, Any], provenance: str) -> str:
    """likelihoods.toml."""
    lines = [
        "# How often each cause shows each symptom. Written by benchtest.diagnosis.tuning; do not edit: rows of your own",
        "# belong into causes.toml (shows).",
        "#",
        "# cuts     bounds between the levels of a symptom, in its unit (symptoms.toml)",
        "# weights  how much a symptom counts; symptoms come together, so less than 1",
        "# normal   share of healthy sets in each level, lowest level first",
        '# shows    the same for a cause: in the channel that has it ("this"), in the "other", in "both", of the "set"',
        "",
        f"provenance = {json.dumps(provenance)}",
    ]
    for section in ("cuts", "weights", "normal"):
        lines += ["", f"[{section}]", *(f"{name} = {json.dumps(row)}" for name, row in found[section].items())]
    for cause, roles in found["shows"].items():
        for role, rows in roles.items():
            lines += ["", f'[shows."{cause}".{role}]', *(f"{name} = {json.dumps(row)}" for name, row in rows.items())]
    return "\n".join(lines) + "\n"
