"""The supply as an ngspice netlist, written from the circuit diagram and not from the model.

Mains source, its resistance and the primary's, an ideal transformer with a centre-tapped secondary (controlled
sources), four silicon junctions with an exponential law, reservoirs with ESR, bleeders, current sources as load. The
lamp is a resistor whose value follows a thermal node.
"""

from __future__ import annotations

import subprocess
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from simulated_instruments.amplifier.lamp import AMBIENT_K, Lamp
from simulated_instruments.amplifier.mains import Mains
from simulated_instruments.amplifier.rail_fuse import TIME_LAG_S, RailFuse
from simulated_instruments.amplifier.rectifier import Diode, Rectifier
from simulated_instruments.amplifier.reservoir import Reservoir
from simulated_instruments.amplifier.supply import SupplyDesign, demo_supply
from simulated_instruments.amplifier.transformer import Transformer

# A silicon bridge of some 8 A: 0.70 V at 0.1 A, 0.92 V at 5 A. Invented, of no make.
JUNCTION = ".model junction D(IS=4e-9 N=1.6 RS=0.012)"


@dataclass(frozen=True)
class Result:
    """Time in s; positive and negative rail in V; mains current in A; filament in K (0 without a lamp)."""

    time: np.ndarray
    positive: np.ndarray
    negative: np.ndarray
    mains: np.ndarray
    filament: np.ndarray


