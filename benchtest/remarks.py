"""What is to be said beside a run's result, so that it is not read as more than it is. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchtest.quantities import QUANTITIES

JUDGED = ("pass", "noted", "fail", "inconclusive")
POWER_NOT_JUDGED = (
    "Power was measured but NOT JUDGED: no rated power is known. Write an amplifier file ('benchtest amplifier new') and "
    "give it with --amplifier."
)
MOST = 6
"""How many kinds of reading are named; the rest is counted."""


def remarks_on(
    rows: Sequence[Mapping[str, Any]], not_decided: Sequence[str], rated_power_w: float | None
) -> Iterator[str]:
    """Sentences for the end of a run.

    ``rows`` are rows of readings.csv; ``not_decided`` names required readings, "quantity channel" each, that were not
    taken or not decided.

    >>> list(remarks_on([], ["output_power left", "output_power right", "gain left"], 60.0))
    ['Required, but not measured or not decided: output power (left, right), gain (left).']
    """
    power = [row for row in rows if row["quantity"] == "output_power" and row["value"] is not None]
    if rated_power_w is None and power and not any(row["verdict"] in JUDGED for row in power):
        yield POWER_NOT_JUDGED
    if not_decided:
        yield f"Required, but not measured or not decided: {_listed(not_decided)}."


def _listed(not_decided: Sequence[str]) -> str:
    channels: dict[str, list[str]] = {}
    for each in not_decided:
        quantity, _, channel = each.rpartition(" ")
        known = QUANTITIES.get(quantity)
        of = channels.setdefault(known.words if known else quantity.replace("_", " "), [])
        if channel not in of and channel != "none":
            of.append(channel)
    parts = [words + (f" ({', '.join(of)})" if of else "") for words, of in channels.items()]
    more = len(parts) - MOST
    return ", ".join(parts[:MOST]) + (f" and {more} more" if more > 0 else "")
