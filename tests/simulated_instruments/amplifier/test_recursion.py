"""The recursive filter against scipy.signal.lfilter, which computes the same by another way."""

import numpy as np
import pytest
from scipy import signal

from simulated_instruments.amplifier.recursion import lfilter, steady_memory

FILTERS = [
    ([0.5, 0.3, 0.1], np.convolve([1, -0.999], [1, -0.98])),
    ([1.0, -1.0], [1.0, -0.9999]),
    ([0.2], [1.0, -0.5]),
    ([0.3, 0.2, 0.1, 0.05], [1.0, -0.7]),
    ([1.0, 0.5], [1.0]),
]


@pytest.mark.parametrize(("b", "a"), FILTERS)
@pytest.mark.parametrize("cuts", [(), (1,), (2, 3, 700), (500,)])
def test_it_filters_as_lfilter_does_in_blocks_of_any_length(b, a, cuts):
    b, a = np.asarray(b, dtype=float), np.asarray(a, dtype=float)
    rng = np.random.default_rng(1)
    x = rng.standard_normal(1000)
    memory = rng.standard_normal(max(len(a), len(b)) - 1)
    expected, _ = signal.lfilter(b, a, x, zi=memory)
    got = []
    for part in np.split(x, cuts):
        y, memory = lfilter(b, a, part, memory)
        got.append(y)
    np.testing.assert_allclose(np.concatenate(got), expected, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize(("b", "a"), FILTERS)
def test_the_steady_memory_is_lfilter_zi(b, a):
    np.testing.assert_allclose(
        steady_memory(np.asarray(b, float), np.asarray(a, float)), signal.lfilter_zi(b, a), rtol=1e-9
    )
