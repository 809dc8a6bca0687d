"""The good channel as reference: a list of points of your own, left beside right, odd ones marked. Most of fault finding.

The list is left_against_right.csv beside this file. Copy both, put your set's points in, and keep them with its papers.
"""

import csv
import json
import math
from pathlib import Path
from typing import Any

from benchtest import Advice, Procedure, measure
from benchtest.reading import Reading, Verdict

LIST = Path(__file__).with_suffix(".csv")
LEAST = {"ohms": 0.05, "diode": 0.02, "volts": 0.005}
"""Differences below this (ohm, V, V) are the leads' and the meter's, not the set's."""

test = Procedure(
    "Left against right",
    kit=[
        "multimeter with thin, insulated probes",
        f"the list of points: {LIST.name}",
        "220 ohm 5 W on insulated leads",
    ],
    tones=False,
)


def points(function):
    lines = [line for line in LIST.read_text(encoding="utf-8").splitlines() if line.strip() and line[0] != "#"]
    return [row for row in csv.DictReader(lines) if row["function"].strip() == function]


def touched(bench, channel, point, live=False):
    """The test point's name after the movable meter has been brought there."""
    name = f"{channel}_{point}"
    if not measure.is_test_point(name):
        name = f"{channel}_listed_point"
    words = f"{channel}: {point.replace('_', ' ')}"
    if live:
        bench.mains_off(f"Off at the wall. Next: {words}.")
        bench.move_meter(name, say=words)
        bench.mains_on("Switch on, hands off.")
        bench.sleep(15.0, why="the relay pulls in")
    else:
        bench.move_meter(name, say=words)
    return name


def both(bench, row, take, live=False):
    point, tolerance = row["point"].strip(), float(row["tolerance_percent"])
    left, right = (take(touched(bench, c, point, live)) for c in bench.channels)
    yield [left, right]
    yield compared(left, right, point, row["function"].strip(), tolerance)


def compared(left, right, point, function, tolerance):
    """Left over right in percent, held to the list's tolerance; an open one beside a closed one is odd whatever it reads."""
    common: dict[str, Any] = {
        "conditions": {"at": f"{point.replace('_', ' ')}, {function}"},
        "method": "left against right",
    }
    if (left.value is None) != (right.value is None) and "OL" in left.note + right.note:
        open_one = "left" if left.value is None else "right"
        return Reading(quantity="channels_apart", channel="both", value=None, unit="%", verdict=Verdict.FAIL,
                       note=f"ODD: {point.replace('_', ' ')} is open on the {open_one} only", **common)  # fmt: skip
    if left.note == right.note == "open (OL)":
        return Reading(quantity="channels_apart", channel="both", value=0.0, unit="%", expanded_uncertainty=0.0,
                       upper_limit=tolerance, note="both open", **common)  # fmt: skip
    if left.value is None or right.value is None:
        why = left.note if left.note == right.note else f"left: {left.note}; right: {right.note}"
        return measure.not_measured("channels_apart", "both", "%", why, **common)
    difference, larger = abs(left.value - right.value), max(abs(left.value), abs(right.value))
    u = math.hypot(left.expanded_uncertainty or 0.0, right.expanded_uncertainty or 0.0)
    if difference <= max(LEAST[function], u):
        percent, u_percent = 0.0, 0.0
    else:
        percent, u_percent = 100.0 * difference / larger, 100.0 * u / larger
    return Reading(
        quantity="channels_apart", channel="both", value=percent, unit="%", expanded_uncertainty=u_percent,
        upper_limit=tolerance, note=f"left {left.value:.4g}, right {right.value:.4g} {left.unit}", **common,
    )  # fmt: skip


@test.step(
    "Stored charge",
    why="ohms come only on what is empty",
    hook_up="plug out, lid off; meter on each rail",
    outside=False,
    takes="5 s",
    required=True,
)
def stored_charge(bench, amplifier):
    bench.mains_off(
        "Switched off at the wall, plug out. Lid off. Keep hands out: the reservoirs may be charged.", lid="off"
    )
    yield from measure.emptied(bench)
    bench.move_meter("leads_shorted")
    yield measure.lead_resistance(bench)


@test.step(
    "Cold: ohms and diode test, left and right",
    why="the same part in the good channel is the best data sheet there is",
    hook_up="plug out; first left, then right, at each point of the list; swap the probes for the diode test if you like",
    outside=False,
    takes="60 s",
)
def cold(bench, amplifier):
    for row in points("ohms"):
        yield from both(bench, row, lambda name: measure.ohms_at(bench, name))
    for row in points("diode"):
        yield from both(bench, row, lambda name: measure.diode_at(bench, name))


@test.step(
    "Live: DC volts, left and right",
    why="what stands under power and does not show cold",
    hook_up="off for every move of the probe, on for the reading; inputs shorted, volume at minimum, 1 kilohm at the outputs",
    outside=False,
    takes="125 s",
)
def live(bench, amplifier):
    rows = points("volts")
    if not rows:
        return
    bench.hook_up(
        "1 kilohm 5 W across each speaker terminal pair, inputs shorted, volume at minimum. A set that is not known to be "
        "sound goes on the lamp first (incoming_check).", lamp="out", load="1 kilohm", inputs="shorted", volume="minimum",
    )  # fmt: skip
    for row in rows:
        yield from both(bench, row, lambda name: measure.volts_at(bench, name), live=True)
    bench.mains_off()
    yield measure.discharge(bench)


@test.step("The odd ones", why="start at the first of them", takes="1 s")
def odd_ones(bench, amplifier, so_far):
    odd = [
        f"{point_of(r)} ({r['note']})" for r in so_far if r["quantity"] == "channels_apart" and r["verdict"] == "fail"
    ]
    yield Advice("look at", tuple(odd)) if odd else Advice("alike", ("the channels agree at every point of the list",))


def point_of(row):
    return json.loads(row["conditions"]).get("at", "")
