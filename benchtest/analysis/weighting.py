"""Frequency weightings as gains: A of IEC 61672-1, the noise network of ITU-R BS.468-4, and standard low-passes.

They are used in the frequency domain, on power spectra, so they are exact at every sample rate. The quasi-peak detector
that belongs to BS.468-4 works in time and stands in ``quasi_peak``.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# IEC 61672-1, design equations of the C and A weightings with fr = 1000 Hz, fL = 10**1.5 Hz, fH = 10**3.9 Hz,
# fA = 10**2.45 Hz and D = sqrt(1/2): poles f1 and f4 (double), f2 and f3, unrounded. From memory; the values that
# follow are checked against the printed Table 3 (2 in the edition of 2002) in the tests.
_FR2, _FL2, _FH2, _D = 1.0e6, 10.0**3, 10.0**7.8, np.sqrt(0.5)
_B = (1 / (1 - _D)) * (_FR2 + _FL2 * _FH2 / _FR2 - _D * (_FL2 + _FH2))
_C = _FL2 * _FH2
F1_HZ = float(np.sqrt((-_B - np.sqrt(_B**2 - 4 * _C)) / 2))
F4_HZ = float(np.sqrt((-_B + np.sqrt(_B**2 - 4 * _C)) / 2))
_FA = 10.0**2.45
F2_HZ = float((3 - np.sqrt(5)) / 2 * _FA)
F3_HZ = float((3 + np.sqrt(5)) / 2 * _FA)

# ITU-R BS.468-4 (1986) prints a passive network and a table, no filter. Six poles and a zero at 0 Hz fitted to the 21
# printed responses by least squares; all of them within 0.047 dB, so inside the table's rounding. Hz and Q.
_468_REAL_HZ = (9948.8, 4084.5)
_468_PAIRS_HZ_Q = ((10394.0, 1.7288), (6926.5, 0.9249))


def _a_unnormalised(f2: FloatArray) -> FloatArray:
    result: FloatArray = (
        F4_HZ**2 * f2**2 / ((f2 + F1_HZ**2) * np.sqrt((f2 + F2_HZ**2) * (f2 + F3_HZ**2)) * (f2 + F4_HZ**2))
    )
    return result


_A_AT_1_KHZ = float(_a_unnormalised(np.array(1.0e6)))


def a_weighting(frequency_hz: ArrayLike) -> FloatArray:
    """Gain of the A weighting at the stated frequencies, a plain ratio, 1 at 1 kHz (IEC 61672-1).

    Examples
    --------
    >>> (20 * np.log10(a_weighting([100.0, 1000.0, 10000.0]))).round(1).tolist()
    [-19.1, 0.0, -2.5]
    """
    return _a_unnormalised(np.square(np.asarray(frequency_hz, dtype=np.float64))) / _A_AT_1_KHZ


def c_weighting(frequency_hz: ArrayLike) -> FloatArray:
    """Gain of the C weighting, a plain ratio, 1 at 1 kHz (IEC 61672-1).

    Examples
    --------
    >>> (20 * np.log10(c_weighting([31.62, 1000.0]))).round(1).tolist()
    [-3.0, 0.0]
    """
    f2 = np.square(np.asarray(frequency_hz, dtype=np.float64))
    reference = 1.0e6 / ((1.0e6 + F1_HZ**2) * (1.0e6 + F4_HZ**2))
    result: FloatArray = f2 / ((f2 + F1_HZ**2) * (f2 + F4_HZ**2)) / reference
    return result


def _468_unnormalised(frequency_hz: FloatArray) -> NDArray[np.complex128]:
    s = np.asarray(1j * frequency_hz, dtype=np.complex128)
    response: NDArray[np.complex128] = s.copy()
    for pole in _468_REAL_HZ:
        response = response / (s + pole)
    for natural, q in _468_PAIRS_HZ_Q:
        response = response / (s * s + s * natural / q + natural**2)
    return response


_468_AT_1_KHZ = float(np.abs(_468_unnormalised(np.array([1000.0])))[0])


def itu_r_468_response(frequency_hz: ArrayLike) -> NDArray[np.complex128]:
    """Complex response of the fitted network, magnitude 1 at 1 kHz, for use in time (quasi-peak)."""
    return _468_unnormalised(np.asarray(frequency_hz, dtype=np.float64)) / _468_AT_1_KHZ


def itu_r_468(frequency_hz: ArrayLike) -> FloatArray:
    """Gain of the noise weighting network of ITU-R BS.468-4, a plain ratio, 1 at 1 kHz.

    A rational fit to the printed table (see the comment above it). With an rms detector it is not a 468 reading; the
    variant with 0 dB at 2 kHz (AES17, from memory) is this less 5.6 dB.

    Examples
    --------
    >>> (20 * np.log10(itu_r_468([1000.0, 6300.0]))).round(1).tolist()
    [0.0, 12.2]
    """
    return np.abs(itu_r_468_response(frequency_hz))


def power_curve(gain: Callable[[FloatArray], FloatArray], count: int, step_hz: float, cycle_hz: float) -> FloatArray:
    """Squared gain at 0, step, 2 step, ... Hz, to be applied to a Hann-weighted power spectrum.

    Such a spectrum spreads a line over its neighbours, with a variance of 1/3 of a squared cycle per record (for a line
    on a bin: 1/6, 2/3, 1/6). Where a curve bends, as the A weighting does at low frequencies, that would read too high;
    the curve is bent back by the same amount, to second order.
    """
    frequency = np.arange(count, dtype=np.float64) * step_hz
    curve = np.square(gain(frequency))
    bend = np.square(gain(frequency + cycle_hz)) - 2 * curve + np.square(gain(np.abs(frequency - cycle_hz)))
    result: FloatArray = np.maximum(0.0, curve - bend / 6)
    result.flags.writeable = False
    return result


@lru_cache(maxsize=8)
def a_power_curve(count: int, step_hz: float, cycle_hz: float) -> FloatArray:
    """``power_curve`` of the A weighting; kept, because captures come in the same lengths."""
    return power_curve(a_weighting, count, step_hz, cycle_hz)
