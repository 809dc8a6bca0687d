"""What to measure next: how much a measurement can be expected to tell, for what it costs and what it can hurt."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

import numpy as np

from benchtest.amplifier_file import AmplifierSpec
from benchtest.diagnosis.belief import posterior
from benchtest.diagnosis.features import Sheet, features
from benchtest.diagnosis.knowledge import FloatArray, Knowledge, shipped
from benchtest.diagnosis.rows import Row, seen

DANGER_COSTS = (1.0, 1.5, 3.0)
"""What a second costs outside, with the lid off, and inside a live set: common practice, no source."""


def telling(p: FloatArray, known: Knowledge, symptom: str) -> float:
    """Expected information of one symptom about the cause, nats: how far the causes' tables are apart, by belief."""
    entry = known.symptoms[symptom]
    normal = known.normal.get(symptom)
    if normal is None:
        return 0.0
    best = 0.0
    for side in ("none",) if entry.of_set else ("left", "right"):
        said = known.speaks(symptom, side)
        assert said is not None
        rows = np.exp(said[0] + normal)
        mixed = p @ rows
        best = max(best, float(p @ np.sum(rows * np.log(rows / np.maximum(mixed, 1e-12)), axis=1)))
    return best


def worth(p: FloatArray, known: Knowledge, symptoms: Iterable[str], seconds: float, danger: int) -> float:
    """Information per second of a measurement that shows these symptoms; they overlap, so the best one counts most."""
    told = sorted((telling(p, known, s) for s in symptoms if s in known.symptoms), reverse=True)
    information = sum(t / (i + 1) for i, t in enumerate(told))
    return information / (seconds * DANGER_COSTS[danger])


def belief(rows: Sequence[Row], amplifier: AmplifierSpec) -> tuple[FloatArray, Collection[str]]:
    """Probability of each hypothesis after some rows, and which symptoms were seen."""
    found = features(Sheet(seen(rows), amplifier))
    return posterior(found, shipped()), {name for name, _ in found}


def wandering(rows: Sequence[Row], amplifier: AmplifierSpec) -> tuple[str, ...]:
    """The channels whose level moved without a prompt, or whose answer came and went."""
    found = features(Sheet(seen(rows), amplifier))
    return tuple(channel for (name, channel), f in found.items() if name == "gain_wanders" and f.value > 0.0)


def leading(rows: Sequence[Row], amplifier: AmplifierSpec) -> tuple[str, str, float]:
    """The leading group, its channel and its probability."""
    from benchtest.diagnosis import weigh

    weighed = weigh(features(Sheet(seen(rows), amplifier)), shipped())
    group, channel = weighed.ranked[0]
    return group, channel, weighed.probability[(group, channel)]
