"""The safety limits: everything that drives the amplifier goes through here, and nothing can go round it.

``open_bench`` opens a bench and returns it behind the guard; no device is handed to anybody else.
"""

from benchtest.safety.findings import Capture, DcCheck, MeterValue, NotCleared
from benchtest.safety.guard import GuardedBench
from benchtest.safety.opening import open_bench
from benchtest.safety.tone_guard import Interrupted, ToneGuard

__all__ = [
    "Capture",
    "DcCheck",
    "GuardedBench",
    "Interrupted",
    "MeterValue",
    "NotCleared",
    "ToneGuard",
    "open_bench",
]
