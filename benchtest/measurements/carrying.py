"""The one movable meter of a bench, carried from point to point whatever the mains is.

Outside points are changed live, hands off metal. To a point inside the set, and away from one, the amplifier is off at the
wall first: whoever takes a clip off has the hands inside as well. On again, the relay is waited for, and every DC check is
void (common practice, no source).
"""

from __future__ import annotations

from benchtest.errors import NotReachable
from benchtest.instruments.test_points import is_inside
from benchtest.safety import GuardedBench

RELAY_S = 8.0
"""Waited for where the amplifier's file says nothing of its relay, s."""


def carry_meter(bench: GuardedBench, point: str) -> None:
    """Have the movable meter put on a point where no meter sits yet. Raises NotReachable where none can be moved."""
    if bench.sits_on(point):
        return
    if not bench.reaches(point):
        raise NotReachable(f"no meter of this bench sits on {point} or can be moved there")
    was_on = bench.hook_up_now.mains == "on"
    if was_on and (is_inside(point) or any(is_inside(at) for at in movable_at(bench))):
        bench.mains_off("Off at the wall: the meter comes from or goes to a point inside the set.")
        bench.move_meter(point)
        bench.mains_on("Hands out of the set. Switch on again.")
        bench.sleep((bench.amplifier.relay_delay_s or RELAY_S) + 10.0, why="the relay pulls in")
    else:
        bench.move_meter(point)


def movable_at(bench: GuardedBench) -> list[str]:
    """Where the meters are that can be moved."""
    at = bench.hook_up_now.meters
    return [at[meter.name] for meter in bench.file.dmm if meter.connected_to == "movable" and meter.name in at]
