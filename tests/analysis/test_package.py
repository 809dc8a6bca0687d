"""What the package offers, and that asking for it costs little."""

import subprocess
import sys

import numpy as np
import pytest
from scipy import fft

import benchtest.analysis
from benchtest.analysis.transforms import fast_length


def test_all_is_what_is_there():
    assert sorted(benchtest.analysis.__all__) == list(benchtest.analysis.__all__)
    for name in benchtest.analysis.__all__:
        assert getattr(benchtest.analysis, name).__module__.startswith("benchtest.analysis.")


def test_importing_it_loads_no_heavy_library():
    code = "import sys, benchtest.analysis; print([m for m in ('scipy', 'pandas', 'matplotlib') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("seed", range(3))
def test_fast_length_is_scipy_s(seed):
    for n in np.random.default_rng(seed).integers(1, 10**7, 100).tolist():
        assert fast_length(n) == fft.next_fast_len(n, real=True)
