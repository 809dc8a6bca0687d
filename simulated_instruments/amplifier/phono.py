"""The phono stage: gain, replay equalisation, its own noise and input resistance.

Time constants 3180, 318 and 75 us (IEC 60098; two secondary sources agree on the figures).
"""

from __future__ import annotations

from dataclasses import dataclass

from .filters import FirstOrder

T1, T2, T3 = 3180e-6, 318e-6, 75e-6


@dataclass(frozen=True)
class PhonoStage:
    """gain is that at 1 kHz; noise_v the density at its input, V per root hertz; t3 is off where a capacitor of the
    equaliser is."""

    gain: float = 60.0
    resistance_ohm: float = 47e3
    noise_v: float = 4e-9
    t1: float = T1
    t2: float = T2
    t3: float = T3

    def sections(self) -> tuple[FirstOrder, FirstOrder]:
        """The equaliser in two parts, with the gain; at 1 kHz together exactly ``gain``.

        Examples
        --------
        >>> low, high = PhonoStage(gain=1.0).sections()
        >>> import math
        >>> round(20 * math.log10(abs(low.response(20.0) * high.response(20.0))), 2)
        19.27
        """
        nominal = FirstOrder(1.0, T2, T1).response(1000.0) * FirstOrder(1.0, 0.0, T3).response(1000.0)
        scale = self.gain / abs(nominal)
        return FirstOrder(scale, scale * self.t2, self.t1), FirstOrder(1.0, 0.0, self.t3)

    def response(self, frequency_hz: float) -> complex:
        low, high = self.sections()
        return low.response(frequency_hz) * high.response(frequency_hz)
