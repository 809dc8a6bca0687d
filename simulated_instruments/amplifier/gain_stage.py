"""Open-loop gain, its compensation and what follows from them: loop gain, bandwidth, slew limit."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .filters import FirstOrder


@dataclass(frozen=True)
class GainStage:
    """One pole: A(f) = dc_gain / (1 + j f / pole), with dc_gain * pole = gain_bandwidth_hz.

    slew_v_per_s limits the output's slope; ``degeneration`` tells how straight the input stage is on the way to it: an
    undegenerated bipolar pair is 1, emitter resistors make it smaller. even_per_v and odd_per_v2 bend the stage's
    transfer: error at its output = even * v^2 + odd * v^3.
    """

    dc_gain: float = 30e3
    gain_bandwidth_hz: float = 1.8e6
    slew_v_per_s: float = 15e6
    degeneration: float = 0.1
    even_per_v: float = 3e-4
    odd_per_v2: float = 6e-6
    input_pole_hz: float = 250e3

    def loop_gain(self, frequency_hz: float, noise_gain: float) -> complex:
        """T = A(f) / noise_gain.

        Examples
        --------
        >>> round(abs(GainStage(dc_gain=1e4, gain_bandwidth_hz=1e6).loop_gain(0.0, 25.0)), 6)
        400.0
        """
        pole = self.gain_bandwidth_hz / self.dc_gain
        return self.dc_gain / noise_gain / (1.0 + 1j * frequency_hz / pole)

    def closed_loop(self, noise_gain: float) -> FirstOrder:
        """T / (1 + T): what feedback leaves of the ideal gain."""
        t0 = self.dc_gain / noise_gain
        pole = self.gain_bandwidth_hz / self.dc_gain
        return FirstOrder(t0 / (1.0 + t0), 0.0, 1.0 / (2.0 * math.pi * pole * (1.0 + t0)))

    def error(self, noise_gain: float) -> FirstOrder:
        """1 / (1 + T): what feedback leaves of an error made inside the loop, rising with frequency."""
        t0 = self.dc_gain / noise_gain
        pole = self.gain_bandwidth_hz / self.dc_gain
        return FirstOrder(
            1.0 / (1.0 + t0), 1.0 / (2.0 * math.pi * pole * (1.0 + t0)), 1.0 / (2.0 * math.pi * pole * (1.0 + t0))
        )
