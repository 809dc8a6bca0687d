"""Run folders: durable writing, reading, finding. Nothing heavy is imported until it is used."""

from benchtest.archive.writer import FORMAT_VERSION, RunWriter

__all__ = ["FORMAT_VERSION", "RunWriter"]
