"""What stood in a record: exactly the window that a measurement recorded, once more without noise and the converters' errors.

An amplifier that warms, whose rails sag, is another one a second later: a truth that is looked at in another moment than
the record is another truth. So the amplifier is copied as it begins to be heard (closed-form time behind it, heat, rails and
all), and the copy hears what was emitted in the window, clean. Lines are Fourier sums over the window, written out here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pytest

from simulated_instruments.amplifier import Amplifier
from simulated_instruments.bench import SAMPLE_RATE, SimulatedBench
from simulated_instruments.emission import Emission
from tests.measurements.known_bench import copied
from tests.simulated_instruments.amplifier.playing import line


@dataclass
class Record:
    """One capture: the amplifier as it stood before it, and what was emitted."""

    amplifier: Amplifier
    emission: Emission
    bench: SimulatedBench
    pieces: list[tuple[int, int]] = field(default_factory=list)
    """First and stop of each piece that was rendered: what the model follows from piece to piece (the crossover's table,
    heat) steps where it stepped."""

    def played(self, *, factor: float = 1.0) -> np.ndarray:
        """Volts at both terminals over the window, shape (frames, 2); ``factor`` plays all of it louder or softer."""
        emission = self.emission
        settled = emission.record[0] - emission.render_from
        return self._through([emission.emitted(*piece) * factor for piece in self.pieces])[settled:]

    @property
    def _full_scale(self) -> tuple[float, float]:
        left, right = self.bench.truth.converters.output_full_scale_v
        return left / self.bench.truth.output_divider, right / self.bench.truth.output_divider

    def _through(self, emitted: Iterable[np.ndarray]) -> np.ndarray:
        """Emitted fractions of full scale to volts at the terminals of a quiet copy."""
        twin = copied(self.amplifier)
        twin.noise_scale = 0.0
        for channel in twin.channels:
            channel.noise_scale = 0.0
        full_scale = np.asarray(self._full_scale)
        return np.concatenate([twin.render(piece * full_scale, self.bench.true_rate) for piece in emitted])

    @cached_property
    def volts(self) -> np.ndarray:
        """``played`` as it was."""
        return self.played()

    def line(self, channel: int, frequency_hz: float) -> complex:
        """rms and phase of a line, under Hann weights, as the fits of the project weigh a record: what changes while it is
        recorded counts most in the middle. Two cycles of the record apart, lines do not lean on each other."""
        cycles = len(self.volts) * frequency_hz / SAMPLE_RATE
        assert abs(cycles - round(cycles)) < 1e-6, f"{cycles} cycles in the window: choose whole ones"
        return complex(self._lines[round(cycles), channel])

    @cached_property
    def _lines(self) -> np.ndarray:
        """rms and phase of every line that has whole cycles in the window."""
        n = len(self.volts)
        weights = 1.0 - np.cos(2.0 * math.pi * (np.arange(n) + 0.5) / n)
        lines: np.ndarray = np.fft.rfft(self.volts * weights[:, None], axis=0) * (math.sqrt(2.0) / n)
        return lines

    def harmonics(self, channel: int, frequency_hz: float, orders: Iterable[int]) -> float:
        """rms of the harmonics over the fundamental."""
        own = abs(self.line(channel, frequency_hz))
        return math.hypot(*(abs(self.line(channel, k * frequency_hz)) for k in orders)) / own

    def harmonics_in_a_sweep(self, channel: int, frequency_hz: float, orders: Iterable[int]) -> float:
        """The same where a sweep passes a frequency: up to there the sweep is played, then a tone of the same peak, which
        is looked at from a tenth of a second on."""
        emission = self.emission
        heard = emission.emitted(emission.render_from, emission.record[1])
        there = _passes(heard[:, channel], frequency_hz)
        peak = np.max(np.abs(heard), axis=0)
        n = round(0.2 * SAMPLE_RATE)
        tone = np.sin(2.0 * math.pi * frequency_hz / SAMPLE_RATE * np.arange(n))[:, None] * peak
        volts = self._through([heard[:there], tone])[-n // 2 :, channel]
        own, *others = (abs(line(volts, k * frequency_hz, rate=SAMPLE_RATE)) for k in (1, *orders))
        return math.hypot(*others) / own

    def asked_v(self, channel: int) -> float:
        """rms at the input socket while the window was open."""
        emission = self.emission
        heard = emission.emitted(*emission.record)[:, channel]
        return float(np.std(heard)) * self._full_scale[channel]

    def volts_at_thd(self, channel: int, thd: float, *, frequency_hz: float = 1000.0, highest: int = 20) -> float:
        """The output (rms) at which THD would have been this, had a little more or less been emitted: secant in log THD
        against log level, to a thousandth of a decibel."""

        def at(factor: float) -> tuple[float, float]:
            volts = self.played(factor=factor)[:, channel]
            own, *others = (abs(line(volts, k * frequency_hz, rate=SAMPLE_RATE)) for k in range(1, highest + 1))
            return own, math.log(math.hypot(*others) / own / thd)

        factors = [1.0, 10 ** (0.01 / 20)]
        levels, off = (list(v) for v in zip(*(at(f) for f in factors), strict=True))
        for _ in range(6):
            moved = off[-1] * (factors[-1] - factors[-2]) / (off[-1] - off[-2])
            if abs(moved) < 1e-4:
                return float(levels[-1] - moved * (levels[-1] - levels[-2]) / (factors[-1] - factors[-2]))
            factors.append(factors[-1] - moved)
            level, one = at(factors[-1])
            levels.append(level)
            off.append(one)
        raise AssertionError(f"no level with THD {thd} near this record: {factors}, {off}")

    def separation_db(self, channel: int, frequency_hz: float) -> float:
        """The driven channel's level over what of it is in the other."""
        own, other = (abs(self.line(c, frequency_hz)) for c in (channel, 1 - channel))
        return 20.0 * math.log10(own / other)

    def intermodulation(self, channel: int, low_hz: float, high_hz: float, ratio: float) -> float:
        """Pair sums of orders 2 and 3 over the upper tone (4 to 1), or difference tones over twice it (1 to 1)."""

        def at(m: int, k: int) -> float:
            return abs(self.line(channel, abs(m * low_hz + k * high_hz)))

        if ratio > 1.0:
            return math.hypot(at(-1, 1) + at(1, 1), at(-2, 1) + at(2, 1)) / at(0, 1)
        return math.hypot(at(-1, 1), at(2, -1) + at(-1, 2)) / (2.0 * at(0, 1))


def _passes(sweep: np.ndarray, frequency_hz: float) -> int:
    """The frame after the rising zero crossing from which on a rising sweep's periods are shorter than this one's."""
    rising = np.flatnonzero((sweep[:-1] < 0.0) & (sweep[1:] >= 0.0))
    at = rising + sweep[rising] / (sweep[rising] - sweep[rising + 1])
    return int(rising[np.flatnonzero(np.diff(at) <= SAMPLE_RATE / frequency_hz)[0]]) + 1


class Records(list):
    """All captures of a bench since ``clear``, latest last; ``patched`` has the simulated bench keep them."""

    def patched(self, patch: pytest.MonkeyPatch) -> None:
        render = SimulatedBench._render

        def keeping(bench: SimulatedBench, emission: Emission, stop: int) -> None:
            if emission.cursor == emission.render_from and bench.sound_card_at == "amplifier":
                self.append(Record(copied(bench.amplifier), emission, bench))
            if self and self[-1].emission is emission:
                self[-1].pieces.append((emission.cursor, stop))
            render(bench, emission, stop)

        patch.setattr(SimulatedBench, "_render", keeping)
