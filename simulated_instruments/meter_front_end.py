"""What lies between the simulated multimeter's leads and its digits: ranges, loading, bandwidth, errors, noise. Pure.

Every meter draws a gain error and a zero error per range from its generator, inside its accuracy statement. How a value
is asked for and answered is left to ``multimeter``.
"""

from __future__ import annotations

import math
from typing import NamedTuple, Protocol

import numpy as np

from benchtest.instruments.accuracy import Accuracy
from benchtest.instruments.protocols import Function

_AC_BANDS = (((20.0, 45.0), 1.0, 0.03), ((45.0, 20e3), 0.06, 0.03), ((20e3, 100e3), 1.0, 0.05))

# Invented for this project; the order of size is that of a 6.5-digit bench meter, one year (from memory).
SIMULATED_ACCURACY: tuple[Accuracy, ...] = (
    Accuracy(Function.DC_VOLTS, 0.1, None, 0.005, 0.0035),
    Accuracy(Function.DC_VOLTS, 1.0, None, 0.004, 0.0007),
    Accuracy(Function.DC_VOLTS, 10.0, None, 0.0035, 0.0005),
    Accuracy(Function.DC_VOLTS, 100.0, None, 0.0045, 0.0006),
    Accuracy(Function.DC_VOLTS, 1000.0, None, 0.0045, 0.001),
    *(
        Accuracy(Function.AC_VOLTS, full_scale, band, of_reading, of_range)
        for full_scale in (0.1, 1.0, 10.0, 100.0, 750.0)
        for band, of_reading, of_range in _AC_BANDS
    ),
    *(
        Accuracy(function, full_scale, None, of_reading, of_range)
        for function in (Function.RESISTANCE, Function.RESISTANCE_4W)
        for full_scale, of_reading, of_range in (
            (100.0, 0.01, 0.004), (1e3, 0.01, 0.001), (10e3, 0.01, 0.001), (100e3, 0.01, 0.001),
            (1e6, 0.01, 0.001), (10e6, 0.04, 0.001), (100e6, 0.8, 0.01),
        )
    ),
    Accuracy(Function.DC_CURRENT, 0.01, None, 0.05, 0.02),
    Accuracy(Function.DC_CURRENT, 0.1, None, 0.05, 0.005),
    Accuracy(Function.DC_CURRENT, 1.0, None, 0.1, 0.01),
    Accuracy(Function.DC_CURRENT, 3.0, None, 0.12, 0.02),
    Accuracy(Function.DIODE, 1.0, None, 0.01, 0.02),
)  # fmt: skip
"""The accuracy statement of the simulated meter. Resistance without the leads, which two-wire readings contain."""

INPUT_OHM = 10e6
_TEST_CURRENT = {100.0: 1e-3, 1e3: 1e-3, 10e3: 100e-6, 100e3: 10e-6, 1e6: 5e-6, 10e6: 0.5e-6, 100e6: 0.5e-6}
_SHUNT = {0.01: 5.0, 0.1: 5.0, 1.0: 0.1, 3.0: 0.1}
_DIODE_TEST_A = 1e-3
_RANGE_MATTERS = (Function.RESISTANCE, Function.RESISTANCE_4W, Function.DC_CURRENT)  # test current, shunt
_OVERRANGE = 1.2
_TOP = {Function.DC_VOLTS: 1000.0, Function.AC_VOLTS: 750.0}  # these have no overrange
_PEAK = 2.5  # how far above full scale the input may swing before the reading is spoiled (from memory)
_ERROR_SHARE = 0.8  # of the statement that gain and zero errors fill; noise and bandwidth need the rest
_COUPLING_HZ, _BANDWIDTH_HZ = 4.0, 400e3


class ProbeReading(Protocol):
    """Volts between two leads: dc, ac_rms at ac_frequency_hz, and the resistance of the source behind them."""

    @property
    def dc(self) -> float: ...

    @property
    def ac_rms(self) -> float: ...

    @property
    def ac_frequency_hz(self) -> float: ...

    @property
    def source_ohm(self) -> float: ...


