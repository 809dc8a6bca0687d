"""Noise and hum where nothing is played, and weighted levels of anything.

``noise`` parts hum from noise; ``weighted_rms`` is what a meter with that weighting shows, hum and all, which is what
published signal-to-noise figures mean. The quasi-peak reading of BS.468-4 stands in ``quasi_peak``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchtest.analysis.analyse import HumLine
from benchtest.analysis.band_limits import band_gain
from benchtest.analysis.hum import COMPONENT
from benchtest.analysis.records import check_band, check_rate, one_channel
from benchtest.analysis.spectrum import power_spectrum
from benchtest.analysis.tone import take_apart
from benchtest.analysis.weighting import a_power_curve, a_weighting, c_weighting, itu_r_468, power_curve

FloatArray = NDArray[np.float64]

WEIGHTINGS: dict[str, Callable[[ArrayLike], FloatArray]] = {
    "none": lambda f: np.ones_like(np.asarray(f, dtype=np.float64)),
    "A": a_weighting,
    "C": c_weighting,
    "468": itu_r_468,
    # AES17, from memory: the 468 curve with 0 dB at 2 kHz and an rms meter.
    "468, 0 dB at 2 kHz": lambda f: itu_r_468(f) * 10 ** (-5.6 / 20),
}


@dataclass(frozen=True)
class Noise:
    """Levels of a record in which no tone was played, rms in the unit of the samples.

    noise_v and noise_a_weighted_v leave the hum lines out; hum_v is their rms sum (0 where none stands out of the
    noise); total_v is everything in the band but dc. mains_hz is None where no hum was found.

    The fields in _u are standard uncertainties from one record's scatter, by the spectrum that it showed: of the noise
    levels, of the total (hum lines beside noise scatter with it), and of each line in ``hum``.
    """

    noise_v: float
    noise_a_weighted_v: float
    hum_v: float
    total_v: float
    mains_hz: float | None
    hum: tuple[HumLine, ...]
    dc_v: float
    noise_u: float = 0.0
    noise_a_weighted_u: float = 0.0
    total_u: float = 0.0
    hum_u: tuple[float, ...] = ()


def noise(samples: ArrayLike, sample_rate: float, *, band_hz: tuple[float, float] = (20.0, 20000.0)) -> Noise:
    """Noise and hum of one channel while nothing is played.

    Raises
    ------
    ValueError
        If the shape is wrong, a sample is not finite, or the band is empty.

    Examples
    --------
    >>> t = np.arange(48000) / 48000
    >>> x = 1e-3 * np.random.default_rng(0).standard_normal(48000) + 0.01 * np.sin(2 * np.pi * 100 * t)
    >>> result = noise(x, 48000, band_hz=(20.0, 24000.0))
    >>> round(result.noise_v, 4), round(result.hum_v, 4), round(result.mains_hz)
    (0.001, 0.0071, 50)
    """
    x = one_channel(samples)
    rate = check_rate(sample_rate)
    low, high = check_band(band_hz, rate)
    parts = take_apart(x, rate, (low, high), tone=False)
    lines: list[HumLine] = []
    if parts.hum is not None:
        for index, (level, floor) in enumerate(zip(parts.hum.levels, parts.hum.floors, strict=True)):
            lines.append(HumLine(parts.hum.mains_hz * (index + 1), float(level) if level > floor else None))
    hum = math.hypot(*(line.level_v for line in lines if line.level_v is not None))
    mains = parts.hum.mains_hz if parts.hum is not None else None
    spectrum, square = parts.spectrum, parts.scale**2
    a_curve = a_power_curve(len(spectrum.power), spectrum.step_hz, spectrum.cycle_hz)
    power_u = spectrum.scatter(low, high) * square
    power_a_u = spectrum.scatter(low, high, a_curve) * square
    # a floor is three standard uncertainties of a component, and a level leans on the component along itself
    line_u = tuple(float(f) / COMPONENT for f in parts.hum.floors) if parts.hum is not None else ()
    along = [2.0 * line.level_v * u for line, u in zip(lines, line_u, strict=True) if line.level_v is not None]
    return Noise(
        parts.noise, parts.noise_a, hum, parts.total_residual, mains, tuple(lines), parts.dc,
        noise_u=_of_level(power_u, parts.noise), noise_a_weighted_u=_of_level(power_a_u, parts.noise_a),
        total_u=_of_level(math.hypot(power_u, *along), parts.total_residual), hum_u=line_u,
    )  # fmt: skip


def _of_level(power_u: float, level: float) -> float:
    """Standard uncertainty of an rms level from that of its square."""
    return power_u / (2.0 * level) if level > 0.0 else 0.0


def weighted_rms(
    samples: ArrayLike,
    sample_rate: float,
    *,
    weighting: str = "none",
    band: str | tuple[float, float] = (20.0, 20000.0),
) -> float:
    """rms level of everything but dc through a weighting and a band limit.

    Parameters
    ----------
    samples : array_like, shape (n,)
    weighting : str
        "none", "A", "C", "468" (rms, not quasi-peak), "468, 0 dB at 2 kHz".
    band : str or (float, float)
        The name of a band limit (``band_limits.BAND_LIMITS``) or brick-wall limits in Hz.

    Raises
    ------
    ValueError
        For an unknown weighting or band, an empty band, a wrong shape, a sample that is not finite.

    Examples
    --------
    >>> t = np.arange(48000) / 48000
    >>> round(weighted_rms(np.sqrt(2) * np.sin(2 * np.pi * 100 * t), 48000, weighting="A"), 4)
    0.1104
    """
    if weighting not in WEIGHTINGS:
        raise ValueError(f"no weighting is called {weighting!r}. Expected one of: {', '.join(WEIGHTINGS)}.")
    rate = check_rate(sample_rate)
    weigh = WEIGHTINGS[weighting]
    name = band if isinstance(band, str) else "none"
    band_gain(name, 1000.0)
    low, high = (0.0, rate / 2) if isinstance(band, str) else check_band(band, rate)
    spectrum = power_spectrum(samples, rate)

    def gain(f: FloatArray) -> FloatArray:
        return weigh(f) * band_gain(name, f)

    curve = power_curve(gain, len(spectrum.power), spectrum.step_hz, spectrum.cycle_hz)
    return float(np.sqrt(spectrum.band(low, high, curve)))
