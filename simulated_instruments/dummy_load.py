"""The dummy load: a resistor a channel that is not quite what is printed on it, and warms under power.

Thermal figures are those of a 200 W aluminium-clad wire-wound resistor on a small heatsink, from memory of catalogue
pages, no source: 0.6 K/W, two minutes, +50 ppm/K, a few microhenry.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field


@dataclass
class DummyLoad:
    """One channel's load resistor and how warm it is.

    Attributes
    ----------
    cold_ohm : float
        True resistance at room temperature.
    temperature_coefficient : float
        Relative change per kelvin.

    Examples
    --------
    >>> load = DummyLoad(8.0)
    >>> load.warm(100.0, 3600.0)  # 100 W until steady: 60 K, so 0.3 %
    >>> round(load.ohm, 4)
    8.024
    """

    cold_ohm: float
    temperature_coefficient: float = 50e-6
    kelvin_per_watt: float = 0.6
    time_constant: float = 120.0
    rise: float = field(default=0.0, init=False)

    @property
    def ohm(self) -> float:
        """Resistance as warm as it is now."""
        return self.cold_ohm * (1.0 + self.temperature_coefficient * self.rise)

    def warm(self, power_w: float, seconds: float) -> None:
        """Let ``seconds`` pass at ``power_w``: first order towards power times thermal resistance."""
        final = power_w * self.kelvin_per_watt
        self.rise = final + (self.rise - final) * math.exp(-seconds / self.time_constant)
