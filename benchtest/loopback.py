"""What the sound card with its dividers does by itself, seen in the loopback: response and crosstalk of the bench.

The sweep that measures responses is made here as well, because bench and amplifier are measured with the same one: what
the bench does to it is then divided out. Input and output stay as they are, dividers as built in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from benchtest import signals
from benchtest.instruments.protocols import FloatArray

if TYPE_CHECKING:
    from benchtest.safety import GuardedBench

FADE_S = 0.05
"""The fade that the safety limits put on everything that is played."""
CLEAR = 1.5
"""A sweep is at its full level this many fades from its ends."""
HIGHEST_HZ = 39.5e3
THIRDS_HZ = tuple(round(1000.0 * 10 ** (k / 10.0), 4) for k in range(-17, 14))
"""Third octaves from 20 Hz to 20 kHz, base ten (IEC 61260-1, from memory)."""
CROSSTALK_HZ = (100.0, 400.0, 1000.0, 4000.0, 10000.0)
TAIL_S = 0.2


def full_band_sweep(sample_rate: float, *, low_hz: float = 9.9, high_hz: float = 20.1e3) -> signals.LogSweep:
    """The shortest sweep that is clear of its fades from 10 Hz to 20 kHz, without its fades (the guard puts them on).

    An octave below 20 Hz, so that what the edge of the band does to the response is gone there (0.01 dB). It ends at
    39.5 kHz, or just below half the sample rate, where it must be slower.

    >>> sweep = full_band_sweep(96000)
    >>> round(sweep.seconds, 2), round(sweep.start_hz, 1), round(full_band_sweep(48000).seconds, 1)
    (1.0, 5.0, 3.6)
    """
    stop = min(HIGHEST_HZ, 0.495 * sample_rate)
    if not stop > 1.05 * high_hz:
        raise ValueError(f"a sweep to {high_hz:g} Hz at {sample_rate:g} frames per second. Expected 43 kHz or more.")
    rate_s = CLEAR * FADE_S / math.log(stop / high_hz)
    start = low_hz * high_hz / stop
    return signals.log_sweep(start, stop, 1.0, rate_s * math.log(stop / start), sample_rate, fade_s=0.0)


def as_played(sweep: signals.LogSweep) -> signals.LogSweep:
    """The same sweep with the guard's fades: what its deconvolution needs to know."""
    return signals.log_sweep(sweep.start_hz, sweep.stop_hz, sweep.peak, sweep.seconds, sweep.sample_rate, fade_s=FADE_S)


@dataclass(frozen=True)
class BenchResponse:
    """The bench's own response and crosstalk.

    response_db[channel] is the loopback's level at frequencies_hz relative to that at 1 kHz. crosstalk[channel] is what
    that channel leaves in the other one, as complex ratio, at crosstalk_hz; crosstalk_u the standard uncertainty of its
    real and of its imaginary part, from the noise.
    """

    frequencies_hz: tuple[float, ...]
    response_db: tuple[tuple[float, ...], tuple[float, ...]]
    crosstalk_hz: tuple[float, ...]
    crosstalk_real: tuple[tuple[float, ...], tuple[float, ...]]
    crosstalk_imaginary: tuple[tuple[float, ...], tuple[float, ...]]
    crosstalk_u: tuple[tuple[float, ...], tuple[float, ...]]

    def level_db(self, channel: int, frequency_hz: FloatArray | float) -> FloatArray:
        """The bench's own response at any frequency, straight between the points over the logarithm of frequency."""
        at = np.log(np.asarray(frequency_hz, dtype=np.float64))
        return np.asarray(np.interp(at, np.log(self.frequencies_hz), self.response_db[channel]))

    def leak(self, channel: int, frequency_hz: FloatArray | float) -> np.ndarray[Any, np.dtype[np.complex128]]:
        """What of ``channel`` the bench itself puts into the other one, as complex ratio."""
        at, known = np.log(np.asarray(frequency_hz, dtype=np.float64)), np.log(self.crosstalk_hz)
        real = np.interp(at, known, self.crosstalk_real[channel])
        return np.asarray(real + 1j * np.interp(at, known, self.crosstalk_imaginary[channel]))

    def leak_u(self, channel: int, frequency_hz: float) -> float:
        """Standard uncertainty of the real and of the imaginary part of ``leak``."""
        return float(np.interp(math.log(frequency_hz), np.log(self.crosstalk_hz), self.crosstalk_u[channel]))


