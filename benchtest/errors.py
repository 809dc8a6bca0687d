"""One class per thing that a caller does differently. Each carries the exit status that the command ends with.

A message has three parts: what was found and where, what was expected, what to do.
A failed limit is a verdict, not an exception.
"""

from __future__ import annotations


class BenchtestError(Exception):
    """Base of every error that benchtest raises on purpose."""

    exit_status = 2


class FileError(BenchtestError):
    """A bench, amplifier, calibration or audio file that cannot be used; wrong usage of a command."""

    exit_status = 2


class InstrumentError(BenchtestError):
    """An instrument that cannot be opened, or that failed while in use."""

    exit_status = 3


class OutsideStatement(InstrumentError):
    """A reading that a meter's accuracy statement does not cover; it was refused, and nothing is wrong with the meter."""


class NoReply(InstrumentError):
    """An instrument was silent until its timeout."""


class GarbledReply(InstrumentError):
    """A reply arrived that is not what the command answers."""


class LostFrames(InstrumentError):
    """A capture that lost, doubled or silenced frames; it is not data."""


class NotReachable(BenchtestError):
    """No instrument of this bench reaches a test point: the reading is 'not measured', never passed."""

    exit_status = 5


class SafetyStop(BenchtestError):
    """A safety limit was met: the tone is off, nothing is driven again in this run.

    ``words`` is what the person must do now, in large letters; the message says what was seen.
    """

    exit_status = 4

    def __init__(self, message: str, *, words: str = "SWITCH OFF AT THE WALL") -> None:
        super().__init__(message)
        self.words = words


class NotAllowed(BenchtestError):
    """A procedure asked for something that the safety limits refuse; nothing was driven."""

    exit_status = 4
