"""The steady state of one channel under a sine: what meters read and what heats, without a waveform being rendered."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .channel import Channel


@dataclass(frozen=True)
class Drive:
    """A sine at both inputs, V rms at the sockets (left, right); what ``advance`` and ``probe`` take for the signal."""

    input_rms: tuple[float, float]
    frequency_hz: float = 1000.0


SILENCE = Drive((0.0, 0.0))

_SINE = np.sin(2.0 * np.pi * (np.arange(64) + 0.5) / 64.0)


@dataclass(frozen=True)
class Operating:
    """Steady state of one channel under a drive. Volts at the output devices, amperes averaged."""

    dc_v: float
    rms_v: float
    """Of the alternating part, V."""
    positive_a: float
    negative_a: float
    load_rms_a: float
    watts: float
    """Turned into heat in the output stage and the small-signal stages."""


def living(positive_v: float, negative_v: float) -> float:
    """How far an amplifier on these rails works, 0 to 1: nothing below 4 V, all from 12 V on (common practice)."""
    return min(1.0, max(0.0, (max(positive_v, -negative_v) - 4.0) / 8.0))


def operating_point(
    channel: Channel, rails: tuple[float, float], total_ohm: float, dc_v: float, peak_v: float
) -> Operating:
    """Where a channel settles: ``dc_v`` without a signal, ``peak_v`` asked for by the drive, into ``total_ohm``.

    Currents of the halves are those of a hyperbola between idle and load current; without clipping its mean is taken as
    the root of the squares of idle current and of the half sine's mean (peak over pi).
    """
    works = living(*rails)
    design = channel.design
    idle = channel.idle_a * 0.5 * len(design.output_stage.devices) * works
    conductance = 0.0 if math.isinf(total_ohm) else 1.0 / total_ohm
    low, high = channel.limits(rails, total_ohm)
    if peak_v == 0.0:
        rms, mean = 0.0, dc_v
        current = dc_v * conductance
        root = math.sqrt(0.25 * current * current + idle * idle)
        positive, negative = root + 0.5 * current, root - 0.5 * current
    elif peak_v + abs(dc_v) <= min(high, -low):
        rms, mean = peak_v / math.sqrt(2.0), dc_v
        half = math.hypot(idle, peak_v * conductance / math.pi)
        shift = 0.5 * dc_v * conductance
        positive, negative = half + max(0.0, shift), half + max(0.0, -shift)
    else:
        wave = np.clip(dc_v + peak_v * _SINE, low, high)
        mean, rms = float(wave.mean()), float(wave.std())
        load = wave * conductance
        roots = np.sqrt(0.25 * load * load + idle * idle)
        positive, negative = float((roots + 0.5 * load).mean()), float((roots - 0.5 * load).mean())
    if channel.stuck:
        positive, negative = positive + channel.through_a, negative + channel.through_a
    load_a = math.hypot(rms, mean) * conductance
    more = design.standing_a * works
    if design.network.oscillates:
        more += design.network.oscillation_a * works
    positive, negative = positive + more, negative + more
    watts = positive * rails[0] - negative * rails[1]
    if conductance:
        watts -= load_a * load_a / conductance
    return Operating(mean, rms, positive, negative, load_a, max(0.0, watts))
