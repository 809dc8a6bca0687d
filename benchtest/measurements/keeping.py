"""Captures that are kept for readings that rest on several of them: which reading, and what was sent, stand with each."""

from __future__ import annotations

from typing import Any

import numpy as np

from benchtest.records import Waveform
from benchtest.safety import Capture

TOGETHER = "together"
"""In what is kept with a capture: what it belongs to ("gain", "power", "thump"), so that those of one reading are found."""


def to_keep(
    capture: Capture, name: str, what: str, *, first: int = 0, last: int | None = None, **more: Any
) -> Waveform:
    """A capture, or a stretch of it, as a waveform that says which reading it belongs to and what was sent."""
    meta = {TOGETHER: what, "input_v": list(capture.input_v), "driven": sorted(capture.driven), **more}
    if capture.frequency_hz is not None:
        meta["frequency_hz"] = capture.frequency_hz
    volts = np.asarray(capture.volts)[first:last]
    return Waveform(name, volts, capture.sample_rate, max(capture.volts_per_full_scale), meta)
