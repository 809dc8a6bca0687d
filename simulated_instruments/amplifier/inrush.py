"""What happens between the wall and the rectifier when it is not simply a resistance: the first half second with the
core's flux finding its place, a series lamp that heats, a core that saturates at the wrong voltage setting, a diode
that leads both ways. The same nodes as in ``rectifier``, each of them solved.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchtest.instruments.protocols import FloatArray
from simulated_instruments.amplifier.lamp import AMBIENT_K, RESISTANCE_EXPONENT, Lamp
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
    # constants in local names: this loop is a good part of what a short run costs
    ratio, full_flux, full_henry = path.ratio, path.full_flux, path.full_henry
    lamp_scale = ratio**2
    hot_ohm, hot_k, lamp_w, heat_capacity, cold4 = 0.0, 1.0, 0.0, 1.0, 0.0
    if lamp is not None:
        hot_ohm, hot_k, lamp_w, heat_capacity = lamp.hot_ohm, lamp.hot_k, lamp.power_w, lamp.joule_per_kelvin
        cold4 = (AMBIENT_K / hot_k) ** 4
    signs = (-1.0, 1.0)
    columns = (path.own1, path.own2, path.shorted1, path.shorted2, path.shorting1, path.shorting2)
    halves = list(zip(signs, path.shunt, *columns, strict=True))
    w1, i1, w2, i2 = charge.w1, charge.i1, charge.w2, charge.i2
    rows = [(w1, i1, w2, i2, i1 + i2, filament)]
    lamp_ohm = 0.0
    for k in range(1, len(g1)):
        sign, shunt, own1, own2, shorted1, shorted2, shorting1, shorting2 = halves[a_is_positive[k]]
        before = path.before_core
        if lamp is not None:
            lamp_ohm = hot_ohm * (filament / hot_k) ** RESISTANCE_EXPONENT
            before += lamp_ohm * lamp_scale
        share = 1.0 / (1.0 + before * shunt)
        rc = before * share
        e = electromotive[k] * share
        # The iron: where the flux would pass what it holds, the rest drives a current through the saturated winding.
        ahead = flux + sign * h * (e - rc * (i1 + i2))
        excess = abs(ahead) - full_flux
        saturated = 0.0
        if excess > 0.0:
            saturated = excess / (full_henry + h * rc) * (sign if ahead > 0.0 else -sign)
            e -= rc * saturated
        b1 = e + g1[k] - w1 - half1 * i1
        b2 = e + g2[k] - w2 - half2 * i2
        s1, s2 = own1 + half1 + rc, own2 + half2 + rc
        inverse = 1.0 / (s1 * s2 - rc * rc)
        n1, n2 = (s2 * b1 - rc * b2) * inverse, (s1 * b2 - rc * b1) * inverse
        blocked1, blocked2 = n1 < 0.0 and not shorted1, n2 < 0.0 and not shorted2
        if blocked1 or blocked2:
            if blocked1 and (n1 < n2 or not blocked2):
                n1, n2 = 0.0, b2 / s2
                if n2 < 0.0 and not shorted2:
                    n2 = 0.0
            else:
                n1, n2 = b1 / s1, 0.0
                if n1 < 0.0 and not shorted1:
                    n1 = 0.0
        w1 += half1 * (i1 + n1)
        w2 += half2 * (i2 + n2)
        i1, i2 = n1, n2
        if shorting1 is not None:
            w1 = q1[k] + (w1 - q1[k]) / (1.0 + h / (path.farad1 * shorting1))
        if shorting2 is not None:
            w2 = q2[k] + (w2 - q2[k]) / (1.0 + h / (path.farad2 * shorting2))
        if w1 < q1[k]:
            w1 = q1[k]
        if w2 < q2[k]:
            w2 = q2[k]
        inside = e - rc * (n1 + n2)
        flux += sign * h * inside
        current = n1 + n2 + inside * shunt + saturated
        if lamp is not None:
            through = current * ratio
            radiated = lamp_w * ((filament / hot_k) ** 4 - cold4)
            filament += h * (through * through * lamp_ohm - radiated) / heat_capacity
        rows.append((w1, i1, w2, i2, current, filament))
    charge.w1, charge.i1, charge.w2, charge.i2 = w1, i1, w2, i2
    iron.flux, iron.filament_k = flux, filament
    return DetailedConduction(*np.ascontiguousarray(np.array(rows).T))
