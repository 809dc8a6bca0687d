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


def terms(features: Features, known: Knowledge, cause: str, channel: str) -> list[Term]:
    """Every feature's contribution to a hypothesis; a symptom that the cause does not touch contributes nothing."""
    found = []
    for feature in features.values():
        symptom = known.symptoms.get(feature.name)
        if symptom is None or feature.name not in known.normal:
            continue
        table = known.tables.get((cause, role_of(feature.channel, channel), feature.name))
        if table is None:
            continue
        level = symptom.level(feature.value)
        alone = float(table[level] - known.normal[feature.name][level])
        found.append(Term(feature, alone, known.weight(cause, feature.name) * alone))
    return found


def posterior(features: Features, known: Knowledge) -> FloatArray:
    """Probability of each of ``known.hypotheses``; they sum to 1."""
    logs = known.log_prior()
    for i, (cause, channel) in enumerate(known.hypotheses):
        logs[i] += sum(term.value for term in terms(features, known, cause, channel))
    logs -= np.max(logs)
    p: FloatArray = np.exp(logs)
    return p / np.sum(p)
