"""Intermodulation of two tones: modulation (4 to 1) and difference-frequency (1 to 1) distortion.

Two traps, and what is done about them. The sidebands of the modulation method can be summed in pairs (arithmetically:
that is the depth of the amplitude modulation) or as powers, which gives 3.01 dB less; and older practice refers the
difference tone to the total, which gives 3.01 dB more than twice one tone. So every figure here carries the form it
was formed by.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from benchtest.analysis.records import check_rate, one_channel
from benchtest.analysis.tones import Tones, fit_tones

PAIR_FORM = "arithmetic sum of each sideband pair over the upper tone, orders 2 and 3 as root of sum of squares"
POWER_FORM = "root of the sum of squares of the four sidebands over the upper tone (3.01 dB below the pair form)"
DIFFERENCE_FORM = "difference tones over twice the upper tone"
TOTAL_FORM = "root of the sum of squares of f2 - f1 and 2 f1 - f2 over the sum of both tones"


@dataclass(frozen=True)
class ModulationDistortion:
    """Modulation method (SMPTE RP 120 with 60 Hz + 7 kHz, DIN 45403 with 250 Hz + 8 kHz, IEC 60268-3; all 4 to 1).

    order_2, order_3 : arithmetic sum of the sidebands f2 +- f1 and f2 +- 2 f1 over the tone at f2 (plain ratios).
    total : their root sum of squares (``form``); power_sum : the other form in use (``power_form``). low_v, high_v :
    rms levels of the two tones. lost : True where both orders are below the noise, and the figures are its, not the
    signal's.
    """

    order_2: float
    order_3: float
    total: float
    power_sum: float
    low_v: float
    high_v: float
    lost: bool
    total_u: float = 0.0
    """Standard uncertainty of ``total`` from the noise in the lines."""
    form: str = PAIR_FORM
    power_form: str = POWER_FORM


@dataclass(frozen=True)
class DifferenceDistortion:
    """Difference-frequency method (19 + 20 kHz and the like, 1 to 1; DIN 45403, IEC 60268-3).

    order_2 : U(f2 - f1) / (2 U(f2)). order_3 : (U(2 f1 - f2) + U(2 f2 - f1)) / (2 U(f2)). total : root sum of squares
    of the two. low_v, high_v : rms levels of the tones. lost : both orders are below the noise.
    """

    order_2: float
    order_3: float
    total: float
    low_v: float
    high_v: float
    lost: bool
    total_u: float = 0.0
    """Standard uncertainty of ``total`` from the noise in the lines."""
    form: str = DIFFERENCE_FORM


@dataclass(frozen=True)
class TotalDifferenceDistortion:
    """Total difference-frequency distortion (8 kHz + 11.95 kHz, 1 to 1; IEC 60268-3, from memory): ``form``."""

    total: float
    low_v: float
    high_v: float
    lost: bool
    form: str = TOTAL_FORM


def _measure(
    samples: ArrayLike, sample_rate: float, low_hz: float, high_hz: float, products: list[tuple[int, int]]
) -> tuple[Tones, list[int | None]]:
    """Fit both tones and the products m f1 + n f2 that lie in the recorded band; where each product stands, or None."""
    x = one_channel(samples)
    rate = check_rate(sample_rate)
    if not 0.0 < low_hz < high_hz < rate / 2:
        raise ValueError(
            f"tones at {low_hz!r} and {high_hz!r} Hz at {rate:g} frames per second. Expected two rising frequencies below "
            f"half the sample rate ({rate / 2:g} Hz)."
        )
    margin = 2.5 * rate / len(x)
    others: list[float] = []
    places: list[int | None] = []
    for m, n in products:
        frequency = abs(m * low_hz + n * high_hz)
        taken = np.array([low_hz, high_hz, *others])
        inside = margin < 2 * frequency and frequency < rate / 2 - margin
        if inside and float(np.min(np.abs(taken - frequency))) >= margin:
            places.append(2 + len(others))
            others.append(frequency)
        else:
            places.append(None)
    tones = fit_tones(x, rate, [low_hz, high_hz], others_hz=others)
    low, high = tones.rms[:2]
    if not (low > tones.floors[0] and high > tones.floors[1]):
        raise ValueError(
            f"the tones at {low_hz:g} and {high_hz:g} Hz do not both stand above the noise. Expected the two-tone signal: "
            "check cable, input and frequencies."
        )
    return tones, places


def _level(tones: Tones, place: int | None) -> float:
    return float(tones.rms[place]) if place is not None else 0.0


def _lost(tones: Tones, places: list[int | None]) -> bool:
    return not any(place is not None and tones.rms[place] > tones.floors[place] for place in places)


def _noise(tones: Tones, places: list[int | None]) -> float:
    """Standard uncertainty of the sum of these lines' levels; a floor is three of the component along the line."""
    return float(np.linalg.norm([tones.floors[place] / 3.0 for place in places if place is not None]))


