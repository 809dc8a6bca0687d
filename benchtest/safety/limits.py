"""The figures behind the safety limits, as pure functions of numbers.

All of it is common practice, no source, unless a reference is named; values marked [c] are computed here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

DC_GOOD_V = 0.050
DC_NOTE_V = 0.100
"""Up to here a direct-coupled output goes on, noted above DC_GOOD_V."""
DC_STOP_V = 0.300
"""Above this nothing is driven; between DC_NOTE_V and this: dummy load and 1 W only."""
ZERO_V = 0.0002
"""Below this, and no livelier than shorted leads, a reading is exactly zero: the path may be open."""
SURELY_ZERO_V = 20e-6
"""A bench meter tells this from zero; an offset that drifts through zero is this near to it for a moment only."""
ZERO_AGAIN_S = 20.0
"""After which a zero is read again: an offset drifts, an open path does not."""
ZERO_OTHER_V = 0.002
"""A zero is telling where the other channel shows more than this."""
LIVELY_V = 30e-6
"""Spread of repeated readings above which a lead is alive (an amplifier's low-frequency noise)."""
LIVELY_AC_V = 100e-6
"""AC volts above which a lead is alive. A power amplifier hisses and hums some tenths of a millivolt into 1 kilohm; shorted
leads show what the meter does by itself, which its accuracy statement covers."""
WATCH_SLOW_V, WATCH_SLOW_S = 0.5, 1.0
WATCH_FAST_V, WATCH_FAST_S = 5.0, 0.2
"""The DC watch trips at 0.5 V for 1 s or 5 V for 0.2 s, referred to the output."""
WATCH_OVERDUE_S = 1.0
"""A reading of the DC watch that has not come so long after it was asked for: tone off. It takes 0.4 s (10 power-line
cycles, twice for auto zero), and this is as long as 0.5 V may stand. Judgement, no source."""
OTHER_OVERDUE_S = 4.0
"""The same for another meter that is read while a tone stands (an AC filter settles for up to 1.5 s, ranges are changed)."""
LOOK_BETWEEN_S = 2.0
"""Without a DC watch: how old the last look at the outputs between two tones may be."""
WATCH_WEIGHTS = (0.32, 0.68)
"""Left and right through 100 k and 47 k into one meter: 47/147 and 100/147 [c]."""
WATCH_LOWEST_HZ = 40.0
"""Below this the tone itself reaches the watching meter."""
FADE_S = 0.05
FIRST_V = 0.05
SECOND_V = 0.3
GAIN_MOVED_DB = 0.5
REFERENCE_HZ = 1000.0
"""Gain is learnt and levels are verified by tones within an octave of this."""
RESPONSE_MOVED_DB = 6.0
"""A tone elsewhere may differ by so much from what the gain at 1 kHz predicts; more ends the ramp. Judgement, no source."""
RAIL_SAG_NOTE, RAIL_SAG_STOP = 0.20, 0.30
RAIL_SAG_SOAK = 0.15
"""In a tone of more than LONGEST_HOT_S, during which the rails are read again and again."""
THD_LOW_LEVEL = 0.01
"""Distortion above this below a tenth of rated power ends the ramp."""
LONGEST_HOT_S = 10.0
"""Seconds above half power in one ramp; a rest three times as long follows."""
REST_RATIO = 3.0
LOAD_CONTINUOUS = 0.5
"""Share of the dummy load's rating as mounted that it bears without rests."""
EMPTY_V = 2.0
"""Ohms only below this on every rail."""
INPUT_SHARE = 0.9
"""Share of the sound card's full scale that a predicted peak may use."""
INPUT_ABOVE_SENSITIVITY = 4.0
"""The input may be driven to so many times (12 dB) what makes rated power at full volume: with the volume turned down the
gain that is measured would ask for more, and the stages before the volume control clip. Judgement, no source."""
UNKNOWN_GAIN = 200.0
"""Gain (46 dB) assumed of an amplifier of which nothing is known, until it has been measured."""
ABOVE_RATED = 1.3
BURST_ABOVE_RATED = 2.0
"""Bursts of 20 ms: up to 3 dB above rated power."""
BURST_RUNG = 10 ** (0.52 / 20)
"""Bursts rise by 0.5 dB."""
LONGEST_BURST_S = 0.020
BURST_SHARE = 0.05
"""Bursts fill at most so much of the time; in between the level is 20 dB lower."""
ZOBEL_OHM, ZOBEL_F, ZOBEL_W = 10.0, 100e-9, 0.5
"""The output network that high frequencies heat: 10 ohm + 0.1 uF, and what its resistor bears."""


@dataclass(frozen=True)
class DriveLimits:
    """What bounds the drive of one bench with one amplifier. Volts are rms at the speaker terminals."""

    load_ohm: tuple[float, float]
    load_rating_w: float
    rated_power_w: float | None
    rated_load_ohm: float
    input_peak_v: tuple[float, float]
    """Peak volts at the terminals that fill the sound card's input, per channel, before INPUT_SHARE."""

    def one_watt_v(self) -> float:
        """The voltage of 1 W into the rated load: 2.828 V for 8 ohm."""
        return math.sqrt(self.rated_load_ohm)

    def rated_v(self) -> float | None:
        return None if self.rated_power_w is None else math.sqrt(self.rated_power_w * self.rated_load_ohm)

    def highest_v(self, channel: int, load_ohm: float | None, frequency_hz: float = 1000.0) -> float:
        """The highest predicted rms output that any drive of this channel may have, whatever was verified.

        The lowest of: the load's rating (as mounted), the sound card's input, 1.3 times rated power, and what the
        output network bears at this frequency.
        """
        bounds = [INPUT_SHARE * self.input_peak_v[channel] / math.sqrt(2.0), network_limit_v(frequency_hz)]
        if load_ohm is not None:
            bounds.append(math.sqrt(self.load_rating_w * load_ohm))
        rated = self.rated_v()
        if rated is not None:
            bounds.append(rated * math.sqrt(ABOVE_RATED))
        return min(bounds)

    def highest_burst_v(self, channel: int, load_ohm: float) -> float | None:
        """The highest rms inside a burst of 20 ms; None where no power is rated.

        The lowest of: 3 dB above rated power, the sound card's input, what the output network bears at 1 kHz, and ten
        times the load's rating, which a burst in twenty-five fills to less than a half.
        """
        rated = self.rated_v()
        if rated is None:
            return None
        bounds = [
            rated * math.sqrt(BURST_ABOVE_RATED), INPUT_SHARE * self.input_peak_v[channel] / math.sqrt(2.0),
            network_limit_v(REFERENCE_HZ), math.sqrt(10.0 * self.load_rating_w * load_ohm),
        ]  # fmt: skip
        return min(bounds)


def near_reference(frequency_hz: float) -> bool:
    """Whether a tone is near enough to 1 kHz to teach gain and level.

    >>> near_reference(997.0), near_reference(10e3)
    (True, False)
    """
    return REFERENCE_HZ / 2.0 <= frequency_hz <= REFERENCE_HZ * 2.0


def network_limit_v(frequency_hz: float) -> float:
    """The rms voltage at which the output network's resistor dissipates ZOBEL_W.

    P = (V w C)^2 R / (1 + (w R C)^2): at 20 kHz and 28.3 V it is 1.24 W [c].

    >>> round((28.28 / network_limit_v(20e3)) ** 2 * ZOBEL_W, 2)
    1.24
    """
    w = 2.0 * math.pi * frequency_hz
    watts_per_v2 = (w * ZOBEL_F) ** 2 * ZOBEL_OHM / (1.0 + (w * ZOBEL_OHM * ZOBEL_F) ** 2)
    return math.sqrt(ZOBEL_W / watts_per_v2)


def next_rung(verified_v: float, limits: DriveLimits) -> float:
    """The highest output that may be tried after ``verified_v`` has been seen to respond.

    50 mV, 0.3 V, 1 W, then 3 dB steps to half power, 1 dB to 1 dB below rated, 0.25 dB to the end. Without a rating:
    3 dB steps up to 5 W, 1 dB beyond.

    >>> limits = DriveLimits((8, 8), 200, 60, 8, (40, 40))
    >>> next_rung(0.0, limits), next_rung(0.05, limits), round(next_rung(0.3, limits), 3)
    (0.05, 0.3, 2.828)
    """
    tolerance = 0.9  # a verified level may be a little low: the gain was not known exactly
    one_watt = limits.one_watt_v()
    if verified_v < FIRST_V * tolerance * 0.5:
        return FIRST_V
    if verified_v < SECOND_V * tolerance:
        return SECOND_V
    if verified_v < one_watt * tolerance:
        return one_watt
    rated = limits.rated_v()
    half = rated / math.sqrt(2.0) if rated is not None else math.sqrt(5.0 * limits.rated_load_ohm)
    if verified_v < half * 10 ** (-0.05 / 20):
        return min(verified_v * 10 ** (3.02 / 20), max(half, verified_v * 1.01))
    if rated is None or verified_v < rated * 10 ** (-1.05 / 20):
        return verified_v * 10 ** (1.02 / 20)
    return verified_v * 10 ** (0.26 / 20)


def sag(rails: tuple[float, float], idle: tuple[float, float]) -> float:
    """By what share the rail that fell most is below its idle value; 0 where the idle rails are not known.

    >>> round(sag((40.0, -34.0), (41.0, -40.0)), 3), sag((40.0, -34.0), (0.0, 0.0))
    (0.15, 0.0)
    """
    falls = [1.0 - abs(now / before) for now, before in zip(rails, idle, strict=True) if abs(before) > 1.0]
    return max(falls, default=0.0)


def watch_referred_v(meter_v: float) -> float:
    """The DC watch's reading referred to the output, by the smaller weight, so that neither channel is under-read.

    >>> round(watch_referred_v(0.16), 3)
    0.5
    """
    return abs(meter_v) / min(WATCH_WEIGHTS)
