"""Run folders: durable writing, reading, finding. Nothing heavy is imported until it is used.

``archive.open(path)`` opens an archive for reading; ``RunWriter.create`` begins a run.
"""

from benchtest.archive.compare import Comparison, DifferingCondition, compare_rows, differing_conditions
from benchtest.archive.curves import Curve
from benchtest.archive.filters import Condition, Filter, condition
from benchtest.archive.finding import Archive, CheckedRun
from benchtest.archive.finding import open_archive as open  # noqa: A004 - read as archive.open(path)
from benchtest.archive.manifest import ManifestCheck
from benchtest.archive.run import Run, RunSummary
from benchtest.archive.writer import FORMAT_VERSION, RunWriter

__all__ = [
    "FORMAT_VERSION", "Archive", "CheckedRun", "Comparison", "Condition", "Curve", "DifferingCondition", "Filter",
    "ManifestCheck", "Run", "RunSummary", "RunWriter", "compare_rows", "condition", "differing_conditions", "open",
]  # fmt: skip
