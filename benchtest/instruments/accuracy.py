"""A meter's accuracy statement, and the standard uncertainty that follows from it. Pure.

A statement reads "plus or minus (p % of reading + q % of range)", for one function, one range and, for AC, one band.
The limits are taken as rectangular: u = a / sqrt(3) (JCGM 100:2008, clause 4.3.7).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchtest.errors import OutsideStatement
from benchtest.instruments.protocols import Function

UNITS: dict[Function, str] = {
    Function.DC_VOLTS: "V",
    Function.AC_VOLTS: "V",
    Function.RESISTANCE: "ohm",
    Function.RESISTANCE_4W: "ohm",
    Function.DC_CURRENT: "A",
    Function.DIODE: "V",
}
"""The unit in which each function's value, range and uncertainty are given."""


@dataclass(frozen=True)
class Accuracy:
    """One line of a meter's accuracy statement.

    range is the full scale of the range it holds for, in the unit of the function; math.inf means any range.
    frequency_hz is the band it holds in, both ends included; None where frequency plays no part.

    Raises
    ------
    ValueError
        If a number is not finite, negative, or the band is upside down.
    """

    function: Function
    range: float
    frequency_hz: tuple[float, float] | None
    percent_of_reading: float
    percent_of_range: float

    def __post_init__(self) -> None:
        if not self.range > 0:
            raise ValueError(f"accuracy of {self.function}: range {self.range!r}. Expected a full scale above 0.")
        for name in ("percent_of_reading", "percent_of_range"):
            percent = getattr(self, name)
            if not 0 <= percent < math.inf:
                raise ValueError(
                    f"accuracy of {self.function}: {name} = {percent!r}. Expected a percentage of 0 or more."
                )
        if self.frequency_hz is not None:
            low, high = self.frequency_hz
            if not 0 <= low < high:
                raise ValueError(f"accuracy of {self.function}: band {low!r} to {high!r} Hz. Expected low below high.")

    def limits(self, value: float, range: float) -> float:
        """Half width of the interval that the statement promises, in the unit of the function.

        Examples
        --------
        >>> round(Accuracy(Function.DC_VOLTS, 1.0, None, 0.5, 0.05).limits(0.02, 1.0), 9)
        0.0006
        """
        return self.percent_of_reading / 100 * abs(value) + self.percent_of_range / 100 * range

    def covers(self, frequency_hz: float | None) -> bool:
        """Whether the line holds at that frequency; None is "not stated", which every line covers."""
        if frequency_hz is None or self.frequency_hz is None:
            return True
        return self.frequency_hz[0] <= frequency_hz <= self.frequency_hz[1]


DEFAULT: tuple[Accuracy, ...] = (
    Accuracy(Function.DC_VOLTS, math.inf, None, 0.5, 0.1),
    Accuracy(Function.AC_VOLTS, math.inf, (40.0, 500.0), 1.0, 0.15),
    Accuracy(Function.RESISTANCE, math.inf, None, 1.0, 0.15),
    Accuracy(Function.RESISTANCE_4W, math.inf, None, 1.0, 0.15),
    Accuracy(Function.DC_CURRENT, math.inf, None, 1.0, 0.15),
    Accuracy(Function.DIODE, math.inf, None, 1.0, 0.15),
)
"""What is believed of a meter whose statement nobody has written down: the order of size of a plain hand-held meter of
2000 counts (0.5 % + 2 counts DC, 1 % + 3 counts AC in 40 to 500 Hz; from memory). Always prefer the meter's own."""


def rows_for(
    accuracy: Iterable[Accuracy], function: Function, range: float | None, frequency_hz: float | None, *, meter: str
) -> list[Accuracy]:
    """The lines that hold for a function on a range at a frequency; several where the frequency is not stated.

    range None takes every range. The lines of the smallest stated range that is not below the meter's range are taken.

    Raises
    ------
    InstrumentError
        If the statement has no line for it: the reading is refused, not trusted.
    """
    of_function = [row for row in accuracy if row.function == function]
    if not of_function:
        raise OutsideStatement(
            f"Multimeter '{meter}' has no accuracy statement for {function}. "
            f"Expected one line at least in its 'accuracy'. Copy it from the meter's data sheet into the bench file."
        )
    if range is not None:
        wide = [row.range for row in of_function if row.range >= range * (1 - 1e-6)]
        if not wide:
            raise OutsideStatement(
                f"Multimeter '{meter}', {function}: range {range:g} {UNITS[function]} is above every range of its "
                f"accuracy statement ({max(row.range for row in of_function):g} {UNITS[function]}). "
                f"Add the line for that range to the bench file, or measure on a lower one."
            )
        of_function = [row for row in of_function if row.range == min(wide)]
    in_band = [row for row in of_function if row.covers(frequency_hz)]
    if not in_band:
        bands = ", ".join(
            f"{row.frequency_hz[0]:g} to {row.frequency_hz[1]:g} Hz" for row in of_function if row.frequency_hz
        )
        raise OutsideStatement(
            f"Multimeter '{meter}', {function} at {frequency_hz:g} Hz: outside its accuracy statement ({bands}), "
            f"so the reading is refused. Measure inside that band, or use the sound card, calibrated inside it."
        )
    return in_band


def standard_uncertainty(
    accuracy: Sequence[Accuracy],
    function: Function,
    value: float,
    range: float,
    frequency_hz: float | None = None,
    *,
    meter: str = "",
) -> float:
    """Standard uncertainty (k = 1) of one reading, from limits taken as rectangular.

    Parameters
    ----------
    accuracy : sequence of Accuracy
        The meter's statement.
    value, range : float
        The reading and the full scale of the range it was taken on, in the unit of the function.
    frequency_hz : float or None
        Where an AC reading was taken. None: the worst line of that range is used.

    Returns
    -------
    float
        a / sqrt(3), a = p/100 |value| + q/100 range, in the unit of the function.

    Raises
    ------
    InstrumentError
        If the statement has no line for the function, the range or the frequency.

    References
    ----------
    .. [1] JCGM 100:2008, 4.3.7: limits with nothing else known are rectangular, u = a / sqrt(3).

    Examples
    --------
    The range term dominates low readings: 20 mV on a 1 V range.

    >>> statement = (Accuracy(Function.DC_VOLTS, 1.0, None, 0.5, 0.05),)
    >>> round(standard_uncertainty(statement, Function.DC_VOLTS, 0.020, 1.0) * 3**0.5, 9)
    0.0006
    """
    rows = rows_for(accuracy, function, range, frequency_hz, meter=meter)
    return max(row.limits(value, range) for row in rows) / math.sqrt(3)