class ProbeSource(Protocol):
    """What a meter's leads touch, at this moment.

    ``resistance`` contains ``lead_ohm``, the two leads' own; a four-wire reading is without it.
    """

    @property
    def lead_ohm(self) -> float: ...

    def probe(self) -> ProbeReading: ...

    def resistance(self) -> float: ...


class Sample(NamedTuple):
    """A value on a range; value is infinite for an overload."""

    value: float
    range: float


def ranges(function: Function) -> tuple[float, ...]:
    """The full scales of a function, smallest first."""
    return tuple(sorted({row.range for row in SIMULATED_ACCURACY if row.function == function}))


RANGES: dict[Function, tuple[float, ...]] = {function: ranges(function) for function in Function}


class FrontEnd:
    """One meter's analogue side, with the errors that it was made with.

    Parameters
    ----------
    rng : numpy.random.Generator
        Draws the errors once, then the noise of every sample.
    line_frequency : float
        Mains frequency, Hz; integration is counted in its cycles.
    """

    def __init__(self, rng: np.random.Generator, *, line_frequency: float = 50.0) -> None:
        self._rng = rng
        self.line_frequency = line_frequency
        scales = [(function, full_scale) for function in Function for full_scale in RANGES[function]]
        drawn = rng.uniform(-_ERROR_SHARE, _ERROR_SHARE, size=(len(scales), 2))
        self._errors = {scale: (float(gain), float(zero)) for scale, (gain, zero) in zip(scales, drawn, strict=True)}
        self._rows = {
            scale: [row for row in SIMULATED_ACCURACY if (row.function, row.range) == scale] for scale in scales
        }

    def sample(
        self,
        function: Function,
        source: ProbeSource,
        *,
        range: float | None,
        last_range: float,
        line_cycles: float,
        resolution: float,
        high_impedance: bool = False,
    ) -> Sample:
        """One integration on a fixed range, or on the one that autorange finds (range None) from ``last_range``.

        resolution is a share of the range; the value is rounded to it.
        """
        scale = range or last_range
        value, peak = self._true(function, source, scale, line_cycles, high_impedance)
        if range is None:
            scale = self._autorange(function, value, peak, last_range)
            if scale != last_range and function in _RANGE_MATTERS:
                value, peak = self._true(function, source, scale, line_cycles, high_impedance)
        if not self._fits(function, value, peak, scale):
            return Sample(math.copysign(math.inf, value) if math.isfinite(value) else math.inf, scale)
        shown = self._with_errors(function, value, scale, source, line_cycles)
        step = resolution * scale
        return Sample(round(shown / step) * step, scale)

    def ac_current(self, source: ProbeSource, *, range: float | None) -> Sample:
        """True rms current through the meter's shunt; it shares its gain error with the DC ranges."""
        probe = source.probe()
        for scale in (range,) if range is not None else RANGES[Function.DC_CURRENT]:
            value = probe.ac_rms / (probe.source_ohm + _SHUNT[scale]) * ac_response(probe.ac_frequency_hz)
            if value <= _OVERRANGE * scale:
                gain, _ = self._errors[Function.DC_CURRENT, scale]
                noise = 1e-4 * scale * abs(1.0 + 0.1 * float(self._rng.standard_normal()))
                return Sample(math.hypot(value * (1.0 + 0.001 * gain), noise), scale)
        return Sample(math.inf, range or RANGES[Function.DC_CURRENT][-1])

    def _true(
        self, function: Function, source: ProbeSource, range: float, line_cycles: float, high_impedance: bool
    ) -> tuple[float, float]:
        """What an ideal meter would show, and the peak of what is at its input."""
        if function in (Function.RESISTANCE, Function.RESISTANCE_4W):
            return self._resistance(function, source, range, line_cycles)
        if function is Function.DIODE:
            volts, _ = self._resistance(Function.RESISTANCE, source, 1e3, line_cycles)
            return volts * _DIODE_TEST_A, abs(volts * _DIODE_TEST_A)
        probe = source.probe()
        if function is Function.DC_CURRENT:
            total = probe.source_ohm + _SHUNT[range]
            amperes = probe.dc / total
            return amperes, abs(amperes) + math.sqrt(2.0) * probe.ac_rms / total
        loading = 1.0 if high_impedance and range <= 10.0 else INPUT_OHM / (INPUT_OHM + probe.source_ohm)
        if probe.source_ohm == math.inf:
            loading = 0.0
        ac_peak = math.sqrt(2.0) * probe.ac_rms * loading
        if function is Function.AC_VOLTS:
            return probe.ac_rms * loading * ac_response(probe.ac_frequency_hz), ac_peak
        dc = probe.dc * loading
        return dc + self._unrejected(ac_peak, probe.ac_frequency_hz, line_cycles), abs(dc) + ac_peak

    def _resistance(
        self, function: Function, source: ProbeSource, range: float, line_cycles: float
    ) -> tuple[float, float]:
        """Ohms, spoiled by whatever voltage stands on the leads: the meter divides the volts it sees by its current."""
        ohm = source.resistance() - (source.lead_ohm if function is Function.RESISTANCE_4W else 0.0)
        probe = source.probe()
        ac_peak = math.sqrt(2.0) * probe.ac_rms
        foreign = probe.dc + self._unrejected(ac_peak, probe.ac_frequency_hz, line_cycles)
        current = _TEST_CURRENT[range]
        shown = ohm + foreign / current
        return shown, abs(ohm + probe.dc / current) + ac_peak / current

    def _unrejected(self, ac_peak: float, frequency_hz: float, line_cycles: float) -> float:
        """What is left of an alternating voltage after integration over whole or broken cycles, at a random phase."""
        if ac_peak == 0.0 or frequency_hz <= 0.0:
            return 0.0
        cycles = frequency_hz * line_cycles / self.line_frequency
        return float(ac_peak * np.sinc(cycles) * math.cos(self._rng.uniform(0.0, 2.0 * math.pi)))

    def _fits(self, function: Function, value: float, peak: float, range: float) -> bool:
        if range == _TOP.get(function):
            return abs(value) <= range and peak <= 1.5 * range
        crest = math.sqrt(2.0) if function is Function.AC_VOLTS else 1.0
        return abs(value) <= _OVERRANGE * range and peak <= _PEAK * crest * range

    def _autorange(self, function: Function, value: float, peak: float, last: float) -> float:
        """Up when the value no longer fits, down below a tenth of the range."""
        if self._fits(function, value, peak, last) and (abs(value) >= 0.1 * last or last == RANGES[function][0]):
            return last
        fitting = (scale for scale in RANGES[function] if self._fits(function, value, peak, scale))
        return next(fitting, RANGES[function][-1])

    def _with_errors(
        self, function: Function, value: float, range: float, source: ProbeSource, line_cycles: float
    ) -> float:
        gain, zero = self._errors[function, range]
        rows = self._rows[function, range]
        row = rows[0]
        if function is Function.AC_VOLTS:
            row = next((row for row in rows if row.covers(source.probe().ac_frequency_hz)), rows[-1])
        value *= 1.0 + gain * row.percent_of_reading / 100.0
        if function is Function.AC_VOLTS:
            floor = 5e-5 * range  # the converter's own noise adds as power
            noise = 1e-5 * range * float(self._rng.standard_normal())
            return abs(math.hypot(value, floor) + zero * row.percent_of_range / 100.0 * range + noise)
        noise = range * 0.5e-6 * math.sqrt(10.0 / line_cycles) + (0.1e-6 if function is Function.DC_VOLTS else 0.0)
        return value + zero * row.percent_of_range / 100.0 * range + float(noise * self._rng.standard_normal())


def ac_response(frequency_hz: float) -> float:
    """Response of the AC input, 1 in its middle: two poles at either end. It falls outside 20 Hz to 100 kHz.

    Examples
    --------
    >>> [round(ac_response(f), 3) for f in (1.0, 20.0, 1e3, 100e3, 1e6)]
    [0.062, 0.999, 1.0, 0.998, 0.158]
    """
    if frequency_hz <= 0.0:
        return 0.0
    return 1.0 / math.sqrt((1.0 + (_COUPLING_HZ / frequency_hz) ** 4) * (1.0 + (frequency_hz / _BANDWIDTH_HZ) ** 4))
