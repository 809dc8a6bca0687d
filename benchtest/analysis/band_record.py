"""A Hann-weighted record as the fits see it: whole, or with only the band that matters, on fewer samples.

At 192 kHz nine tenths of a record's samples say nothing about the audio band. The record is transformed once in any case;
the inverse of the bins up to somewhat above the band is the same weighted record on fewer samples, because under Hann
weights a line lies within a few bins (thousands of bins away it is down by 200 dB). Whatever is asked of it is answered in
terms of the whole record: turns are cycles per original sample, time is counted from the original's middle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy import fft
from numpy.typing import NDArray

from benchtest.analysis.phasors import (
    MANY_LINES,
    Sums,
    counted,
    hann_cut,
    many_sums,
    many_waveform,
    multiple_sums,
    order_sums,
    order_waveform,
    sums,
)
from benchtest.analysis.transforms import fast_length

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

MARGIN_CYCLES = 2000
"""So many bins beyond the last line of interest are kept: a line's tail is 1 / (pi 2000^3) there, -208 dB."""

WORTH_IT = 0.5
"""A record is only put on fewer samples if they are fewer than this share of the original's."""


@dataclass(frozen=True)
class BandRecord:
    """n samples of a weighted record, held as ``values``, ``ratio`` original samples apart.

    weights are the Hann weights where the values stand; size is the length of the transform that the record was padded to,
    keep how many of its bins the values hold.
    """

    n: int
    size: int
    keep: int
    ratio: float
    values: FloatArray
    weights: FloatArray

    @staticmethod
    def whole(weighted: FloatArray, weights: FloatArray, size: int) -> BandRecord:
        """All of a weighted record."""
        return BandRecord(len(weighted), size, size // 2 + 1, 1.0, weighted, weights)

    @staticmethod
    def low(bins: ComplexArray, size: int, n: int, keep: int) -> BandRecord:
        """The part of a weighted record of n samples that its first ``keep`` bins hold."""
        # A square, so that the blocks of the sums leave nothing over.
        short = fast_length(int(np.sqrt(2 * keep)) + 1) ** 2
        ratio = size / short
        offset = ratio * (short - 1) / 2 - (n - 1) / 2
        weights = hann_cut(n, ratio, offset, short)
        return BandRecord(n, size, keep, ratio, fft.irfft(bins[:keep], short), weights)

    @staticmethod
    def up_to(turns: float, weighted: FloatArray, weights: FloatArray, bins: ComplexArray, size: int) -> BandRecord:
        """What is needed for lines up to a frequency (cycles per sample): fewer samples where that is worth it."""
        n = len(weighted)
        keep = int(np.ceil((turns + MARGIN_CYCLES / n) * size)) + 1
        if 2 * keep < WORTH_IT * size:
            return BandRecord.low(bins, size, n, keep)
        return BandRecord.whole(weighted, weights, size)

    @property
    def _offset(self) -> float:
        """From the middle of the values to the middle of the record, original samples."""
        return self.ratio * (len(self.values) - 1) / 2 - (self.n - 1) / 2

    def sums(self, turns: FloatArray, *, slope: bool = True) -> Sums:
        """As ``phasors.sums`` of the whole weighted record."""
        at = sums(self.values, turns * self.ratio, slope=slope)
        turn = np.exp(-2j * np.pi * self._offset * turns)
        return Sums(at.value * turn, (self.ratio * at.slope + self._offset * at.value) * turn)

    def energies(self, turns: FloatArray, orders: int) -> FloatArray:
        """Squared magnitude of the sums at 1..orders times each frequency, shape (turns, orders)."""
        value = multiple_sums(self.values, turns * self.ratio, orders)
        result: FloatArray = value.real**2 + value.imag**2
        return result

    def order_sums(self, turns: float, orders: int) -> tuple[ComplexArray, complex]:
        """As ``phasors.order_sums`` of the whole weighted record, for any number of orders."""
        if orders <= MANY_LINES:
            value, slope = order_sums(self.values, turns * self.ratio, orders)
        else:
            value = many_sums(self.values, turns * self.ratio * counted(orders + 1))
            value[:2], slope = order_sums(self.values, turns * self.ratio, 1)
        if self.ratio == 1.0:
            return value, slope
        slope = self.ratio * slope + self._offset * complex(value[1])
        turn = np.exp(-2j * np.pi * self._offset * turns * counted(orders + 1))
        return value * turn, slope * complex(turn[1])

    def bins_of(self, turns: float, amplitudes: ComplexArray) -> ComplexArray:
        """What orders 0, 1, 2, ... of a frequency, with complex peak values at mid-record, put into the kept bins."""
        orders = len(amplitudes) - 1
        if self.ratio != 1.0:
            amplitudes = amplitudes * np.exp(2j * np.pi * self._offset * turns * counted(orders + 1))
        if orders <= MANY_LINES:
            model = order_waveform(amplitudes, turns * self.ratio, len(self.values))
        else:
            model = many_waveform(amplitudes, turns * self.ratio * counted(orders + 1), len(self.values))
        model *= self.weights
        if self.ratio == 1.0:
            whole: ComplexArray = fft.rfft(model, self.size)
            return whole
        low: ComplexArray = fft.rfft(model)[: self.keep] * self.ratio
        return low