def netlist(
    d: SupplyDesign,
    load_positive: str,
    load_negative: str,
    stop: float,
    out: Path,
    *,
    lamp: Lamp | None = None,
    core: bool = False,
    step: float = 20e-6,
) -> str:
    """Netlist of ``d``; loads as ngspice has them (``DC 2``, ``I = f(time)``); ``core`` adds the iron's saturation."""
    t, m = d.transformer, d.mains
    n, peak, w = t.ratio, m.fundamental_peak(), 6.283185307179586 * m.frequency
    lines = [
        "supply",
        f"Bm live 0 V = {peak}*(sin({w}*time) + {m.third}*sin({3 * w}*time) + {m.fifth}*sin({5 * w}*time))",
        f"Rm live fused {m.source_ohm + d.mains_fuse.ohm}",
    ]
    if lamp is None:
        lines.append("Vlamp fused before 0")
    else:
        joule = lamp.lag_s * lamp.power_w / (lamp.hot_k - AMBIENT_K)
        hot = lamp.rated_v**2 / lamp.power_w
        lines += [
            f"Blamp fused before I = V(fused,before)/({hot}*pow(V(fil)/{lamp.hot_k},1.2))",
            f"Cfil fil 0 {joule} IC={AMBIENT_K}",
            f"Bfil 0 fil I = V(fused,before)*I(Vs)"
            f" - {lamp.power_w}*(pow(V(fil)/{lamp.hot_k},4) - pow({AMBIENT_K / lamp.hot_k},4))",
        ]
    lines += [
        "Vs before sensed 0",
        f"Rp sensed primary {t.copper_ohm}",
        f"Rcore primary 0 {(t.nominal_v / t.tap_ratio) ** 2 / t.core_loss_w}",
        # Two halves in series, tap at 0; each reflects its current into the primary.
        f"Ea ea 0 primary 0 {n}",
        f"Eb 0 eb primary 0 {n}",
        "Va ea a1 0",
        "Vb b1 eb 0",
        f"Fa primary 0 Va {n}",
        f"Fb primary 0 Vb {n}",
        f"Ra a1 a {t.secondary_ohm}",
        f"Rb b b1 {t.secondary_ohm}",
    ]
    if core:
        full = t.saturation * 2.0**0.5 * t.nominal_v / t.tap_ratio / w
        henry = t.saturated_henry / t.tap_ratio**2
        lines += [
            "Bflux 0 flux I = V(primary)",
            "Cflux flux 0 1 IC=0",
            f"Bsat primary 0 I = (max(V(flux)-{full},0) + min(V(flux)+{full},0))/{henry}",
        ]
    if np.isfinite(t.shorted_turn_ohm):
        lines.append(f"Rturn primary 0 {t.shorted_turn_ohm / n**2}")
    r = d.rectifier
    for name, anode, cathode, diode in (
        ("D1", "a", "pos", r.a_positive),
        ("D2", "b", "pos", r.b_positive),
        ("D3", "neg", "a", r.a_negative),
        ("D4", "neg", "b", r.b_negative),
    ):
        lines += _diode(name, anode, cathode, diode)
    p, q = d.reservoir_positive, d.reservoir_negative
    lines += [
        f"Rep pos cp {max(p.esr, 1e-6)}",
        f"Cp cp 0 {p.farad} IC=0",
        f"Rbp pos 0 {p.bleeder_ohm}",
        f"Ren neg cn {max(q.esr, 1e-6)}",
        f"Cn cn 0 {q.farad} IC=0",
        f"Rbn neg 0 {q.bleeder_ohm}",
        f"{_source(load_positive)}p pos 0 {load_positive}",
        f"{_source(load_negative)}n 0 neg {load_negative}",
        JUNCTION,
        ".options reltol=1e-4 method=gear",
        f".tran {step} {stop} 0 {step} uic",
        ".control",
        "set wr_singlescale",
        "run",
        f"wrdata {out} v(pos) v(neg) i(Vs)" + (" v(fil)" if lamp else ""),
        "quit",
        ".endc",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def _source(load: str) -> str:
    """Kind of element: an expression needs a behavioural source."""
    return "B" if load.startswith("I =") else "I"


def _diode(name: str, anode: str, cathode: str, diode: Diode) -> list[str]:
    if diode.open:
        return []
    if diode.shorted:
        return [f"R{name} {anode} {cathode} {diode.ohm}"]
    return [f"{name} {anode} {cathode} junction"]


class Ngspice:
    """Runs netlists in a folder of its own, and the model beside them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def run(
        self,
        design: SupplyDesign,
        load_positive: str,
        load_negative: str,
        stop: float,
        *,
        lamp: Lamp | None = None,
        core: bool = False,
    ) -> Result:
        """From switch-on with empty reservoirs to ``stop``; raises where ngspice leaves no data."""
        source, out = self.folder / "supply.cir", self.folder / "supply.data"
        text = netlist(design, load_positive, load_negative, stop, out, lamp=lamp, core=core)
        source.write_text(text, encoding="utf-8")
        done = subprocess.run(["ngspice", "-b", str(source)], capture_output=True, text=True, timeout=120, check=False)
        if not out.exists():
            raise RuntimeError(f"ngspice wrote no data: {done.stdout[-2000:]} {done.stderr[-2000:]}")
        data = np.loadtxt(out)
        assert data[-1, 0] > 0.999 * stop, "ngspice stopped early"
        return Result(data[:, 0], data[:, 1], data[:, 2], data[:, 3], data[:, 4] if lamp else np.zeros(len(data)))


@pytest.fixture
def ngspice(tmp_path: Path) -> Ngspice:
    return Ngspice(tmp_path)


@pytest.fixture
def plain() -> SupplyDesign:
    """The demo supply without what the netlist leaves out: auxiliary rails, absorption, leakage, fuses."""
    d = demo_supply()
    return replace(
        d,
        auxiliary=None,
        fuse_positive=None,
        fuse_negative=None,
        mains_fuse=RailFuse(1000.0, 0.03, TIME_LAG_S),
        reservoir_positive=replace(d.reservoir_positive, absorption=0.0, leakage_a=0.0),
        reservoir_negative=replace(d.reservoir_negative, absorption=0.0, leakage_a=0.0),
        # flux is followed by the model and, where asked for, by the netlist; without it the iron holds everything
        transformer=replace(d.transformer, magnetising_a=0.0, saturation=100.0),
    )


@pytest.fixture
def bare() -> SupplyDesign:
    """The textbook circuit on a 50 V peak sine: 0.3 ohm in all, ideal diodes, 10 mF, no other current."""
    ideal = Diode(forward_v=0.0, ohm=0.0)
    reservoir = Reservoir(farad=10e-3, esr=0.0, leakage_a=0.0, bleeder_ohm=1e9, absorption=0.0)
    return SupplyDesign(
        mains=Mains(230.0, 50.0, third=0.0, fifth=0.0, source_ohm=0.0),
        mains_fuse=RailFuse(1000.0, 0.0, TIME_LAG_S),
        transformer=Transformer(
            secondary_rms_off_load=50.0 / 2.0**0.5,
            primary_ohm=1e-9,
            secondary_ohm=0.3,
            core_loss_w=0.0,
            magnetising_a=0.0,
            saturation=100.0,
        ),
        rectifier=Rectifier(ideal, ideal, ideal, ideal),
        reservoir_positive=reservoir,
        reservoir_negative=reservoir,
        fuse_positive=None,
        fuse_negative=None,
        auxiliary=None,
    )
