"""The class-AB output stage: from the load current to the voltage lost between driver and output.

Each half has one or more devices in parallel, each with its emitter resistor. A device's current follows the
exponential law, so that with v between its base and the output node

    v = Vt ln(i / Is) + i Re      =>      i = (Vt / Re) W(Re Is / Vt exp(v / Vt))      (W: Lambert's function)

With a bias voltage Vb on each half and an error d between driver and output, the load gets
i(d) = sum over the upper devices of i(Vb + d) - sum over the lower of i(Vb - d). The inverse d(i), tabulated, is the
crossover error that feedback has to reduce. Class B is Vb near zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import special

from .band_limited import Table

FloatArray = NDArray[np.float64]

THERMAL_VOLTAGE = 0.0259
"""kT/q near 300 K, V. CODATA k and q."""


@dataclass(frozen=True)
class Device:
    """An output transistor with its emitter resistor. ``weight`` scales its saturation current against its fellows;
    ``open`` means that it, or its resistor or fuse, conducts nothing; ``shorted`` that collector meets emitter."""

    emitter_ohm: float = 0.33
    weight: float = 1.0
    open: bool = False
    shorted: bool = False


@dataclass(frozen=True)
class Half:
    """The devices on one side, their current gain (with the driver's), and how near the rail they reach.

    saturation_v is lost at any current (driver and bias circuit), saturation_ohm grows with it. limit_a is where
    protection or the driver gives up; a half without living devices still has its driver, driver_only_a.
    """

    devices: tuple[Device, ...] = (Device(), Device())
    current_gain: float = 4000.0
    saturation_v: float = 2.6
    saturation_ohm: float = 0.35
    limit_a: float = 9.0
    driver_only_a: float = 0.06

    @cached_property
    def alive(self) -> tuple[Device, ...]:
        return tuple(device for device in self.devices if not device.open)

    @cached_property
    def shorted(self) -> bool:
        return any(device.shorted and not device.open for device in self.devices)

    @cached_property
    def reach_a(self) -> float:
        """The most current that this half delivers, A."""
        return self.limit_a * len(self.alive) / len(self.devices) if self.alive else self.driver_only_a

    def currents(self, v: FloatArray, idle_a: float, nominal_ohm: float) -> FloatArray:
        """Current through each device, shape (devices, len(v)), with ``v`` volts above the idle point.

        ``idle_a``: what a device of weight 1 with a resistor of ``nominal_ohm`` draws at v = 0.
        """
        known: dict[Device, FloatArray] = {}
        for device in set(self.devices):
            if device.open:
                known[device] = np.zeros_like(v)
            else:
                known[device] = _device_current(v, idle_a, device, nominal_ohm)
        return np.array([known[device] for device in self.devices])


def _device_current(v: FloatArray, idle_a: float, device: Device, nominal_ohm: float) -> FloatArray:
    bias = idle_a * nominal_ohm  # drop that the bias voltage was set for
    r = max(1e-6, device.emitter_ohm)
    exponent = math.log(device.weight * max(idle_a, 1e-12) * r / THERMAL_VOLTAGE) + (v + bias) / THERMAL_VOLTAGE
    return np.asarray(special.wrightomega(exponent) * (THERMAL_VOLTAGE / r), dtype=np.float64)


@dataclass(frozen=True)
class OutputStage:
    """Both halves. driver_ohm is the resistance of the voltage stage that the bases load. short_through_a: with a
    device shorted, what the other half still passes from rail to rail (little where its driver died too)."""

    upper: Half = Half()
    lower: Half = Half()
    driver_ohm: float = 4000.0
    short_through_a: float = 0.05

    def crossover(self, idle_a: float, *, most_a: float = 16.0) -> Table:
        """Error between driver and output (V) against load current (A), at ``idle_a`` per device."""
        d = np.sinh(np.linspace(-9.0, 9.0, 1001)) * (6.0 / math.sinh(9.0))
        nominal = self.upper.devices[0].emitter_ohm
        up = self.upper.currents(d, idle_a, nominal).sum(axis=0)
        down = self.lower.currents(-d, idle_a, nominal).sum(axis=0)
        load = up - down
        error = d + self.driver_ohm * (up / self.upper.current_gain - down / self.lower.current_gain)
        # a half without devices: its driver carries what little it can, through a steep resistance
        load = load + d * 1e-3
        keep = np.abs(load) <= most_a
        keep[1:] |= keep[:-1]
        keep[:-1] |= keep[1:]
        at = np.clip(load[keep], -2.0 * most_a, 2.0 * most_a)
        return Table.of(at, error[keep])

    def emitter_volts(self, device: int, idle_a: float) -> float:
        """DC across emitter resistor ``device`` (1, 2, ... upper then lower), no signal."""
        one = self.devices[device - 1]
        if one.open:
            return 0.0
        nominal = self.upper.devices[0].emitter_ohm
        return float(_device_current(np.zeros(1), idle_a, one, nominal)[0] * one.emitter_ohm)

    @cached_property
    def devices(self) -> tuple[Device, ...]:
        return self.upper.devices + self.lower.devices