def bench_response(bench: GuardedBench, *, share: float = 0.6) -> BenchResponse:
    """Measure it; the sound card must be in loopback. One sweep on both channels, a multitone on each."""
    from benchtest.analysis.sweep import sweep_response
    from benchtest.analysis.tones import fit_tones

    rate = bench.sample_rate
    sweep = full_band_sweep(rate)
    length = sweep.seconds + TAIL_S
    capture = bench.loopback_waveform(sweep.samples, share, bench.channels, window_s=(0.0, length))
    clock: float | None = None
    levels: list[tuple[float, ...]] = []
    for channel in bench.channels:
        found = sweep_response(
            capture.channel(channel), as_played(sweep), frequencies_hz=THIRDS_HZ, orders=(), clock_ratio=clock
        )
        clock = found.clock_ratio
        levels.append(tuple(float(v) for v in found.level_db - found.level_db[THIRDS_HZ.index(1000.0)]))
    shape = signals.multitone(CROSSTALK_HZ, 1.0, 0.5, rate, fade_s=0.0)
    leaks, spreads = [], []
    for channel, other in zip(bench.channels, reversed(bench.channels), strict=True):
        capture = bench.loopback_waveform(shape, share, [channel], window_s=(0.07, 0.43))
        own = fit_tones(capture.channel(channel), rate, CROSSTALK_HZ)
        leak = fit_tones(capture.channel(other), rate, CROSSTALK_HZ, clock_ratio=own.clock_ratio)
        leaks.append(leak.amplitudes / own.amplitudes)
        # a floor is three times the rms of the noise in it; the noise of a bench is about white, and all lines together
        # tell it better than the few bins round each
        each = leak.floors / 3.0 / own.rms
        spreads.append(np.full(len(each), math.sqrt(float(np.mean(each**2)))))
    return BenchResponse(
        frequencies_hz=THIRDS_HZ,
        response_db=(levels[0], levels[1]),
        crosstalk_hz=CROSSTALK_HZ,
        crosstalk_real=(_floats(leaks[0].real), _floats(leaks[1].real)),
        crosstalk_imaginary=(_floats(leaks[0].imag), _floats(leaks[1].imag)),
        crosstalk_u=(_floats(spreads[0]), _floats(spreads[1])),
    )


def from_table(table: dict[str, Any]) -> BenchResponse:
    """The table of a calibration file. Raises ValueError where it is not what ``as_table`` wrote."""
    lists: dict[str, Any] = {}
    for name in BenchResponse.__dataclass_fields__:
        value = table.get(name)
        pair = name not in ("frequencies_hz", "crosstalk_hz")
        rows = value if pair else [value]
        if not (isinstance(rows, list) and len(rows) == (2 if pair else 1)):
            raise ValueError(f"[response] {name} = {value!r}. Expected {'two lists' if pair else 'a list'} of numbers.")
        for row in rows:
            if not (isinstance(row, list) and row and all(isinstance(v, float) and math.isfinite(v) for v in row)):
                raise ValueError(f"[response] {name}: expected finite numbers.")
        checked = tuple(tuple(row) for row in rows)
        lists[name] = checked if pair else checked[0]
    made = BenchResponse(**lists)
    for name, count in (
        ("response_db", len(made.frequencies_hz)), ("crosstalk_real", len(made.crosstalk_hz)),
        ("crosstalk_imaginary", len(made.crosstalk_hz)), ("crosstalk_u", len(made.crosstalk_hz)),
    ):  # fmt: skip
        if any(len(row) != count for row in getattr(made, name)):
            raise ValueError(f"[response] {name}: expected as many numbers as there are frequencies ({count}).")
    return made


def _floats(values: Any) -> tuple[float, ...]:
    return tuple(float(v) for v in values)
