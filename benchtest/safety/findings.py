"""What the guarded bench hands back: a meter's value, a DC check, a capture. Plain data."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from benchtest.errors import NotAllowed
from benchtest.instruments.protocols import FloatArray, Function, MeterReading
from benchtest.safety import limits as lim
from benchtest.safety.interlock import CHANNELS
from benchtest.safety.tone import ToneFigures


class NotCleared(NotAllowed):
    """A channel may not be driven now; nothing was. The reading that asked for it is 'not measured'."""


@dataclass(frozen=True)
class MeterValue:
    """The mean of one or more fresh readings at a test point.

    standard_uncertainty combines the meter's accuracy with the scatter of the mean; spread is the standard deviation
    of the readings (0 for one). value is None for an overload, in ohms an open circuit.
    """

    point: str
    function: Function
    value: float | None
    standard_uncertainty: float
    spread: float
    meter: str
    budget: Mapping[str, float]


@dataclass(frozen=True)
class DcCheck:
    """One channel's DC check: what stands at its output and what that allows.

    outcome: good, noted, limited (100 to 300 mV), stop, zero (the path may be open), not_reached.
    """

    channel: str
    point: str
    reading: MeterValue | None
    outcome: str
    words: str


@dataclass(frozen=True)
class Capture:
    """What came out of the amplifier while something (or nothing) was played.

    volts: (frames, 2) at the speaker terminals. input_v: rms at the input sockets per channel. figures: per channel
    what the tone's analysis gave, {} when no tone was played. rails: the (positive, negative) rail seen under power.
    meters: what other meters showed while it played, by test point; refused: why one was not read.
    thrown_away: why earlier takes were no data.
    """

    volts: FloatArray
    sample_rate: int
    driven: frozenset[str]
    input_v: tuple[float, float]
    frequency_hz: float | None
    volts_per_full_scale: tuple[float, float]
    clipped: bool
    figures: Mapping[str, ToneFigures] = field(default_factory=dict)
    rails: tuple[float, float] | None = None
    note: str = ""
    meters: Mapping[str, MeterValue] = field(default_factory=dict)
    thrown_away: tuple[str, ...] = ()
    refused: Mapping[str, str] = field(default_factory=dict)

    def channel(self, name: str) -> FloatArray:
        """One channel's volts, shape (frames,)."""
        samples: FloatArray = self.volts[:, CHANNELS.index(name)]
        return samples


def mean_of(taken: Sequence[MeterReading], point: str, meter: str) -> MeterValue:
    """One value from repeated readings; an overload among them makes it an overload."""
    function = taken[0].function
    accuracy = max(reading.standard_uncertainty for reading in taken)
    values = [reading.value for reading in taken if reading.value is not None]
    if len(values) < len(taken):
        return MeterValue(point, function, None, accuracy, 0.0, meter, {})
    spread = float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
    scatter = spread / math.sqrt(len(values))
    return MeterValue(
        point, function, float(np.mean(values)), math.hypot(accuracy, scatter), spread, meter,
        {"meter accuracy": accuracy, "scatter": scatter},
    )  # fmt: skip


def dc_outcome(value: MeterValue, stage: str) -> tuple[str, str]:
    """What a DC reading at an output allows: (outcome, why). The guarded limit is used: too close to call stops.

    A zero is natural behind a coupling capacitor and no sign of an open path there.
    """
    if value.value is None:
        return "stop", "the meter is overloaded"
    v, u = abs(value.value), 2.0 * value.standard_uncertainty
    if not v + u <= lim.DC_STOP_V:
        close = " (too close to call counts as above)" if v <= lim.DC_STOP_V else ""
        return "stop", f"above {1000 * lim.DC_STOP_V:.0f} mV{close}"
    if is_exactly_zero(value) and stage != "capacitor_coupled":
        return "zero", "exactly zero: the path from the amplifier to the terminals may be open"
    if not v + u <= lim.DC_NOTE_V:
        return "limited", "between 100 and 300 mV: dummy load and 1 W only, no loudspeakers"
    if v > lim.DC_GOOD_V:
        return "noted", "between 50 and 100 mV"
    return "good", "within 50 mV"


def is_exactly_zero(value: MeterValue) -> bool:
    """Whether a DC reading is no more than shorted leads would show: nothing within the meter's own uncertainty, and
    no livelier. By a hand-held meter, whose last digit is coarse, only "probably"."""
    if value.value is None:
        return False
    nothing = max(3.0 * value.standard_uncertainty, lim.SURELY_ZERO_V)
    return abs(value.value) < min(lim.ZERO_V, nothing) and value.spread < lim.LIVELY_V


def has_moved(first: MeterValue, second: MeterValue) -> bool:
    """Whether a near-zero reading drifts, as an amplifier's offset does and an open path does not."""
    if first.value is None or second.value is None:
        return True
    least = max(lim.SURELY_ZERO_V / 2.0, 3.0 * math.hypot(first.spread, second.spread))
    return abs(second.value - first.value) > least or not is_exactly_zero(second)
