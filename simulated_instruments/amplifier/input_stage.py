"""The input side of a power amplifier: pair, coupling capacitor, feedback divider, noise.

The offset at the output is the pair's own offset and drift, amplified by the gain at DC. With a sound feedback
capacitor that gain is one; with a shorted one it is the full gain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

from .filters import FirstOrder, high_pass


@dataclass(frozen=True)
class Coupling:
    """The capacitor from the input to the volume control, and what leaks through it.

    leakage_v is the DC that a leaky capacitor lets stand at the top of the volume control; crackle_v the rms of the
    noise that such leakage makes there, below some tens of hertz.
    """

    capacitance_f: float = 2.2e-6
    leakage_v: float = 0.0
    crackle_v: float = 0.0

    def section(self, load_ohm: float) -> FirstOrder:
        return high_pass(max(1e-7, self.capacitance_f * load_ohm))


@dataclass(frozen=True)
class Feedback:
    """Series resistor from the output, shunt resistor with its capacitor to ground.

    leak_ohm lies across the capacitor (inf when sound, 0 when shorted). distortion_per_v is the third-order
    coefficient of a dry electrolytic: error voltage = distortion_per_v * v^3 across it.
    """

    series_ohm: float = 11.28e3
    shunt_ohm: float = 470.0
    capacitance_f: float = 220e-6
    leak_ohm: float = math.inf
    open: bool = False
    distortion_per_v2: float = 0.0

    @cached_property
    def gain(self) -> float:
        """Above the capacitor's corner."""
        return 1.0 + self.series_ohm / self.shunt_ohm

    @cached_property
    def dc_gain(self) -> float:
        """
        Examples
        --------
        >>> Feedback().dc_gain
        1.0
        >>> round(Feedback(leak_ohm=0.0).dc_gain, 1)
        25.0
        """
        return 1.0 if math.isinf(self.leak_ohm) else 1.0 + self.series_ohm / (self.shunt_ohm + self.leak_ohm)

    @cached_property
    def capacitor_share(self) -> float:
        """DC across the capacitor over the DC at the output.

        Examples
        --------
        >>> Feedback().capacitor_share, Feedback(leak_ohm=0.0).capacitor_share
        (1.0, 0.0)
        """
        if math.isinf(self.leak_ohm):
            return 1.0
        return self.leak_ohm / (self.series_ohm + self.shunt_ohm + self.leak_ohm)

    def section(self) -> FirstOrder:
        """Closed-loop gain with an ideal amplifier inside: dc_gain, rising to gain above 1 / (2 pi R C)."""
        if math.isinf(self.leak_ohm):
            tau = self.shunt_ohm * self.capacitance_f
            return FirstOrder(1.0, (self.series_ohm + self.shunt_ohm) * self.capacitance_f, tau)
        # capacitor and its leak in parallel, in series with the shunt resistor
        total = self.shunt_ohm + self.leak_ohm
        tau = self.capacitance_f * self.shunt_ohm * self.leak_ohm / total
        return FirstOrder(self.dc_gain, self.gain * tau, tau)


@dataclass(frozen=True)
class InputStage:
    """The differential pair.

    offset_v is the offset referred to the input when cold, drift_v_per_k what a kelvin inside the set adds to it.
    noise_v is the spectral density in V per root hertz at the power amplifier's input; flicker_corner_hz raises it
    below; popcorn_v are random two-level steps referred to the input (0: none). imbalance is the share by which the two
    collector currents differ: it makes second harmonic.
    """

    offset_v: float = 5e-3
    drift_v_per_k: float = 0.4e-3
    noise_v: float = 5.5e-9
    flicker_corner_hz: float = 0.0
    popcorn_v: float = 0.0
    imbalance: float = 0.05

    def offset(self, rise_k: float) -> float:
        """Offset at the input with the inside of the set ``rise_k`` above ambient, V."""
        return self.offset_v + self.drift_v_per_k * rise_k
