"""Readings that could not be taken: recorded with the reason, never counted as passed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchtest.reading import Reading, Verdict


def not_measured(
    quantity: str,
    channel: str,
    unit: str,
    why: object,
    *,
    conditions: Mapping[str, Any] | None = None,
    method: str = "",
) -> Reading:
    """A reading with no value and the reason in its note.

    >>> not_measured("gain", "left", "dB", "no sound card").verdict
    <Verdict.NOT_MEASURED: 'not_measured'>
    """
    return Reading(
        quantity=quantity, channel=channel, value=None, unit=unit, verdict=Verdict.NOT_MEASURED,
        conditions=dict(conditions or {}), method=method, note=str(why),
    )  # fmt: skip