def _of_total(order_2: float, order_3: float, u_2: float, u_3: float) -> float:
    """That of the root sum of squares of both orders; each counts by its share, and all of it where there is nothing."""
    total = float(np.hypot(order_2, order_3))
    return float(np.hypot(order_2 * u_2, order_3 * u_3)) / total if total > 0.0 else float(np.hypot(u_2, u_3))


def modulation_distortion(
    samples: ArrayLike, sample_rate: float, *, low_hz: float = 60.0, high_hz: float = 7000.0
) -> ModulationDistortion:
    """Modulation distortion of the upper tone by the lower one, orders 2 and 3.

    Parameters
    ----------
    samples : array_like, shape (n,)
        Steady part of the two-tone signal; 0.1 s or more with 60 Hz.
    low_hz, high_hz : nominal frequencies; the clock that both share is fitted (within 300 parts per million).

    Raises
    ------
    ValueError
        If the tones are not in the record, the record is too short to part the sidebands, or the input is malformed.

    References
    ----------
    SMPTE RP 120 (tones and ratio read in a glossary that cites it), DIN 45403 sheet 4 and IEC 60268-3 (forms from
    memory).

    Examples
    --------
    >>> t = np.arange(48000) / 48000
    >>> x = 0.8 * np.cos(2 * np.pi * 60 * t) + 0.2 * np.cos(2 * np.pi * 7000 * t)
    >>> round(modulation_distortion(x + 0.01 * x**2, 48000).order_2, 6)
    0.016
    """
    tones, places = _measure(samples, sample_rate, low_hz, high_hz, [(-1, 1), (1, 1), (-2, 1), (2, 1)])
    sidebands = [_level(tones, place) for place in places]
    low, high = (float(v) for v in tones.rms[:2])
    order_2, order_3 = (sidebands[0] + sidebands[1]) / high, (sidebands[2] + sidebands[3]) / high
    return ModulationDistortion(
        order_2=order_2,
        order_3=order_3,
        total=float(np.hypot(order_2, order_3)),
        power_sum=float(np.linalg.norm(sidebands)) / high,
        low_v=low,
        high_v=high,
        lost=_lost(tones, places),
        total_u=_of_total(order_2, order_3, _noise(tones, places[:2]) / high, _noise(tones, places[2:]) / high),
    )


def difference_distortion(
    samples: ArrayLike, sample_rate: float, *, low_hz: float = 19000.0, high_hz: float = 20000.0
) -> DifferenceDistortion:
    """Difference-frequency distortion of two equal tones, orders 2 and 3; parameters and errors as the modulation
    method.

    Examples
    --------
    >>> t = np.arange(48000) / 48000
    >>> x = 0.5 * np.cos(2 * np.pi * 19000 * t) + 0.5 * np.cos(2 * np.pi * 20000 * t)
    >>> round(difference_distortion(x + 0.01 * x**2, 48000).order_2, 6)
    0.0025
    """
    tones, places = _measure(samples, sample_rate, low_hz, high_hz, [(-1, 1), (2, -1), (-1, 2)])
    second, lower, upper = (_level(tones, place) for place in places)
    low, high = (float(v) for v in tones.rms[:2])
    order_2, order_3 = second / (2 * high), (lower + upper) / (2 * high)
    return DifferenceDistortion(
        order_2=order_2,
        order_3=order_3,
        total=float(np.hypot(order_2, order_3)),
        low_v=low,
        high_v=high,
        lost=_lost(tones, places),
        total_u=_of_total(
            order_2, order_3, _noise(tones, places[:1]) / (2 * high), _noise(tones, places[1:]) / (2 * high)
        ),
    )


def total_difference_distortion(
    samples: ArrayLike, sample_rate: float, *, low_hz: float = 8000.0, high_hz: float = 11950.0
) -> TotalDifferenceDistortion:
    """Total difference-frequency distortion; parameters and errors as the modulation method.

    Examples
    --------
    >>> t = np.arange(48000) / 48000
    >>> x = 0.5 * np.cos(2 * np.pi * 8000 * t) + 0.5 * np.cos(2 * np.pi * 11950 * t)
    >>> round(total_difference_distortion(x + 0.01 * x**2, 48000).total, 6)
    0.0025
    """
    tones, places = _measure(samples, sample_rate, low_hz, high_hz, [(-1, 1), (2, -1)])
    products = [_level(tones, place) for place in places]
    low, high = (float(v) for v in tones.rms[:2])
    return TotalDifferenceDistortion(
        total=float(np.linalg.norm(products)) / (low + high),
        low_v=low,
        high_v=high,
        lost=_lost(tones, places),
    )
