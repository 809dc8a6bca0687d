"""What a measurement hands over besides readings: a curve, and a waveform worth keeping."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchtest.instruments.protocols import FloatArray


@dataclass(frozen=True)
class Curve:
    """Columns of equal length that belong together; saved as curves/<name>.csv and drawn in the report."""

    name: str
    title: str
    columns: Mapping[str, FloatArray]
    units: Mapping[str, str]
    meta: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Waveform:
    """A captured waveform, volts at the terminals, shape (frames, 2), to be analysed again later."""

    name: str
    volts: FloatArray
    sample_rate: int
    volts_per_full_scale: float
    meta: Mapping[str, Any] = field(default_factory=dict)
