"""A person who presses the key, and a simulated bench that then does what was asked.

Practice on the simulated bench: every prompt is shown as on a real one. What only eyes could tell (is the lamp bright?)
the simulated bench answers, since there is nothing to look at.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from benchtest.instruments.person import PersonOperator
from benchtest.instruments.protocols import Operator


class PromptsFirst:
    """The ``Operator`` protocol: each request goes to the person first, then to the simulated bench."""

    def __init__(self, simulated: Operator, person: PersonOperator | None = None) -> None:
        self._simulated = simulated
        self._person = person or PersonOperator()

    @property
    def tone_off(self) -> Callable[[], None] | None:
        """Called when the space bar is hit; the person's."""
        return self._person.tone_off

    @tone_off.setter
    def tone_off(self, act: Callable[[], None] | None) -> None:
        self._person.tone_off = act

    def set(self, settings: Mapping[str, str], *, say: str) -> None:
        self._person.set(settings, say=say)
        self._simulated.set(settings, say=say)

    def ask(self, question: str, choices: Sequence[str], *, about: str = "") -> str:
        answer = self._simulated.ask(question, choices, about=about)
        self._person.tell(f"{question} {answer} (the simulated bench answers)")
        return answer

    def enter(self, question: str, *, unit: str) -> str:
        answer = self._simulated.enter(question, unit=unit)
        self._person.tell(f"{question} {answer} (the simulated bench answers)")
        return answer

    def tell(self, text: str) -> None:
        self._person.tell(text)

    def close(self) -> None:
        self._person.close()
        self._simulated.close()
