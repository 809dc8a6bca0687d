"""Scripted test procedures for audio power amplifiers on the repair bench.

The public names load what they need when they are first used, so that ``benchtest --help`` answers at once.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchtest import measurements as measure
    from benchtest.procedure import Advice, Procedure, load_procedure, run
    from benchtest.safety import open_bench

__all__ = ["Advice", "Procedure", "load_procedure", "measure", "open_bench", "run"]

_HOME = {
    "Advice": ("benchtest.procedure", "Advice"),
    "Procedure": ("benchtest.procedure", "Procedure"),
    "load_procedure": ("benchtest.procedure", "load_procedure"),
    "measure": ("benchtest.measurements", None),
    "open_bench": ("benchtest.safety", "open_bench"),
    "run": ("benchtest.procedure", "run"),
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'benchtest' has no attribute {name!r}")
    module, attribute = _HOME[name]
    found = import_module(module)
    return found if attribute is None else getattr(found, attribute)
