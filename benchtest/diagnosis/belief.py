"""How strongly the features speak for each cause: prior times likelihoods, each symptom with its weight.

Symptoms are not independent (distortion at 1 W and at half power come together), so each counts with a weight below one;
weights are fitted so that stated probabilities agree with frequencies. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from benchtest.diagnosis.features import Feature
from benchtest.diagnosis.knowledge import FloatArray, Knowledge, role_of

Features = Mapping[tuple[str, str], Feature]


@dataclass(frozen=True)
class Term:
    """What one feature contributes to one hypothesis: the log of how much likelier than in a healthy set, alone and
    weighted."""

    feature: Feature
    alone: float
    value: float


def fullness(features: Features, known: Knowledge) -> dict[str, float]:
    """By family of symptoms: the weight of all of them over the weight of those that were seen.

    Weights are made for whole runs, where the members of a family share what they have to say; of an incomplete one, or
    of two values typed in, the few that are there speak for the family. At most 1 is the weight of any one.
    """
    whole: dict[str, float] = {}
    there: dict[str, float] = {}
    names = {feature.name for feature in features.values()}
    for name, symptom in known.symptoms.items():
        family = name.partition("_")[0]
        whole[family] = whole.get(family, 0.0) + symptom.weight
        if name in names:
            there[family] = there.get(family, 0.0) + symptom.weight
    return {family: whole[family] / weight for family, weight in there.items() if weight > 0.0}


def terms(
    features: Features, known: Knowledge, cause: str, channel: str, fuller: Mapping[str, float] | None = None
) -> list[Term]:
    """Every feature's contribution to a hypothesis; a symptom that the cause does not touch contributes nothing."""
    found = []
    fuller = fullness(features, known) if fuller is None else fuller
    for feature in features.values():
        symptom = known.symptoms.get(feature.name)
        if symptom is None or feature.name not in known.normal:
            continue
        table = known.tables.get((cause, role_of(feature.channel, channel), feature.name))
        if table is None:
            continue
        level = symptom.level(feature.value)
        alone = float(table[level] - known.normal[feature.name][level])
        weight = min(1.0, known.weight(cause, feature.name) * fuller.get(feature.name.partition("_")[0], 1.0))
        found.append(Term(feature, alone, weight * alone))
    return found


def posterior(features: Features, known: Knowledge) -> FloatArray:
    """Probability of each of ``known.hypotheses``; they sum to 1."""
    logs = known.log_prior()
    fuller = fullness(features, known)
    for feature in features.values():
        said = known.speaks(feature.name, feature.channel)
        if said is not None:
            alone, weight = said
            full = weight * fuller.get(feature.name.partition("_")[0], 1.0)
            logs += np.minimum(1.0, full) * alone[:, known.symptoms[feature.name].level(feature.value)]
    logs -= np.max(logs)
    p: FloatArray = np.exp(logs)
    return p / np.sum(p)


TWO_FAULTS = 0.05
"""Share of faulty sets that have two faults at once: common practice, no source."""


def second_faults(features: Features, known: Knowledge, first: tuple[str, str]) -> list[tuple[tuple[str, str], float]]:
    """What else may be wrong beside the leading cause, with the probability that it is there too, the likeliest first.

    Of two faults each shows its own symptoms; a symptom that both touch is as likely to come from the one as from the other.
    "failures" counts what is wrong and not which, so it has no say here.
    """
    fuller = fullness(features, known)

    def said(hypothesis: tuple[str, str]) -> dict[tuple[str, str], float]:
        return {
            (t.feature.name, t.feature.channel): t.value
            for t in terms(features, known, *hypothesis, fuller)
            if t.feature.name != "failures"
        }

    of_first = said(first)
    group = known.causes[first[0]].group_name
    named = sum(c.share for c in known.causes.values())
    found: list[tuple[tuple[str, str], float]] = []
    for cause, channel in known.hypotheses:
        entry = known.causes.get(cause)
        if entry is None or (entry.group_name == group and channel == first[1]):
            continue
        gain = math.log(TWO_FAULTS * entry.share / named / (1.0 if channel == "both" else 2.0))
        for key, value in said((cause, channel)).items():
            if key in of_first:
                gain += float(np.logaddexp(value, of_first[key])) - math.log(2.0) - of_first[key]
            else:
                gain += value
        found.append(((cause, channel), gain))
    found.sort(key=lambda one: -one[1])
    whole = float(np.logaddexp.reduce([0.0, *(gain for _, gain in found)]))
    return [(hypothesis, math.exp(gain - whole)) for hypothesis, gain in found]
