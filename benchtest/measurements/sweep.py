"""One sweep at 1 W on one channel, of which response, high-frequency distortion and separation are read.

Connected: sound card into both inputs, dummy load on, one channel driven, volume and tone controls as set. Played: an
exponential sine sweep from 5 Hz to 39.5 kHz (less where the sample rate is lower) with the peak of 1 W at 1 kHz. Computed:
recording over stimulus for both channels, echoes of the harmonics parted by a window (see ``analysis.sweep``); the bench's
own response and crosstalk, seen in the loopback with the same sweep, are taken off.
The channel must have been seen to respond at 1 W at 1 kHz before.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.analysis.sweep import SweepResponse, sweep_response
from benchtest.calibration import SHARE, Calibration
from benchtest.errors import NotAllowed, NotReachable
from benchtest.instruments.protocols import FloatArray
from benchtest.loopback import TAIL_S, THIRDS_HZ, as_played, full_band_sweep
from benchtest.measurements.estimates import BAND_HZ
from benchtest.safety import Capture, GuardedBench, NotCleared
from benchtest.signals import LogSweep

POINTS_HZ: FloatArray = np.unique(
    np.concatenate([np.geomspace(10.0, 20e3, 133), THIRDS_HZ, [20.0, 40.0, 6300.0, 16e3, 20e3]])
)
"""Where the response is given: twelve an octave, the third octaves, and what limits and makers name."""
REFERENCE_HZ = 1000.0
HANN_LINE_CYCLES = 1.5
"""Noise power in a line under Hann weights, cycles per record (ratio of sums of the weights)."""
Line = tuple[float, float]
"""Frequency (Hz) and rms (V) of a mains line."""
LEAK_RINGS_S = 0.06
"""What leaks into the other channel has no resonance of its own and is near the noise: a short window keeps that out."""


@dataclass(frozen=True)
class Swept:
    """A sweep of one channel: its own response and what reached the other channel, in volts out per volt in.

    own carries distortion of orders 2 and 3; relative_db is the response re 1 kHz with the bench's own taken off.
    level_v is the rms at the terminals at 1 kHz.
    """

    channel: str
    own: SweepResponse
    leak: SweepResponse
    relative_db: FloatArray
    level_v: float
    input_v: float
    rate_s: float
    """Seconds in which the sweep's frequency grows by the factor e."""
    seconds: float
    noise_density: tuple[float, float]
    """Of the driven and of the other channel, V^2/Hz, as heard after the sweep."""
    hum: tuple[tuple[Line, ...], tuple[Line, ...]] = ((), ())
    """Mains lines of the driven and of the other channel, as heard after the sweep."""
    capture: Capture | None = None
    """What all of this was made of, to be kept."""

    def noise(self, frequency_hz: float, *, other: bool = False) -> float:
        """Standard uncertainty, from noise and hum, of the part along itself of a response relative to the driven channel's.

        A sweep of peak A and L seconds per e-fold has the energy density A^2 L / (4 f). The window of the linear
        response (``analysis.sweep``: 0.75 ln 2 of L before, half the sweep after, LEAK_RINGS_S for the other channel, with
        half-cosine ends over half of it) lets noise of density N in as N / 2 times the sum of its squares, one half of that
        along the vector. A mains line of H rms stands through the window: H / sqrt 2 times its sum, less by its transform's
        envelope beside the line; its phase is anyone's, so that 1 / sqrt 2 of it lies along the vector.
        """
        after_s = min(LEAK_RINGS_S, 0.5 * self.seconds) if other else 0.5 * self.seconds
        window_s = 0.75 * math.log(2.0) * self.rate_s + after_s
        level_v = self.level_v * 10.0 ** (float(self.relative_db[self.at(frequency_hz)]) / 20.0)
        energy = 2.0 * level_v**2 * self.rate_s / (4.0 * frequency_hz)
        square = self.noise_density[other] / 4.0 * 0.6875 * window_s
        for hz, rms in self.hum[other]:
            beside = math.pi * abs(frequency_hz - hz) * 0.75 * window_s
            square += (rms * 0.75 * window_s / max(1.0, beside)) ** 2 / 4.0
        return math.sqrt(square / energy)

    def bench_noise(self, calibration: Calibration, channel: int, frequency_hz: float) -> float:
        """The same of the loopback's sweep, by which the bench's own response was found and taken off: as long, at SHARE of
        full scale, beside the noise that the calibration heard; 0 where either is not known."""
        if calibration.noise_v is None or calibration.response is None:
            return 0.0
        played = SHARE * calibration.output_volts_per_full_scale[channel] / math.sqrt(2.0)
        window_s = 0.6875 * (0.75 * math.log(2.0) * self.rate_s + 0.5 * self.seconds)
        density = calibration.noise_v[channel] ** 2 / BAND_HZ
        return math.sqrt(density / 4.0 * window_s / (2.0 * played**2 * self.rate_s / (4.0 * frequency_hz)))

    def harmonic_noise(self, frequency_hz: float, order: int) -> float:
        """The same for a harmonic's ratio to the fundamental: its echo has a window of its own, half of the way to its
        neighbours on either side, and its noise lies at ``order`` times the frequency."""
        window_s = 0.6875 * 0.5 * self.rate_s * (math.log((order + 1) / order) + math.log(order / (order - 1)))
        energy = 2.0 * self.level_v**2 * self.rate_s / (4.0 * order * frequency_hz)
        return math.sqrt(self.noise_density[False] / 4.0 * window_s / energy)

    def at(self, frequency_hz: float) -> int:
        """Index of the point nearest to a frequency."""
        return int(np.argmin(np.abs(np.log(self.own.frequencies_hz / frequency_hz))))


