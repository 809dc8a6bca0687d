"""One filter and one FFT figure by GNU Octave, whose arithmetic nobody here wrote (Debian package ``octave``)."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest

from benchtest.analysis import analyse
from benchtest.analysis.weighting import a_weighting

pytestmark = pytest.mark.needs("octave")
RATE = 48000


def octave(script: str, folder: Path) -> str:
    """What a script prints."""
    path = folder / "script.m"
    path.write_text(script, encoding="utf-8")
    done = subprocess.run(
        ["octave-cli", "--norc", "--quiet", str(path)], capture_output=True, text=True, check=True, timeout=120
    )
    return done.stdout


def test_a_weighting_is_octave_s_polynomial_of_the_poles(tmp_path):
    """IEC 61672-1's poles (20.6, 107.7, 737.9, 12194 Hz, rounded as printed) multiplied out and evaluated by Octave."""
    frequencies = np.geomspace(10.0, 40e3, 60)
    (tmp_path / "f.txt").write_text("\n".join(f"{f!r}" for f in frequencies.tolist()), encoding="utf-8")
    printed = octave(
        f"""
        f = load("{tmp_path}/f.txt");
        w = 2 * pi * [20.6 20.6 107.7 737.9 12194 12194];
        a = poly(-w); b = [1 0 0 0 0];
        gain = @(f) abs(polyval(b, 2i * pi * f) ./ polyval(a, 2i * pi * f));
        printf("%.12g\\n", 20 * log10(gain(f) / gain(1000)));
        """,
        tmp_path,
    )
    expected = np.array([float(line) for line in printed.split()])
    assert len(expected) == len(frequencies)
    # the published constants are rounded to a tenth of a hertz: 0.005 dB
    np.testing.assert_allclose(20.0 * np.log10(a_weighting(frequencies)), expected, atol=0.005)


def test_harmonics_and_thd_are_those_of_octave_s_transform(tmp_path):
    """Whole periods in the record, so that Octave's plain FFT shows every line in one bin, without a window."""
    n = 4800
    t = np.arange(n) / RATE
    rng = np.random.default_rng(5)
    x = np.cos(2 * np.pi * 1000 * t) + 0.01 * np.cos(2 * np.pi * 2000 * t + 1.0) + 0.003 * np.cos(2 * np.pi * 5000 * t)
    x = np.tanh(0.3 * x) / 0.3 + 1e-6 * rng.standard_normal(n)
    x.astype("<f8").tofile(tmp_path / "x.f64")
    printed = octave(
        f"""
        file = fopen("{tmp_path}/x.f64"); x = fread(file, Inf, "double", 0, "ieee-le"); fclose(file);
        lines = abs(fft(x)) * 2 / numel(x);
        lines = lines(1 + 100 * (1:19));
        printf("%.12g\\n", 100 * norm(lines(2:end)) / lines(1), 20 * log10(lines(2:6) / lines(1)));
        """,
        tmp_path,
    )
    thd_percent, *levels_db = (float(line) for line in printed.split())
    channel = analyse(x, RATE, fundamental_hz=1000.0, band_hz=(20.0, 19.5e3)).channels[0]
    assert channel.thd_percent == pytest.approx(thd_percent, rel=1e-4)
    for harmonic, expected in zip(channel.harmonics[:5], levels_db, strict=True):
        if expected > -90.0:  # below, the noise of one bin is not that of a weighted fit
            assert harmonic.level_db == pytest.approx(expected, abs=0.01)
