"""Named band limits, each with a stated shape: what a figure of noise or THD+N was measured through.

Brick-wall limits are plain numbers everywhere in the analysis; these are the filters that published methods and common
analysers use. All act on power spectra, so they hold at every sample rate; above half of it nothing was recorded.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class BandLimit:
    """A named filter: what it is, where that is from, and its gain as a plain ratio at frequencies in Hz."""

    name: str
    shape: str
    source: str
    gain: Callable[[FloatArray], FloatArray]


def _butterworth_low(frequency_hz: FloatArray, corner_hz: float, order: int) -> FloatArray:
    result: FloatArray = 1.0 / np.sqrt(1.0 + (frequency_hz / corner_hz) ** (2 * order))
    return result


def _butterworth_high(frequency_hz: FloatArray, corner_hz: float, order: int) -> FloatArray:
    ratio = (frequency_hz / corner_hz) ** order
    result: FloatArray = ratio / np.sqrt(1.0 + ratio**2)
    return result


def _steep_20k(frequency_hz: FloatArray) -> FloatArray:
    # Flat to 20 kHz, then a straight line in dB to -60 dB at 24 kHz, the least that the filter of AES17 must reach
    # there, and on at that slope (from memory of AES17-1998, which leaves the shape in between open).
    slope = np.maximum(0.0, frequency_hz - 20000.0) / 4000.0
    result: FloatArray = 10.0 ** (-3.0 * slope)
    return result


def _low_pass(corner_hz: float) -> Callable[[FloatArray], FloatArray]:
    return lambda f: _butterworth_low(f, corner_hz, 3)


_MEMORY = "from memory"
_PRACTICE = "common practice, no source"

BAND_LIMITS: Mapping[str, BandLimit] = MappingProxyType(
    {
        limit.name: limit
        for limit in (
            BandLimit("20 kHz", "flat to 20 kHz, 60 dB down from 24 kHz on", f"AES17, {_MEMORY}", _steep_20k),
            BandLimit("22 kHz", "low-pass, third-order Butterworth, -3 dB at 22 kHz", _PRACTICE, _low_pass(22000.0)),
            BandLimit("40 kHz", "low-pass, third-order Butterworth, -3 dB at 40 kHz", _PRACTICE, _low_pass(40000.0)),
            BandLimit("80 kHz", "low-pass, third-order Butterworth, -3 dB at 80 kHz", _PRACTICE, _low_pass(80000.0)),
            BandLimit("none", "to half the sample rate", "by definition", lambda f: np.ones_like(f)),
            BandLimit(
                "22.4 Hz to 22.4 kHz",
                "third-order Butterworth on either side, -3 dB at 22.4 Hz and 22.4 kHz",
                f"unweighted band of ITU-R BS.468-4, limits read at second hand as 22 Hz and 22 kHz, slopes {_MEMORY}",
                lambda f: _butterworth_high(f, 22.4, 3) * _butterworth_low(f, 22400.0, 3),
            ),
        )
    }
)


def band_gain(name: str, frequency_hz: ArrayLike) -> FloatArray:
    """Gain of a named band limit at frequencies in Hz, a plain ratio.

    Raises
    ------
    ValueError
        For a name that is not known; the message lists those that are.

    Examples
    --------
    >>> band_gain("22 kHz", [1000.0, 22000.0]).round(3).tolist()
    [1.0, 0.707]
    """
    if name not in BAND_LIMITS:
        raise ValueError(f"no band limit is called {name!r}. Expected one of: {', '.join(BAND_LIMITS)}.")
    return BAND_LIMITS[name].gain(np.abs(np.asarray(frequency_hz, dtype=np.float64)))
