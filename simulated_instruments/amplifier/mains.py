"""The mains at the wall: voltage, frequency, flattened tops, source impedance.

The phase is that of the fundamental and runs on whether anything is switched on or not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchtest.instruments.protocols import FloatArray


@dataclass(frozen=True)
class Mains:
    """Voltage in V rms, frequency in Hz; ``third`` and ``fifth`` are harmonics relative to the fundamental.

    The signs are those of a flattened top: a positive third and a negative fifth take the peak down. 2 % of fifth
    with less of the third is common practice, no source; EN 50160 allows 5 % and 6 % (from memory).
    ``source_ohm`` is the resistance up to the socket; 0.4 ohm is the real part of the reference impedance of
    IEC TR 60725 (from memory).
    """

    voltage: float = 230.0
    frequency: float = 50.0
    third: float = 0.006
    fifth: float = -0.018
    source_ohm: float = 0.4

    def __post_init__(self) -> None:
        if not (self.voltage >= 0.0 and math.isfinite(self.voltage)):
            raise ValueError(f"mains voltage = {self.voltage}. Expected 0 V or more, rms.")
        if not 10.0 <= self.frequency <= 1000.0:
            raise ValueError(f"mains frequency = {self.frequency}. Expected 10 to 1000 Hz, usually 50 or 60.")

    @property
    def omega(self) -> float:
        """Angular frequency, rad/s."""
        return 2.0 * math.pi * self.frequency

    def fundamental_peak(self) -> float:
        """Peak of the fundamental such that the whole wave has the stated rms, V."""
        return self.voltage * math.sqrt(2.0 / (1.0 + self.third**2 + self.fifth**2))


def volts(mains: Mains, phase: FloatArray) -> FloatArray:
    """The wave at these phases (rad), V, from powers of the sine so that a harmonic costs no further sine.

    >>> flat = Mains(third=0.0, fifth=0.0)
    >>> round(float(volts(flat, np.array([math.pi / 2]))[0]), 2)
    325.27
    """
    sine = np.sin(phase)
    square = sine * sine
    # sin 3x = 3 s - 4 s^3; sin 5x = 5 s - 20 s^3 + 16 s^5
    a1 = 1.0 + 3.0 * mains.third + 5.0 * mains.fifth
    a3 = -4.0 * mains.third - 20.0 * mains.fifth
    a5 = 16.0 * mains.fifth
    result: FloatArray = mains.fundamental_peak() * sine * (a1 + square * (a3 + square * a5))
    return result
