"""The supply as a parts list: what is soldered in, the demo values, and how healthy parts scatter."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from simulated_instruments.amplifier.auxiliary import Auxiliary
from simulated_instruments.amplifier.lamp import Lamp
from simulated_instruments.amplifier.mains import Mains
from simulated_instruments.amplifier.rail_fuse import TIME_LAG_S, RailFuse
from simulated_instruments.amplifier.rectifier import Diode, Rectifier
from simulated_instruments.amplifier.reservoir import Reservoir
from simulated_instruments.amplifier.transformer import Transformer


@dataclass(frozen=True)
class SupplyDesign:
    """Component values of a supply; a fault is a changed component (``dataclasses.replace``).

    ``single_rail``: one winding, a bridge and the positive reservoir only, for capacitor-coupled amplifiers; each half
    cycle passes two diodes. ``lamp``: in series with the live, None for none. The rail fuses sit after the reservoirs,
    None where there are none.
    """

    mains: Mains = field(default_factory=Mains)
    mains_fuse: RailFuse = field(default_factory=lambda: RailFuse(3.15, 0.03, TIME_LAG_S))
    lamp: Lamp | None = None
    transformer: Transformer = field(default_factory=Transformer)
    rectifier: Rectifier = field(default_factory=Rectifier)
    reservoir_positive: Reservoir = field(default_factory=Reservoir)
    reservoir_negative: Reservoir = field(default_factory=Reservoir)
    fuse_positive: RailFuse | None = field(default_factory=lambda: RailFuse(6.3, 0.008))
    fuse_negative: RailFuse | None = field(default_factory=lambda: RailFuse(6.3, 0.008))
    auxiliary: Auxiliary | None = field(default_factory=Auxiliary)
    single_rail: bool = False


def demo_supply() -> SupplyDesign:
    """The supply of the demo amplifier, 2 x 60 W into 8 ohm: invented, of no make.

    >>> demo_supply().reservoir_positive.farad
    0.0082
    """
    return SupplyDesign()


def with_tolerances(design: SupplyDesign, rng: np.random.Generator) -> SupplyDesign:
    """The same design with parts as they come: every value within what a healthy part may have.

    Electrolytics: code M of IEC 60062, +-20 %; two of one batch are alike, so most of the spread is shared (common
    practice, no source). ESR +-30 %, leakage a factor of 2 either way, winding resistance +-8 %, secondary +-1.5 %,
    core +-20 %, diodes +-40 mV, bleeders +-5 % (E24), zeners +-5 %, lamp +-5 %: all common practice, no source.
    Mains voltage and frequency are the bench's and stay.
    """

    def spread(fraction: float) -> float:
        """A factor within 1 +- fraction, denser in the middle (sum of two uniform draws)."""
        return 1.0 + fraction * 0.5 * float(rng.uniform(-1.0, 1.0) + rng.uniform(-1.0, 1.0))

    def diode(d: Diode) -> Diode:
        return replace(d, forward_v=d.forward_v + 0.04 * (spread(1.0) - 1.0), ohm=d.ohm * spread(0.2))

    def fuse(f: RailFuse | None) -> RailFuse | None:
        return None if f is None else replace(f, ohm=f.ohm * spread(0.15))

    batch = spread(0.15)

    def reservoir(r: Reservoir) -> Reservoir:
        return replace(
            r,
            farad=r.farad * batch * spread(0.04),
            esr=r.esr * spread(0.3),
            leakage_a=r.leakage_a * float(2.0 ** rng.uniform(-1.0, 1.0)),
            bleeder_ohm=r.bleeder_ohm * spread(0.05),
            absorption=r.absorption * spread(0.3),
        )

    t, b = design.transformer, design.rectifier
    lamp, auxiliary, mains_fuse = design.lamp, design.auxiliary, fuse(design.mains_fuse)
    assert mains_fuse is not None
    return replace(
        design,
        mains_fuse=mains_fuse,
        lamp=None if lamp is None else replace(lamp, power_w=lamp.power_w * spread(0.05)),
        transformer=replace(
            t,
            secondary_rms_off_load=t.secondary_rms_off_load * spread(0.015),
            primary_ohm=t.primary_ohm * spread(0.08),
            secondary_ohm=t.secondary_ohm * spread(0.08),
            core_loss_w=t.core_loss_w * spread(0.2),
            magnetising_a=t.magnetising_a * spread(0.2),
        ),
        rectifier=Rectifier(diode(b.a_positive), diode(b.b_positive), diode(b.a_negative), diode(b.b_negative)),
        reservoir_positive=reservoir(design.reservoir_positive),
        reservoir_negative=reservoir(design.reservoir_negative),
        fuse_positive=fuse(design.fuse_positive),
        fuse_negative=fuse(design.fuse_negative),
        auxiliary=None
        if auxiliary is None
        else replace(
            auxiliary, zener_v=auxiliary.zener_v * spread(0.05), dropper_ohm=auxiliary.dropper_ohm * spread(0.05)
        ),
    )
