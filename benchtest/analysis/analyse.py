"""Every figure of a recording at once: what ``benchtest analyse`` prints and what measurements read.

Field names are those of the JSON. Levels are rms, in volts where the samples are volts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from benchtest.analysis.clipping import clipped
from benchtest.analysis.distortion import decibels
from benchtest.analysis.phasors import hann
from benchtest.analysis.records import all_channels, check_band, check_fundamental, check_rate
from benchtest.analysis.tone import Channel, take_apart

CHANNEL_NAMES = ("left", "right")


@dataclass(frozen=True)
class Harmonic:
    """One harmonic. level_v is rms; level_db is relative to the fundamental of its channel; phase_deg is its phase less
    order times the fundamental's, both as cosines. All three are None where the harmonic is below its own
    uncertainty."""

    order: int
    level_db: float | None
    level_v: float | None
    phase_deg: float | None


@dataclass(frozen=True)
class HumLine:
    """One hum line. level_v (rms) is None where it is lost in noise or coincides with the tone or a harmonic."""

    frequency_hz: float
    level_v: float | None


@dataclass(frozen=True)
class ChannelAnalysis:
    """The figures of one channel; None where there is none. See design of the JSON in ``Analysis``.

    level_v is the rms level of the fundamental. thd counts harmonics from order 2 to the end of the band; one that is
    lost in noise is counted as found, so noise can only raise it; None where no harmonic fits into the band. thd_n
    counts everything in the band but the fundamental. The _of_total_ forms relate to the rms sum of fundamental and
    that everything. noise_v is what is left in the band without harmonics and hum lines. silent: no tone stands above
    the noise.
    """

    channel: str
    frequency_hz: float | None
    level_v: float | None
    dc_v: float
    thd_percent: float | None
    thd_db: float | None
    thd_of_total_percent: float | None
    thd_n_percent: float | None
    thd_n_db: float | None
    thd_n_of_total_percent: float | None
    harmonics: tuple[Harmonic, ...]
    noise_v: float
    noise_a_weighted_v: float
    hum: tuple[HumLine, ...]
    clipped: bool
    silent: bool

    @property
    def thd(self) -> float | None:
        """THD relative to the fundamental as a plain ratio."""
        return None if self.thd_percent is None else self.thd_percent / 100

    @property
    def thd_n(self) -> float | None:
        """THD+N relative to the fundamental as a plain ratio."""
        return None if self.thd_n_percent is None else self.thd_n_percent / 100

    @property
    def sinad_db(self) -> float | None:
        """Fundamental over everything else in the band, dB."""
        return None if self.thd_n_db is None else -self.thd_n_db

    @property
    def hum_v(self) -> float:
        """rms sum of the hum lines that have a level; 0 where none stands out of the noise."""
        return math.hypot(*(line.level_v for line in self.hum if line.level_v is not None))


@dataclass(frozen=True)
class Analysis:
    """The figures of a recording.

    band_hz is the band that was used: its upper end is half the sample rate where less was recorded than asked for.
    channel_balance_db is right relative to left; None unless both channels carry a tone of the same frequency.
    """

    sample_rate: float
    duration_s: float
    band_hz: tuple[float, float]
    channels: tuple[ChannelAnalysis, ...]
    channel_balance_db: float | None

    def as_dict(self) -> dict[str, Any]:
        """Plain dictionaries, lists and numbers, as the JSON has them."""
        return {
            "sample_rate": self.sample_rate,
            "duration_s": self.duration_s,
            "band_hz": list(self.band_hz),
            "channels": [
                {
                    **{name: getattr(channel, name) for name in ChannelAnalysis.__dataclass_fields__},
                    "harmonics": [dict(vars(harmonic)) for harmonic in channel.harmonics],
                    "hum": [dict(vars(line)) for line in channel.hum],
                }
                for channel in self.channels
            ],
            "channel_balance_db": self.channel_balance_db,
        }


def analyse(
    samples: ArrayLike,
    sample_rate: float,
    *,
    fundamental_hz: float | None = None,
    band_hz: tuple[float, float] = (20.0, 20000.0),
    full_scale_v: float | None = None,
    hum: bool = True,
) -> Analysis:
    """Measure every figure of a recording.

    Parameters
    ----------
    samples : array_like, shape (frames, channels)
        Volts (any linear unit will do); column 0 is left. One dimension is taken for a single channel.
    sample_rate : float, Hz
    fundamental_hz : float, optional
        Which line to look for, within 2 % and two cycles per record; its frequency is found from the data. Without it,
        the strongest line of each channel is its fundamental.
    band_hz : (float, float)
        Brick-wall limits of everything that is counted; the upper one is brought down to half the sample rate.
    full_scale_v : float, optional
        The converter's limit in the unit of the samples: reaching it is clipping. Flat tops are found without it.
    hum : bool
        False saves a third of the time: mains lines are not looked for, and count as noise.

    Raises
    ------
    ValueError
        For samples of another shape, fewer than 16, or not finite; an empty band; a fundamental above half the sample
        rate, or of which the record holds fewer than three cycles.

    Notes
    -----
    THD, harmonics: joint least-squares fit (``harmonics``). THD+N: brick-wall band, fundamental removed by the fit,
    where a standard notch (AES17) takes a little of the neighbourhood with it. Nothing here is a verdict.

    Examples
    --------
    >>> t = np.arange(9600) / 48000
    >>> x = np.cos(2 * np.pi * 1000.1 * t)
    >>> result = analyse(np.column_stack([x + 0.02 * x**2, 0.5 * x]), 48000)
    >>> left = result.channels[0]
    >>> round(left.frequency_hz, 3), round(left.thd_percent, 6), round(result.channel_balance_db, 4)
    (1000.1, 1.0, -6.0206)
    """
    x = all_channels(samples)
    rate = check_rate(sample_rate)
    band = check_band(band_hz, rate)
    if fundamental_hz is not None:
        fundamental_hz = check_fundamental(fundamental_hz, len(x), rate)
    weights = hann(len(x))
    channels = []
    for index in range(x.shape[1]):
        one = np.ascontiguousarray(x[:, index])
        parts = take_apart(one, rate, band, fundamental_hz=fundamental_hz, weights=weights, hum=hum)
        name = CHANNEL_NAMES[index] if index < len(CHANNEL_NAMES) else f"channel_{index + 1}"
        channels.append(_worded(name, parts, clipped(one, full_scale=full_scale_v)))
    return Analysis(
        sample_rate=sample_rate,
        duration_s=len(x) / rate,
        band_hz=band,
        channels=tuple(channels),
        channel_balance_db=balance(channels, len(x) / rate),
    )


def _worded(name: str, parts: Channel, is_clipped: bool) -> ChannelAnalysis:
    tone = parts.fundamental
    harmonics: list[Harmonic] = []
    thd = thd_n = total = None
    if tone is not None:
        for index, (level, phase, floor) in enumerate(zip(parts.harmonics, parts.phases, parts.floors, strict=True)):
            if level > floor:
                decibel = decibels(float(level) / tone.level)
                harmonics.append(Harmonic(index + 2, decibel, float(level), float(np.degrees(phase))))
            else:
                harmonics.append(Harmonic(index + 2, None, None, None))
        distortion = tone.level * float(np.linalg.norm(parts.harmonics / tone.level))
        total = float(np.hypot(tone.level, parts.total_residual))
        thd = distortion if len(parts.harmonics) else None
        thd_n = parts.total_residual
    hum: list[HumLine] = []
    if parts.hum is not None:
        for index, (level, floor) in enumerate(zip(parts.hum.levels, parts.hum.floors, strict=True)):
            seen = bool(level > floor)  # False for NaN: coincides with the tone
            hum.append(HumLine(parts.hum.mains_hz * (index + 1), float(level) if seen else None))

    def percent(value: float | None, reference: float | None) -> float | None:
        return None if value is None or reference is None else float(100.0 * value / reference)

    level = tone.level if tone is not None else None
    return ChannelAnalysis(
        channel=name,
        frequency_hz=tone.frequency_hz if tone is not None else None,
        level_v=level,
        dc_v=parts.dc,
        thd_percent=percent(thd, level),
        thd_db=decibels(thd / level) if thd is not None and level is not None else None,
        thd_of_total_percent=percent(thd, total),
        thd_n_percent=percent(thd_n, level),
        thd_n_db=decibels(thd_n / level) if thd_n is not None and level is not None else None,
        thd_n_of_total_percent=percent(thd_n, total),
        harmonics=tuple(harmonics),
        noise_v=parts.noise,
        noise_a_weighted_v=parts.noise_a,
        hum=tuple(hum),
        clipped=is_clipped,
        silent=tone is None,
    )


def balance(channels: list[ChannelAnalysis], seconds: float) -> float | None:
    """Right relative to left in dB; None unless both carry one tone, its frequency alike within what the record
    parts."""
    if len(channels) != 2:
        return None
    left, right = channels
    if left.level_v is None or right.level_v is None or left.frequency_hz is None or right.frequency_hz is None:
        return None
    if not abs(left.frequency_hz - right.frequency_hz) < 1.0 / seconds:
        return None
    return decibels(right.level_v / left.level_v)
