"""What is to be said beside a run's result, so that it is not read as more than it is. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
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
    rows: Sequence[Mapping[str, Any]],
    not_decided: Sequence[str],
    rated_power_w: float | None,
    unwatched: Collection[str] = (),
) -> Iterator[str]:
    """Sentences for the end of a run.

    ``rows`` are rows of readings.csv; ``not_decided`` names required readings, "quantity channel" each, that were not
    taken or not decided; ``unwatched`` is `GuardedBench.unwatched`.

    >>> list(remarks_on([], ["output_power left", "output_power right", "gain left"], 60.0))
    ['Required, but not measured or not decided: output power (left, right), gain (left).']
    """
    power = [row for row in rows if row["quantity"] == "output_power" and row["value"] is not None]
    if rated_power_w is None and power and not any(row["verdict"] in JUDGED for row in power):
        yield POWER_NOT_JUDGED
    if not_decided:
        yield f"Required, but not measured or not decided: {_listed(not_decided)}."
    if unwatched:
        outputs = sorted(output for output in unwatched if output)
        where = f"between them at {' and '.join(outputs)}, and in the DC checks" if outputs else "in the DC checks only"
        yield (
            f"DC was NOT WATCHED while some tones played, for want of a meter on dc_watch that the program reads (below 40 "
            f"Hz the tone itself reaches it). It was looked at {where.replace('_', ' ')}."
        )


def calibration_notice(summary: Mapping[str, Any]) -> str:
    """What every page of a run says of its calibration: none, an old one, one of other instruments; "" for a good one,
    and for a run that used no sound card.

    >>> calibration_notice({"calibration": {"warning": "NOT CALIBRATED"}, "signal_seconds": 2.0})
    'NOT CALIBRATED'
    """
    calibration = summary.get("calibration")
    if not isinstance(calibration, Mapping) or summary.get("signal_seconds") == 0:
        return ""
    return str(calibration.get("warning") or "")


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
