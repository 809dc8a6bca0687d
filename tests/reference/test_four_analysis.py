"""Harmonics of circuits' waveforms against ngspice's own .four analysis: a tool that nobody here wrote.

.four takes the last cycle of a transient analysis, interpolated to evenly spaced points (by default 200, here 20 000), as
a Fourier series; ours gets several cycles of the same run, interpolated to even steps, and does not know the frequency.
"""

import re
import subprocess

import numpy as np
import pytest

from benchtest.analysis import harmonic_fit

pytestmark = pytest.mark.needs("ngspice")

CIRCUITS = {
    # Complementary emitter followers without bias: crossover distortion, odd harmonics that fall slowly.
    "class B stage": (
        """
V1 in 0 SIN(0 2 1k)
VP vp 0 15
VN vn 0 -15
Q1 vp in out NPN
Q2 vn in out PNP
RL out 0 8
.model NPN NPN(BF=200 IS=1e-14)
.model PNP PNP(BF=200 IS=1e-14)
""",
        1000.0,
    ),
    # Two diodes of unlike sizes across a resistor: even and odd harmonics.
    "diode clipper": (
        """
V1 in 0 SIN(0 1.5 1k)
R1 in out 1k
D1 out 0 D1
D2 0 out D2
.model D1 D(IS=1e-9 N=1.8)
.model D2 D(IS=1e-12 N=1.1)
""",
        1000.0,
    ),
    # Full-wave rectifier with a small reservoir: hum at twice the mains frequency and its harmonics, on top of dc.
    "rectifier supply": (
        """
V1 a 0 SIN(0 30 50)
V2 b 0 SIN(0 -30 50)
RS1 a a1 0.5
RS2 b b1 0.5
D1 a1 out D1
D2 b1 out D1
C1 out 0 470u IC=27
RL out 0 47
.model D1 D(IS=1e-9 N=1.8)
""",
        100.0,
    ),
}


def run(netlist, fundamental, folder):
    """(harmonic amplitudes and phases by .four, even samples of the last ten cycles, sample rate)."""
    period = 1 / fundamental
    stop, start, step = 30 * period, 20 * period, period / 2000
    deck, data = folder / "deck.cir", folder / "data.txt"
    uic = " uic" if "IC=" in netlist else ""
    deck.write_text(
        f"* harmonics\n{netlist}\n.options reltol=1e-6 abstol=1e-13 vntol=1e-9\n"
        f".tran {step} {stop} {start} {step / 2}{uic}\n"
        f".control\nset numdgt=12\nset nfreqs=10\nset fourgridsize=20000\nset polydegree=3\nrun\n"
        f"fourier {fundamental} v(out)\nset wr_singlescale\nset wr_vecnames\nwrdata {data} v(out)\nquit\n.endc\n.end\n"
    )
    done = subprocess.run(["ngspice", "-b", str(deck)], capture_output=True, text=True, timeout=120, check=False)
    lines = re.findall(r"^\s+(\d+)\s+(\S+)\s+(\S+)\s+(\S+)\s+(\S+)\s+(\S+)\s*$", done.stdout, re.MULTILINE)
    assert len(lines) == 10, done.stdout + done.stderr
    levels = np.array([float(line[2]) for line in lines])
    time, values = np.loadtxt(data, skiprows=1).T
    rate = 1 / step
    n = round((stop - start) * rate)
    even = np.interp(start + np.arange(n) / rate, time, values)
    return levels, even, rate


@pytest.mark.parametrize("name", CIRCUITS)
def test_harmonics_match_four(name, tmp_path):
    netlist, fundamental = CIRCUITS[name]
    levels, samples, rate = run(netlist, fundamental, tmp_path)
    fit = harmonic_fit(samples, rate, highest_hz=20.5 * fundamental)
    assert fit.frequency_hz == pytest.approx(fundamental, rel=1e-6)
    assert fit.dc == pytest.approx(levels[0], abs=1e-4 * levels[1])
    # Both interpolate between the simulator's own time steps: a part in ten thousand of the fundamental is left open.
    np.testing.assert_allclose(fit.levels[:9], levels[1:], rtol=2e-3, atol=1e-4 * levels[1])
    thd = np.linalg.norm(levels[2:]) / levels[1]
    assert np.linalg.norm(fit.levels[1:9]) / fit.levels[0] == pytest.approx(thd, rel=2e-3, abs=1e-4)
