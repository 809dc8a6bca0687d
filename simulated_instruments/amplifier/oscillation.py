"""What an oscillating output stage puts into the audio band: a raised floor, wandering offset, bursts on peaks.

The oscillation itself lies far above the band (a meter sees it, a sound card does not); its amplitude and bias wander,
and that is what comes through.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .noise import Telegraph, white
from .output_network import OutputNetwork

FloatArray = NDArray[np.float64]

_FLOOR = 3e-3
"""Noise within half of 96 kHz over the oscillation's rms; common practice, no source."""
_BURST = 1.2e-2
_PEAKS = 0.55
"""Share of the rail above which a stage with little margin bursts."""


@dataclass
class Oscillation:
    """State of a channel's oscillation."""

    network: OutputNetwork
    rng: np.random.Generator
    _jumps: Telegraph = field(init=False)

    def __post_init__(self) -> None:
        self._jumps = Telegraph(self.rng)

    @property
    def present(self) -> bool:
        return self.network.oscillates or self.network.bursts

    def heard(self, y: FloatArray, rail_v: float, rate: float, scale: float) -> FloatArray:
        """What it adds to the output ``y`` (n,) on rails of ``rail_v``; ``scale`` 0 leaves only the offset."""
        n = len(y)
        if self.network.oscillates:
            added = white(self.rng, n, scale * _FLOOR * self.network.oscillation_v)
            return added + self._jumps(n, rate, scale * 0.3 * self.network.offset_shift_v, 1.5)
        peaks = np.clip(np.abs(y) / max(rail_v, 1.0) - _PEAKS, 0.0, None) / (1.0 - _PEAKS)
        return white(self.rng, n, scale * _BURST * self.network.oscillation_v) * np.minimum(1.0, 4.0 * peaks)

    @property
    def eaten_v(self) -> float:
        """Peak of the oscillation: so much earlier the stage clips."""
        return 1.41 * self.network.oscillation_v if self.network.oscillates else 0.0
