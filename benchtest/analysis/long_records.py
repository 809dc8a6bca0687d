"""Long recordings, in blocks: the figures of ``analyse`` with memory that does not grow with the record.

The record is cut into stretches of a few seconds, each is taken apart on its own, and the parts are put together:
powers are averaged, frequency is weighted by level, phases of harmonics (which do not depend on where a stretch
begins) as complex numbers. So a slow drift of frequency or level is followed, where one fit over ten minutes would
smear it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from benchtest.analysis.analyse import (
    CHANNEL_NAMES,
    Analysis,
    ChannelAnalysis,
    Harmonic,
    HumLine,
    analyse,
    balance,
)
from benchtest.analysis.distortion import decibels
from benchtest.analysis.records import MIN_FRAMES, all_channels, check_rate

FloatArray = NDArray[np.float64]

STRETCH_S = 2.0
"""Length of a stretch; 100 cycles of 50 Hz."""


def analyse_blocks(
    blocks: Iterable[FloatArray],
    sample_rate: float,
    *,
    fundamental_hz: float | None = None,
    band_hz: tuple[float, float] = (20.0, 20000.0),
    full_scale_v: float | None = None,
    stretch_s: float = STRETCH_S,
) -> Analysis:
    """As ``analyse``, for a recording that arrives in blocks of any length.

    Parameters
    ----------
    blocks : iterable of ndarray, shape (frames, channels)
        Successive parts of one recording, such as a file reader yields; each may be dropped after it was taken.
    stretch_s : float, seconds
        Length of what is analysed at a time; what is left at the end joins the last stretch.

    Returns
    -------
    Analysis
        A recording no longer than two stretches is analysed whole. A longer one is silent only where every stretch is;
        stretches without the tone then count as noise of the others do: their power is averaged, with no fundamental.

    Raises
    ------
    ValueError
        As ``analyse``; also if blocks disagree in their number of channels or there are none.

    Examples
    --------
    >>> t = np.arange(48000 * 6) / 48000
    >>> x = np.column_stack([np.sin(2 * np.pi * 997 * t), 0.5 * np.sin(2 * np.pi * 997 * t)])
    >>> result = analyse_blocks((x[i : i + 10000] for i in range(0, len(x), 10000)), 48000)
    >>> round(result.duration_s), round(result.channel_balance_db, 4)
    (6, -6.0206)
    """
    rate = check_rate(sample_rate)
    length = max(MIN_FRAMES, round(stretch_s * rate))
    sums: list[_Sum] = []
    frames = 0
    band = band_hz
    first: Analysis | None = None
    count = 0
    for stretch in _stretches(blocks, length):
        result = analyse(
            stretch, sample_rate, fundamental_hz=fundamental_hz, band_hz=band_hz, full_scale_v=full_scale_v
        )
        if not sums:
            sums = [_Sum() for _ in result.channels]
            first, band = result, result.band_hz
        for total, channel in zip(sums, result.channels, strict=True):
            total.add(channel, len(stretch))
        frames += len(stretch)
        count += 1
    if first is None:
        raise ValueError("there is nothing in the recording. Expected blocks of shape (frames, channels).")
    if count == 1:
        return first
    channels = tuple(total.finish(_name(index), frames) for index, total in enumerate(sums))
    return Analysis(
        sample_rate=sample_rate,
        duration_s=frames / rate,
        band_hz=band,
        channels=channels,
        channel_balance_db=balance(list(channels), stretch_s),
    )


def _name(index: int) -> str:
    return CHANNEL_NAMES[index] if index < len(CHANNEL_NAMES) else f"channel_{index + 1}"


def _stretches(blocks: Iterable[FloatArray], length: int) -> Iterator[FloatArray]:
    """Cut a stream into stretches of ``length`` frames; the last has up to two of them."""
    held: list[FloatArray] = []
    frames = 0
    channels = None
    for block in blocks:
        part = np.asarray(block, dtype=np.float64)
        part = part[:, None] if part.ndim == 1 else part
        if part.ndim != 2 or (channels is not None and part.shape[1] != channels):
            raise ValueError(
                f"a block of shape {part.shape}. Expected (frames, channels), as many channels in every block."
            )
        channels = part.shape[1]
        held.append(part)
        frames += len(part)
        while frames >= 2 * length:
            joined = np.concatenate(held) if len(held) > 1 else held[0]
            yield joined[:length]
            held = [joined[length:]]
            frames -= length
    if frames:
        yield all_channels(np.concatenate(held))


@dataclass
class _Sum:
    """Sums over stretches, weighted by their length; powers where levels are wanted."""

    frames: int = 0
    toned: int = 0
    frequency: float = 0.0
    level: float = 0.0
    dc: float = 0.0
    noise: float = 0.0
    noise_a: float = 0.0
    residual: float = 0.0
    distortion: float = 0.0
    has_thd: bool = False
    harmonics: dict[int, complex] = field(default_factory=dict)
    hum: dict[int, tuple[float, float, int]] = field(default_factory=dict)
    clipped: bool = False

    def add(self, channel: ChannelAnalysis, frames: int) -> None:
        self.frames += frames
        self.dc += channel.dc_v * frames
        self.noise += channel.noise_v**2 * frames
        self.noise_a += channel.noise_a_weighted_v**2 * frames
        self.clipped |= channel.clipped
        if channel.level_v is not None and channel.frequency_hz is not None:
            power = channel.level_v**2
            self.toned += frames
            self.level += power * frames
            self.frequency += channel.frequency_hz * power * frames
            self.residual += ((channel.thd_n or 0.0) * channel.level_v) ** 2 * frames
            if channel.thd is not None:
                self.has_thd = True
                self.distortion += (channel.thd * channel.level_v) ** 2 * frames
            for harmonic in channel.harmonics:
                held = self.harmonics.get(harmonic.order, 0j)
                if harmonic.level_v is not None and harmonic.phase_deg is not None:
                    held += harmonic.level_v * np.exp(1j * np.radians(harmonic.phase_deg)) * frames
                self.harmonics[harmonic.order] = held
        for order, line in enumerate(channel.hum, start=1):
            power, weighted, seen = self.hum.get(order, (0.0, 0.0, 0))
            if line.level_v is not None:
                square = line.level_v**2 * frames
                self.hum[order] = (power + square, weighted + line.frequency_hz * square, seen + frames)
            else:
                self.hum[order] = (power, weighted, seen)

    def finish(self, name: str, frames: int) -> ChannelAnalysis:
        noise, noise_a = np.sqrt(self.noise / frames), np.sqrt(self.noise_a / frames)
        level = frequency = thd = thd_n = total = None
        harmonics: list[Harmonic] = []
        if self.toned and self.level > 0.0:
            level = float(np.sqrt(self.level / self.toned))
            frequency = self.frequency / self.level
            thd = float(np.sqrt(self.distortion / self.toned)) if self.has_thd else None
            thd_n = float(np.sqrt(self.residual / self.toned))
            total = float(np.hypot(level, thd_n))
            for order, mean in sorted(self.harmonics.items()):
                size = abs(mean) / self.toned
                if size > 0.0:
                    phase = float(np.degrees(np.angle(mean)))
                    harmonics.append(Harmonic(order, decibels(size / level), float(size), phase))
                else:
                    harmonics.append(Harmonic(order, None, None, None))

        def percent(value: float | None, reference: float | None) -> float | None:
            return None if value is None or reference is None else 100.0 * value / reference

        return ChannelAnalysis(
            channel=name,
            frequency_hz=frequency,
            level_v=level,
            dc_v=self.dc / frames,
            thd_percent=percent(thd, level),
            thd_db=decibels(thd / level) if thd is not None and level is not None else None,
            thd_of_total_percent=percent(thd, total),
            thd_n_percent=percent(thd_n, level),
            thd_n_db=decibels(thd_n / level) if thd_n is not None and level is not None else None,
            thd_n_of_total_percent=percent(thd_n, total),
            harmonics=tuple(harmonics),
            noise_v=float(noise),
            noise_a_weighted_v=float(noise_a),
            hum=self._hum_lines(frames),
            clipped=self.clipped,
            silent=level is None,
        )

    def _hum_lines(self, frames: int) -> tuple[HumLine, ...]:
        seen = {order: weighted / power / order for order, (power, weighted, _) in self.hum.items() if power > 0.0}
        if not seen:
            return ()
        strongest = max(seen, key=lambda order: self.hum[order][0])
        mains = seen[strongest]
        lines = []
        for order, (power, _, count) in sorted(self.hum.items()):
            # A line seen in less than half of the record is not said to be there.
            level = float(np.sqrt(power / frames)) if power > 0.0 and 2 * count >= frames else None
            lines.append(HumLine(mains * order, level))
        return tuple(lines)
