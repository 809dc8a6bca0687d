"""How strongly the features speak for each cause: prior times likelihoods, each symptom with its weight.

Symptoms are not independent (distortion at 1 W and at half power come together), so each counts with a weight below one;
weights are fitted so that stated probabilities agree with frequencies. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from benchtest.diagnosis.features import CHANNELS, Feature
from benchtest.diagnosis.knowledge import FloatArray, Knowledge

Features = Mapping[tuple[str, str], Feature]


@dataclass(frozen=True)
class Term:
    """What one feature contributes to one hypothesis: the log of how much likelier than in a healthy set, alone and
    weighted."""

    feature: Feature
    alone: float
    value: float


def role_of(feature_channel: str, hypothesis_channel: str) -> str:
    """In which role a feature's channel stands for a cause in a channel.

    >>> role_of("left", "left"), role_of("right", "left"), role_of("left", "both"), role_of("none", "left")
    ('this', 'other', 'both', 'set')
    """
    if feature_channel == "none":
        return "set"
    if hypothesis_channel in CHANNELS:
        return "this" if feature_channel == hypothesis_channel else "other"
    return "both"


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
    for i, (cause, channel) in enumerate(known.hypotheses):
        logs[i] += sum(term.value for term in terms(features, known, cause, channel, fuller))
    logs -= np.max(logs)
    p: FloatArray = np.exp(logs)
    return p / np.sum(p)
