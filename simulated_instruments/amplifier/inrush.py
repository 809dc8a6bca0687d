"""What happens between the wall and the rectifier when it is not simply a resistance: the first half second with the
core's flux finding its place, a series lamp that heats, a core that saturates at the wrong voltage setting, a diode
that leads both ways. The same nodes as in ``rectifier``, each of them solved.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchtest.instruments.protocols import FloatArray
from simulated_instruments.amplifier.lamp import Lamp
from simulated_instruments.amplifier.rectifier import Charge, Conduction, Nodes


@dataclass(slots=True)
class Iron:
    """State between two nodes: flux linkage of one half of the secondary (V s) and the lamp's filament (K)."""

    flux: float
    filament_k: float


@dataclass(frozen=True)
class Path:
    """Constants of the way in, referred to one half of the secondary (ohm, siemens, henry, V s).

    drop1/2, own1/2 and shunt hold [b half cycle, a half cycle]. shorted1/2: the charging diode of that half cycle leads
    both ways. shorting1/2: ohms that empty the rail, where the other half cycle's diode is shorted; else None.
    """

    before_core: float
    ratio: float
    shunt: tuple[float, float]
    own1: tuple[float, float]
    own2: tuple[float, float]
    shorted1: tuple[bool, bool]
    shorted2: tuple[bool, bool]
    shorting1: tuple[float | None, float | None]
    shorting2: tuple[float | None, float | None]
    farad1: float
    farad2: float
    full_flux: float
    full_henry: float
    lamp: Lamp | None


@dataclass(frozen=True)
class DetailedConduction(Conduction):
    """With the whole primary current (A in one half of the secondary's terms) and the filament at every node."""

    total: FloatArray
    filament_k: FloatArray


def conduct_in_detail(
    charge: Charge, iron: Iron, nodes: Nodes, electromotive: list[float], path: Path
) -> DetailedConduction:
    """Solve both rails, core and lamp over the nodes; ``electromotive`` is the rectified source voltage at each.

    ``nodes.g1`` and ``g2`` hold what is not the source: Q / C less the diodes' drop (NEVER where nothing leads there).
    """
    g1, g2, q1, q2, a_is_positive = nodes.g1, nodes.g2, nodes.q1, nodes.q2, nodes.a_is_positive
    h = nodes.step
    half1, half2 = 0.5 * h / path.farad1, 0.5 * h / path.farad2
    lamp, flux, filament = path.lamp, iron.flux, iron.filament_k
    lamp_scale = path.ratio**2
    w1, i1, w2, i2 = charge.w1, charge.i1, charge.w2, charge.i2
    all_w1, all_i1, all_w2, all_i2 = [w1], [i1], [w2], [i2]
    total, filaments = [i1 + i2], [filament]
    for k in range(1, len(g1)):
        polarity = 1 if a_is_positive[k] else 0
        sign = 1.0 if polarity else -1.0
        before = path.before_core
        lamp_ohm = 0.0
        if lamp is not None:
            lamp_ohm = lamp.ohm(filament)
            before += lamp_ohm * lamp_scale
        share = 1.0 / (1.0 + before * path.shunt[polarity])
        rc = before * share
        e = electromotive[k] * share
        # The iron: where the flux would pass what it holds, the rest drives a current through the saturated winding.
        ahead = flux + sign * h * (e - rc * (i1 + i2))
        excess = abs(ahead) - path.full_flux
        saturated = 0.0
        if excess > 0.0:
            saturated = excess / (path.full_henry + h * rc) * (sign if ahead > 0.0 else -sign)
            e -= rc * saturated
        b1 = e + g1[k] - w1 - half1 * i1
        b2 = e + g2[k] - w2 - half2 * i2
        s1, s2 = path.own1[polarity] + half1 + rc, path.own2[polarity] + half2 + rc
        inverse = 1.0 / (s1 * s2 - rc * rc)
        n1, n2 = (s2 * b1 - rc * b2) * inverse, (s1 * b2 - rc * b1) * inverse
        blocked1, blocked2 = n1 < 0.0 and not path.shorted1[polarity], n2 < 0.0 and not path.shorted2[polarity]
        if blocked1 or blocked2:
            if blocked1 and (n1 < n2 or not blocked2):
                n1, n2 = 0.0, b2 / s2
                if n2 < 0.0 and not path.shorted2[polarity]:
                    n2 = 0.0
            else:
                n1, n2 = b1 / s1, 0.0
                if n1 < 0.0 and not path.shorted1[polarity]:
                    n1 = 0.0
        w1 += half1 * (i1 + n1)
        w2 += half2 * (i2 + n2)
        i1, i2 = n1, n2
        drain = path.shorting1[polarity]
        if drain is not None:
            w1 = q1[k] + (w1 - q1[k]) / (1.0 + h / (path.farad1 * drain))
        drain = path.shorting2[polarity]
        if drain is not None:
            w2 = q2[k] + (w2 - q2[k]) / (1.0 + h / (path.farad2 * drain))
        w1, w2 = max(w1, q1[k]), max(w2, q2[k])
        inside = e - rc * (n1 + n2)
        flux += sign * h * inside
        current = n1 + n2 + inside * path.shunt[polarity] + saturated
        if lamp is not None:
            through = current * path.ratio
            radiated = lamp.power_w * lamp.brightness(filament)
            filament += h * (through * through * lamp_ohm - radiated) / lamp.joule_per_kelvin
        all_w1.append(w1)
        all_w2.append(w2)
        all_i1.append(i1)
        all_i2.append(i2)
        total.append(current)
        filaments.append(filament)
    charge.w1, charge.i1, charge.w2, charge.i2 = w1, i1, w2, i2
    iron.flux, iron.filament_k = flux, filament
    return DetailedConduction(*(np.array(column) for column in (all_w1, all_i1, all_w2, all_i2, total, filaments)))
