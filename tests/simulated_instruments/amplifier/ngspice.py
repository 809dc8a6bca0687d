"""Running a netlist with ngspice and reading back evenly spaced samples of one node."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np


def transient(netlist: str, node: str, *, step: float, stop: float, start: float, folder: Path) -> np.ndarray:
    """Voltage or current ``node`` at start, start + step, ... < stop, from a transient analysis with no longer steps."""
    out = folder / "out.txt"
    deck = folder / "deck.cir"
    deck.write_text(
        f"* written by the tests\n{netlist}\n.options reltol=1e-6 abstol=1e-12 vntol=1e-9 method=gear\n"
        f".tran {step / 4} {stop} {start} {step / 4}\n"
        f".control\nset wr_singlescale\nset wr_vecnames\nset numdgt=12\nrun\nlinearize {node}\n"
        f"wrdata {out} {node}\nquit\n.endc\n.end\n"
    )
    done = subprocess.run(["ngspice", "-b", str(deck)], capture_output=True, text=True, timeout=120, check=False)
    assert out.exists(), done.stdout + done.stderr
    table = np.loadtxt(out, skiprows=1)
    time, values = table[:, 0], table[:, 1]
    n = round((stop - start) / step)
    return np.interp(start + step * np.arange(n), time, values)
