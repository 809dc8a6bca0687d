"""The status model of IEEE 488.2 and SCPI-1999: error queue, event status, status byte, questionable and operation.

Pure; the numbers of bits stand beside the constants.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from benchtest.instruments.scpi import ERROR_TEXTS, event_bit

QUEUE_LENGTH = 20

POWER_ON, OPERATION_COMPLETE = 128, 1  # event status register, bits 7 and 0
OPERATION_SUMMARY, MASTER_SUMMARY, EVENT_SUMMARY = 128, 64, 32  # status byte, bits 7, 6, 5
MESSAGE_AVAILABLE, QUESTIONABLE_SUMMARY, ERRORS_WAITING = 16, 8, 4  # status byte, bits 4, 3, 2
VOLTAGE_OVERLOAD, CURRENT_OVERLOAD, RESISTANCE_OVERLOAD = 1, 2, 512  # questionable, bits 0, 1, 9
MEASURING, WAITING_FOR_TRIGGER = 16, 32  # operation, bits 4 and 5


@dataclass
class EventRegister:
    """A condition, what has happened since it was last read, and the mask of its summary."""

    condition: int = 0
    event: int = 0
    enable: int = 0

    def set_condition(self, bits: int) -> None:
        """Take a new condition; bits that rise are events."""
        self.event |= bits & ~self.condition
        self.condition = bits

    def read_event(self) -> int:
        """The events, which reading clears."""
        event, self.event = self.event, 0
        return event


@dataclass
class Status:
    """Everything that *CLS, *ESR?, *STB?, STATus and SYSTem:ERRor speak of."""

    errors: deque[int] = field(default_factory=deque)
    event_status: int = POWER_ON
    event_enable: int = 0
    service_enable: int = 0
    questionable: EventRegister = field(default_factory=EventRegister)
    operation: EventRegister = field(default_factory=EventRegister)

    def report(self, number: int) -> None:
        """Queue an error and set its class bit; when the queue is full, -350 replaces the newest entry.

        Examples
        --------
        >>> status = Status(event_status=0)
        >>> for _ in range(25): status.report(-113)
        >>> len(status.errors), status.errors[0], status.errors[-1], status.event_status
        (20, -113, -350, 40)
        """
        self.event_status |= event_bit(number)
        if len(self.errors) >= QUEUE_LENGTH:
            self.errors[-1] = -350
            self.event_status |= event_bit(-350)
        else:
            self.errors.append(number)

    def next_error(self) -> str:
        """The oldest error, removed, as SYSTem:ERRor? sends it."""
        number = self.errors.popleft() if self.errors else 0
        return f'{number},"{ERROR_TEXTS[number]}"'

    def clear(self) -> None:
        """What *CLS does: events and errors go, masks stay."""
        self.errors.clear()
        self.event_status = 0
        self.questionable.event = self.operation.event = 0

    def status_byte(self, *, message_available: bool) -> int:
        """The status byte with the master summary in bit 6; reading it changes nothing."""
        byte = ERRORS_WAITING if self.errors else 0
        byte |= MESSAGE_AVAILABLE if message_available else 0
        byte |= QUESTIONABLE_SUMMARY if self.questionable.event & self.questionable.enable else 0
        byte |= OPERATION_SUMMARY if self.operation.event & self.operation.enable else 0
        byte |= EVENT_SUMMARY if self.event_status & self.event_enable else 0
        return byte | (MASTER_SUMMARY if byte & self.service_enable & ~MASTER_SUMMARY else 0)

    def read_event_status(self) -> int:
        """The event status register, which reading clears."""
        event, self.event_status = self.event_status, 0
        return event
