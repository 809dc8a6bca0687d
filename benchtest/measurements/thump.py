"""The thump at switch-on and switch-off: the peak at the terminals while the mains goes on or off.

Connected: dummy load on, nothing played, sound card recording at the terminals. Method: common practice, no published
standard; the sound card's input is AC-coupled, so a slow step is seen with its own time constant (about 0.1 s at 2 Hz).
Mute delay: from the mains going on to the relay's own transient, where one stands out.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from benchtest.errors import NotReachable
from benchtest.measurements.unmeasured import not_measured
from benchtest.reading import Reading
from benchtest.records import Curve
from benchtest.safety import GuardedBench

METHOD = "peak at the terminals, sound card, input AC-coupled (common practice)"


def turn_off_transient(bench: GuardedBench, *, seconds: float = 2.5) -> list[object]:
    """Peak of the switch-off thump of both channels; switches the mains off."""
    return _thump(bench, "turn_off_transient", bench.mains_off, seconds)


def turn_on_transient(bench: GuardedBench, *, seconds: float = 8.0) -> list[object]:
    """Peak of the switch-on thump of both channels; switches the mains on."""
    return _thump(bench, "turn_on_transient", bench.mains_on, seconds)


def _thump(bench: GuardedBench, quantity: str, act: Callable[[], None], seconds: float) -> list[object]:
    conditions = bench.conditions()
    try:
        capture = bench.record(seconds, during=act)
    except NotReachable as why:
        bench.mains_off() if quantity.startswith("turn_off") else bench.mains_on()
        return [not_measured(quantity, c, "V", why, conditions=conditions, method=METHOD) for c in bench.channels]
    found: list[object] = []
    relative = bench.calibration.volts_relative()
    for channel in bench.channels:
        x = capture.channel(channel)
        peak = float(np.max(np.abs(x)))
        found.append(
            Reading(
                quantity=quantity,
                channel=channel,
                value=peak,
                unit="V",
                method=METHOD,
                conditions=conditions,
                expanded_uncertainty=2.0 * peak * relative + 2e-4,
                load_ohm=bench.load_ohm[channel],
                note="peak; the capture is clipped: at least this" if capture.clipped else "peak",
            )
        )
    step = max(1, len(capture.volts) // 1500)
    n = len(capture.volts) // step * step
    blocks = capture.volts[:n].reshape(-1, step, 2)
    pick = np.argmax(np.abs(blocks), axis=1)
    rows = np.arange(len(blocks))
    found.append(
        Curve(
            f"thump_{quantity.removesuffix('_transient')}",
            "Thump at switch-off" if quantity.startswith("turn_off") else "Thump at switch-on",
            {
                "time_s": rows * step / capture.sample_rate,
                "left_v": blocks[rows, pick[:, 0], 0],
                "right_v": blocks[rows, pick[:, 1], 1],
            },
            {"time_s": "s", "left_v": "V", "right_v": "V"},
        )
    )
    return found