def sweep(bench: GuardedBench, channel: str, *, output_v: float | None = None) -> Swept | str:
    """Sweep one channel at 1 W, or at ``output_v``; the reason in words where it cannot be done."""
    level = output_v if output_v is not None else bench.drive_limits().one_watt_v()
    try:
        if bench.ramp_ended(channel):
            raise NotAllowed(bench.ramp_ended(channel))
        shape = full_band_sweep(bench.sample_rate)
        capture = bench.waveform(
            shape.samples, bench.sample_rate, [channel], output_peak_v=float(np.sqrt(2.0)) * level,
            highest_hz=shape.stop_hz, window_s=(0.0, shape.seconds + TAIL_S),
        )  # fmt: skip
    except (NotCleared, NotReachable, NotAllowed, ValueError) as why:
        return str(why)
    i = bench.channels.index(channel)
    played = as_played(shape)
    highest = 20.1e3 if played.stop_hz > 21e3 else 0.9 * played.stop_hz
    points = POINTS_HZ[np.less_equal(POINTS_HZ, highest)]
    try:
        own = sweep_response(capture.channel(channel), played, frequencies_hz=points, orders=(2, 3))
        other = bench.channels[1 - i]
        leak = sweep_response(
            capture.channel(other), played, frequencies_hz=points, orders=(), clock_ratio=own.clock_ratio,
            rings_s=LEAK_RINGS_S,
        )  # fmt: skip
    except ValueError as why:
        return str(why)
    reference = int(np.argmin(np.abs(points - REFERENCE_HZ)))
    relative = own.level_db - own.level_db[reference]
    if bench.calibration.response is not None:
        relative = relative - bench.calibration.response.level_db(i, points)
    # the stimulus had a peak of 1 in the analysis, and of input_v * sqrt 2 at the socket
    rms = float(np.sqrt(np.mean(np.square(shape.samples))))
    input_v = capture.input_v[i] / rms / float(np.sqrt(2.0))
    return Swept(
        channel, own, leak, relative, float(np.abs(own.response[reference])) / float(np.sqrt(2.0)), input_v,
        played.rate_s, played.seconds, *_heard_after(bench, capture, channel, other, played), capture,
    )  # fmt: skip


def _heard_after(
    bench: GuardedBench, capture: Capture, channel: str, other: str, played: LogSweep
) -> tuple[tuple[float, float], tuple[tuple[Line, ...], tuple[Line, ...]]]:
    """Noise density (V^2/Hz) and mains lines of both channels after the sweep has rung out."""
    rate, first = capture.sample_rate, round((played.seconds + 0.3 * TAIL_S) * capture.sample_rate)
    tails = [capture.channel(c)[first:] for c in (channel, other)]
    densities = [_density(tail, rate) for tail in tails]
    mains = bench.file.bench.mains_frequency
    lines = [mains_lines(tail, rate, density, mains) for tail, density in zip(tails, densities, strict=True)]
    return (densities[0], densities[1]), (lines[0], lines[1])


def mains_lines(tail: FloatArray, rate: int, density: float, mains_hz: float) -> tuple[Line, ...]:
    """rms of the mains and its multiples to the tenth in a short record, the noise of that density taken off as power.

    >>> t = np.arange(12000) / 96000.0
    >>> found = mains_lines(2e-3 * np.sin(2 * np.pi * 100.0 * t), 96000, 0.0, 50.0)
    >>> found[1][0], round(1e3 * found[1][1], 3), round(1e3 * found[3][1], 3)
    (100.0, 1.414, 0.0)
    """
    n = len(tail)
    if n * mains_hz < 4.0 * rate:
        return ()
    window = np.hanning(n)
    left: NDArray[np.complex128] = ((tail - np.mean(tail)) * window).astype(np.complex128)
    once = np.exp(-2j * np.pi * mains_hz / rate * np.arange(n))
    scale, noise = math.sqrt(2.0) / float(np.sum(window)), HANN_LINE_CYCLES * density * rate / n
    found: list[Line] = []
    for order in range(1, 11):
        left *= once
        found.append((order * mains_hz, math.sqrt(max(0.0, (abs(complex(np.sum(left))) * scale) ** 2 - noise))))
    return tuple(found)


def _density(tail: FloatArray, rate: int) -> float:
    """Noise density, V^2/Hz, by the median from 500 Hz to 20 kHz: lines do not move it."""
    window = np.hanning(len(tail))
    power = np.abs(np.fft.rfft((tail - np.mean(tail)) * window)) ** 2 * 2.0 / (rate * float(np.sum(window**2)))
    frequency = np.fft.rfftfreq(len(tail), 1.0 / rate)
    return float(np.median(power[(frequency > 500.0) & (frequency < 20e3)])) / math.log(2.0)
