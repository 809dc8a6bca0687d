"""The series lamp: an incandescent filament whose resistance rises about fifteenfold from cold to hot.

Resistance goes with absolute temperature to the power 1.2 (tungsten's resistivity, 5.6 microhm cm at 293 K and about
85 at 2800 K: handbook values, from memory), radiated power with its fourth power. These two alone give the lamp
handbooks' exponents: current with voltage to 0.54, power with voltage to 1.54.
"""

from __future__ import annotations

from dataclasses import dataclass

AMBIENT_K = 293.0
RESISTANCE_EXPONENT = 1.2

DULL, HALF, BRIGHT = 0.006, 0.15, 0.60
"""Radiated power over rated power above which a lamp looks dull orange, half bright, bright (common practice)."""


@dataclass(frozen=True)
class Lamp:
    """Rated power and voltage; ``hot_k`` is the filament at rated power, ``lag_s`` its heat content over rated power.

    ``lag_s`` of 0.07 s makes a cold lamp reach nine tenths of its light in about 0.1 s at full voltage (common
    practice, no source).
    """

    power_w: float = 60.0
    rated_v: float = 230.0
    hot_k: float = 2750.0
    lag_s: float = 0.07

    def __post_init__(self) -> None:
        if not (self.power_w > 0.0 and self.rated_v > 0.0):
            raise ValueError(f"lamp of {self.power_w} W, {self.rated_v} V. Expected both above 0, such as 60 W, 230 V.")

    @property
    def hot_ohm(self) -> float:
        """Resistance at rated power.

        >>> Lamp(100.0, 230.0).hot_ohm
        529.0
        """
        return self.rated_v**2 / self.power_w

    @property
    def cold_ohm(self) -> float:
        """Resistance at room temperature."""
        return self.ohm(AMBIENT_K)

    @property
    def joule_per_kelvin(self) -> float:
        """Heat capacity of the filament."""
        return self.lag_s * self.power_w / (self.hot_k - AMBIENT_K)

    def ohm(self, filament_k: float) -> float:
        """Resistance at a filament temperature."""
        return self.hot_ohm * float((filament_k / self.hot_k) ** RESISTANCE_EXPONENT)

    def brightness(self, filament_k: float) -> float:
        """Radiated power over rated power."""
        return float((filament_k / self.hot_k) ** 4 - (AMBIENT_K / self.hot_k) ** 4)

    def state(self, filament_k: float) -> str:
        """What an eye calls it: dark, dull, half or bright.

        >>> Lamp().state(AMBIENT_K), Lamp().state(2750.0)
        ('dark', 'bright')
        """
        brightness = self.brightness(filament_k)
        if brightness < DULL:
            return "dark"
        if brightness < HALF:
            return "dull"
        return "half" if brightness < BRIGHT else "bright"

    def cooled(self, filament_k: float, seconds: float) -> float:
        """Filament temperature after so long without current, closed form of dT/dt = -k T^4 (down to ambient)."""
        k = self.power_w / self.hot_k**4 / self.joule_per_kelvin
        return max(AMBIENT_K, float((filament_k**-3 + 3.0 * k * seconds) ** (-1.0 / 3.0)))
