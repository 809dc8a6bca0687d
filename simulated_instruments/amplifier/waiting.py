"""Time that nobody listens to: closed form between events, in steps that grow with the time since the last change."""

from __future__ import annotations

import math

from .circuit import Circuit
from .operating import Drive, Operating


def wait(circuit: Circuit, seconds: float, drive: Drive) -> None:
    """Let ``seconds`` pass under a steady drive. An event (relay, fuse) ends a step at its moment.

    What was just changed settles fast first, slowly later, so that steps go in proportion to the time since.
    """
    left = seconds
    while left > 1e-9:
        points = (circuit.operating(0, drive), circuit.operating(1, drive))
        step = min(left, _step(circuit, points))
        sensed = _sensed(circuit, points, drive)
        event = circuit.relay.next_change(circuit.mains, circuit.relay_supply_v, sensed)
        step = min(step, event)
        for i in (0, 1):
            blows = circuit.channels[i].fuse.time_to_blow(points[i].load_rms_a)
            if blows < step and circuit.path(i).made:
                step = min(step, max(1e-6, blows))
        step = max(step, 0.0)
        circuit.pass_time(step, points, sensed)
        left -= step
        if event <= step:
            circuit.relay.change()
            circuit.disturb()


_NEARLY_K = 0.1
"""Junctions this near to where their dissipation leads them have settled: the idle current moves by some parts in 10 000."""


def _step(circuit: Circuit, points: tuple[Operating, Operating]) -> float:
    """The longest step in which what heats and sags may be held still, s."""
    if circuit.age < 1.0 and any(c.design.output_stage.short_through_a > 1.0 for c in circuit.channels):
        return 0.01  # a short from rail to rail: fuses, lamp and rails race each other
    step = max(0.05, 0.6 * circuit.age)
    if any(c.idle_a > 3.0 * c.design.bias.idle_a for c in circuit.channels):
        step = min(step, 3.0)  # it may be running away
    heat, thermal = circuit.thermal, circuit.thermal.thermal
    moves = (p.watts * thermal.junction_k_per_w - k for p, k in zip(points, heat.junction_k, strict=True))
    if max(map(abs, moves)) > _NEARLY_K:  # still warm from a tone, and the idle current follows
        step = min(step, 0.5 * thermal.junction_tau_s)
    return step


def _sensed(circuit: Circuit, points: tuple[Operating, Operating], drive: Drive) -> tuple[float, float]:
    """What the protection's low-pass makes of each output at most: its DC, and what is left of a low tone."""
    left = 1.0 / math.hypot(1.0, 2.0 * math.pi * drive.frequency_hz * circuit.design.relay.filter_s)
    seen = [math.copysign(abs(p.dc_v) + math.sqrt(2.0) * p.rms_v * left, p.dc_v) for p in points]
    return seen[0], seen[1]
