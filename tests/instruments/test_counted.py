"""The counted operator is the one it is made of in every respect, and knows how long it was waited for."""

from __future__ import annotations

import time

from benchtest.instruments.counted import CountedOperator
from benchtest.instruments.protocols import Operator


class Slow:
    """Needs a moment for everything; its tone-off hook is set later, as a person's is."""

    def __init__(self) -> None:
        self.tone_off = None
        self.done: list[str] = []

    def set(self, settings, *, say):
        time.sleep(0.02)
        self.done.append(say)

    def ask(self, question, choices, *, about=""):
        time.sleep(0.02)
        return choices[0]

    def enter(self, question, *, unit):
        time.sleep(0.02)
        return "64 mV"

    def tell(self, text):
        self.done.append(text)

    def close(self):
        self.done.append("closed")


def test_what_is_asked_is_counted_and_passed_on():
    inner = Slow()
    counted = CountedOperator(inner)
    assert isinstance(counted, Operator)
    counted.set({"volume": "full"}, say="turn it up")
    assert counted.ask("which?", ["a", "b"]) == "a"
    assert counted.enter("how much?", unit="V") == "64 mV"
    assert counted.seconds >= 0.06
    before = counted.seconds
    counted.tell("good")
    counted.close()
    assert counted.seconds == before
    assert inner.done == ["turn it up", "good", "closed"]


def test_a_hook_that_is_set_reaches_the_one_behind():
    inner = Slow()
    counted = CountedOperator(inner)
    assert hasattr(counted, "tone_off")
    counted.tone_off = print
    assert inner.tone_off is print
    assert not hasattr(CountedOperator(object()), "tone_off")
