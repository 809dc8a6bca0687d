"""The mains transformer: ratio, regulation, core, and two of its faults (wrong voltage setting, shorted turn).

All its elements are referred to one half of the secondary, where the rectifier sees them: primary ohms times the
square of the turns ratio. Leakage inductance is left out (small beside the resistances in a toroid).
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Transformer:
    """A centre-tapped transformer; on a single-rail supply "half" means the whole winding.

    secondary_rms_off_load: V of one half at ``nominal_v`` on the primary. primary_ohm, secondary_ohm (a half): copper.
    tap_ratio: 1 for the right voltage setting; 2 where a set left on half the mains voltage gets all of it, 0.5 for
    the opposite. core_loss_w and magnetising_a at nominal flux. saturation: flux over nominal at which the iron is
    full; saturated_henry: what is left of the primary's inductance there; remanence: flux over nominal that stays when
    it is switched off. shorted_turn_ohm: resistance of a shorted turn (or several), as seen from one half of the
    secondary, ohms times the square of the ratio of turns: one turn of a 300 VA toroid takes some tens of watts,
    so about 40 ohm; several, a few ohm.
    """

    secondary_rms_off_load: float = 31.5
    primary_ohm: float = 6.5
    secondary_ohm: float = 0.15
    nominal_v: float = 230.0
    tap_ratio: float = 1.0
    core_loss_w: float = 5.0
    magnetising_a: float = 0.02
    saturation: float = 1.4
    saturated_henry: float = 0.012
    remanence: float = 0.4
    shorted_turn_ohm: float = math.inf

    def __post_init__(self) -> None:
        for name in ("secondary_rms_off_load", "primary_ohm", "secondary_ohm", "nominal_v", "tap_ratio"):
            value = getattr(self, name)
            if not (value > 0.0 and math.isfinite(value)):
                raise ValueError(f"transformer {name} = {value}. Expected a number above 0.")
        if not self.shorted_turn_ohm > 0.0:
            raise ValueError(f"transformer shorted_turn_ohm = {self.shorted_turn_ohm}. Expected above 0; inf for none.")

    @property
    def ratio(self) -> float:
        """Turns of one half of the secondary over turns of the primary, as the voltage setting has it."""
        return self.tap_ratio * self.secondary_rms_off_load / self.nominal_v

    @property
    def copper_ohm(self) -> float:
        """The primary's own resistance as set: half the turns means two windings in parallel, a quarter of it."""
        return self.primary_ohm / self.tap_ratio**2

    def referred(self, primary_side_ohm: float) -> float:
        """Ohms in the primary circuit as one half of the secondary sees them."""
        return primary_side_ohm * self.ratio**2

    @property
    def shunt_siemens(self) -> float:
        """Core loss and shorted turn, across one half of the secondary."""
        core = self.core_loss_w / self.secondary_rms_off_load**2
        return core + 1.0 / self.shorted_turn_ohm

    def nominal_flux(self, omega: float) -> float:
        """Peak flux linkage of one half of the secondary at nominal voltage and right setting, V s."""
        return math.sqrt(2.0) * self.secondary_rms_off_load / omega

    @property
    def saturated_henry_referred(self) -> float:
        """Inductance of the full iron, referred to one half of the secondary."""
        return self.referred(self.saturated_henry / self.tap_ratio**2)


def regulation(transformer: Transformer, load_va: float) -> float:
    """Drop of the secondaries from off load to a resistive load on both halves, over the off-load voltage.

    >>> 0.05 < regulation(Transformer(), 300.0) < 0.08  # usual for a toroid of this size
    True
    """
    # Both halves carry current: the primary drop counts twice. The load's ohms are those that take the VA off load.
    source = transformer.secondary_ohm + 2.0 * transformer.referred(transformer.copper_ohm)
    load = 2.0 * transformer.secondary_rms_off_load**2 / load_va
    return source / (source + load)
