"""Our figures beside the published methods: which of a method's conditions a reading met, and so whether they compare.

The methods are data (``benchtest/published``); each condition says what a reading must state to have met it. What a
reading does not state counts as not met, and what the tool has no way to tell is listed as such: nothing is assumed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from benchtest.amplifier_file import AmplifierSpec
from benchtest.conditions import where_holds
from benchtest.published import DEFAULTS, MethodCondition, names, requirement_set
from benchtest.reading import Reading

Comparable = Literal["yes", "with care", "no"]


@dataclass(frozen=True)
class Compared:
    """One reading against one method.

    ``comparable``: "yes" where every condition is met; "with care" where those not met or not known are not decisive
    (they move the figure little, or in a known way); else "no". ``from_memory`` says that part of what the method is
    said to require was not read anywhere: show it with that mark.
    """

    method: str
    title: str
    reading: Reading
    met: tuple[MethodCondition, ...]
    not_met: tuple[MethodCondition, ...]
    not_known: tuple[MethodCondition, ...]

    @property
    def comparable(self) -> Comparable:
        missing = (*self.not_met, *self.not_known)
        if not missing:
            return "yes"
        return "no" if any(each.decisive for each in missing) else "with care"

    @property
    def from_memory(self) -> bool:
        return any(each.confidence == "from memory" for each in (*self.met, *self.not_met, *self.not_known))


def compared(reading: Reading, spec: AmplifierSpec, *, method: str) -> Compared | None:
    """A reading against one method; None where there is no value or the method says nothing of its quantity.

    Raises FileError if no method is called that.
    """
    known = requirement_set(method)
    if reading.value is None or all(each.quantity != reading.quantity for each in known.conditions):
        return None
    conditions = [each for each in known.conditions if each.quantity in ("", reading.quantity)]
    told = [each for each in conditions if each.where]
    met = tuple(each for each in told if where_holds(each.where, reading, spec))
    return Compared(
        method=method,
        title=known.set.title,
        reading=reading,
        met=met,
        not_met=tuple(each for each in told if each not in met),
        not_known=tuple(each for each in conditions if not each.where),
    )


def compared_with_all(readings: Iterable[Reading], spec: AmplifierSpec) -> Iterator[Compared]:
    """Every reading against every method that says something of its quantity, in the order of the readings."""
    methods = [name for name in names() if name != DEFAULTS and requirement_set(name).conditions]
    for reading in readings:
        for method in methods:
            found = compared(reading, spec, method=method)
            if found is not None:
                yield found
