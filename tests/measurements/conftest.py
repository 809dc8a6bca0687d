"""A guarded bench together with the simulated one behind it, for tests that know the truth."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest

from tests.measurements.known_bench import KnownBench, opened


@pytest.fixture
def known(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., KnownBench]]:
    """Opens simulated benches whose drawn values the test may read; closes them afterwards."""
    with ExitStack() as closing:
        yield lambda **options: closing.enter_context(opened(monkeypatch, **options))
