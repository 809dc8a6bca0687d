"""An operator whose time is counted, so that a run's record can tell a person's time from the program's own."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from benchtest.instruments.protocols import Operator

_OWN = ("_operator", "seconds")


class CountedOperator:
    """The operator it is made of, in every respect; ``seconds`` is the wall time for which it was waited."""

    def __init__(self, operator: Operator) -> None:
        self._operator = operator
        self.seconds = 0.0

    def set(self, settings: Mapping[str, str], *, say: str) -> None:
        """See ``Operator.set``."""
        with self._counted():
            self._operator.set(settings, say=say)

    def ask(self, question: str, choices: Sequence[str], *, about: str = "") -> str:
        """See ``Operator.ask``."""
        with self._counted():
            return self._operator.ask(question, choices, about=about)

    def enter(self, question: str, *, unit: str) -> str:
        """See ``Operator.enter``."""
        with self._counted():
            return self._operator.enter(question, unit=unit)

    def tell(self, text: str) -> None:
        """See ``Operator.tell``."""
        self._operator.tell(text)

    def close(self) -> None:
        """See ``Operator.close``."""
        self._operator.close()

    @contextmanager
    def _counted(self) -> Iterator[None]:
        began = time.perf_counter()
        try:
            yield
        finally:
            self.seconds += time.perf_counter() - began

    def __getattr__(self, name: str) -> Any:
        return getattr(self._operator, name)

    def __setattr__(self, name: str, value: Any) -> None:
        if name in _OWN:
            object.__setattr__(self, name, value)
        else:
            setattr(self._operator, name, value)
