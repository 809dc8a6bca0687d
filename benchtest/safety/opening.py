"""Open a bench behind its safety limits."""

from __future__ import annotations

from pathlib import Path

from benchtest.amplifier_file import AmplifierSpec, unknown_amplifier
from benchtest.bench import OperatorWrapper, open_instruments
from benchtest.safety.guard import GuardedBench


def open_bench(
    path: str | Path | None = None,
    *,
    amplifier: AmplifierSpec | None = None,
    seed: int = 0,
    scenario: str = "healthy",
    channel: str | None = None,
    wrap_operator: OperatorWrapper | None = None,
    calibrate: bool = True,
    stated_only: bool = False,
) -> GuardedBench:
    """Open the bench of a file (without one: the simulated bench) behind its safety limits; a context manager.

    The calibration that the file names is read; a simulated bench without one is calibrated first, by its own meter,
    as a person would do it (``calibrate=False`` leaves the stated values). ``stated_only`` reads no calibration file at
    all: it is about to be made anew. Raises FileError, InstrumentError.
    """
    where = Path(path) if path is not None else None
    instruments = open_instruments(where, seed=seed, scenario=scenario, channel=channel, wrap_operator=wrap_operator)
    try:
        bench = GuardedBench(instruments, amplifier or unknown_amplifier())
    except BaseException:
        instruments.close()
        raise
    try:
        if not stated_only:
            bench.calibrate(where, make=calibrate)
    except BaseException:
        bench.close()
        raise
    return bench
