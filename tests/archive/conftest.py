"""Rows of readings.csv as the runner makes them, and a run that records them. Invented values."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from benchtest.archive import RunWriter
from benchtest.reading import Reading, Verdict, as_row

STARTED = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)


def demo_row(run_id: str = "demo", sequence: int = 1, **changes: Any) -> dict[str, Any]:
    fields: dict[str, Any] = {
        "quantity": "dc_offset",
        "channel": "left",
        "value": 0.0123,
        "unit": "V",
        "expanded_uncertainty": 0.0002,
        "lower_limit": -0.1,
        "upper_limit": 0.1,
        "verdict": Verdict.PASS,
        "method": "demo method",
        "conditions": {"volume": "minimum"},
    }
    run = {
        "run_id": run_id,
        "sequence": sequence,
        "time_utc": STARTED,
        "procedure": "power_on",
        "step": "DC check",
        "simulated": True,
    }
    run.update({key: changes.pop(key) for key in list(changes) if key in run})
    return as_row(Reading(**(fields | changes)), **run)


@pytest.fixture(scope="session")
def row() -> Callable[..., dict[str, Any]]:
    """row(run_id, sequence, **columns): one row of readings.csv."""
    return demo_row


@pytest.fixture(scope="session")
def new_run() -> Callable[..., RunWriter]:
    """new_run(archive, amplifier_name): a run that has just begun."""

    def make(archive: Path, amplifier_name: str = "Demo 60", started: datetime = STARTED, **header: Any) -> RunWriter:
        page = {"simulated": True, "amplifier": {"name": amplifier_name}} | header
        return RunWriter.create(
            archive, procedure="power_on", amplifier_name=amplifier_name, started_utc=started, header=page
        )

    return make
