"""Status of a SCPI device: the error queue, and the registers behind ``*STB?``.

Sources: IEEE 488.2-1992, chapter 11 (standard event status, status byte); SCPI-1999 volume 1, chapter 9
(OPERation and QUEStionable), volume 2, chapters 20 (STATus) and 21.8 (the error queue and its numbers).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from enum import IntFlag

from drivers.virtual.scpi_errors import TEXTS

QUEUE_CAPACITY = 20
LONGEST_ENTRY = 255
"""Characters of an error's text and detail together (SCPI-1999 volume 2, 21.8)."""
FIFTEEN_BITS = 0x7FFF
"""Bit 15 of the SCPI registers is never used, so that they fit a signed integer (SCPI-1999 volume 1, 9.3)."""


class StandardEvent(IntFlag):
    """Bits of the standard event status register (IEEE 488.2, 11.5.1)."""

    OPERATION_COMPLETE = 1
    REQUEST_CONTROL = 2
    QUERY_ERROR = 4
    DEVICE_ERROR = 8
    EXECUTION_ERROR = 16
    COMMAND_ERROR = 32
    USER_REQUEST = 64
    POWER_ON = 128


class StatusByte(IntFlag):
    """Bits of the status byte (IEEE 488.2, 11.2; SCPI-1999 volume 1, 9.2)."""

    ERROR_QUEUE = 4
    QUESTIONABLE = 8
    MESSAGE_AVAILABLE = 16
    EVENT_SUMMARY = 32
    MASTER_SUMMARY = 64
    OPERATION = 128


class Operation(IntFlag):
    """Bits of the OPERation register (SCPI-1999 volume 2, 20.1)."""

    SETTLING = 2
    MEASURING = 16


class Questionable(IntFlag):
    """Bits of the QUEStionable register (SCPI-1999 volume 2, 20.3)."""

    VOLTAGE = 1
    FREQUENCY = 32


def event_of(code: int) -> StandardEvent:
    """Bit of the standard event register that an error sets (SCPI-1999 volume 2, 21.8)."""
    if -200 < code <= -100:
        return StandardEvent.COMMAND_ERROR
    if -300 < code <= -200:
        return StandardEvent.EXECUTION_ERROR
    if -500 < code <= -400:
        return StandardEvent.QUERY_ERROR
    return StandardEvent.DEVICE_ERROR


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the error queue."""

    code: int
    detail: str = ""

    def __str__(self) -> str:
        """Code and quoted text, the detail after a semicolon, as ``SYSTem:ERRor?`` answers."""
        text = TEXTS[self.code]
        spoken = f"{text};{self.detail}" if self.detail else text
        quoted = spoken[:LONGEST_ENTRY].replace('"', '""')
        return f'{self.code},"{quoted}"'


class ErrorQueue:
    """First in, first out. When it is full its last entry becomes -350, and later errors are lost."""

    def __init__(self, capacity: int = QUEUE_CAPACITY) -> None:
        self._capacity = capacity
        self._entries: deque[Entry] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def add(self, entry: Entry) -> bool:
        """Append an entry; false when the queue overflowed (SCPI-1999 volume 2, 21.8)."""
        if len(self._entries) < self._capacity:
            self._entries.append(entry)
            return True
        self._entries[-1] = Entry(-350)
        return False

    def take(self) -> Entry:
        """Remove the oldest entry; 0, "No error" when there is none."""
        return self._entries.popleft() if self._entries else Entry(0)

    def take_all(self) -> list[Entry]:
        """Remove all entries, oldest first; one 0, "No error" when there is none."""
        entries = list(self._entries) or [Entry(0)]
        self._entries.clear()
        return entries

    def clear(self) -> None:
        """Remove all entries."""
        self._entries.clear()


@dataclass(slots=True)
class EventRegister:
    """Condition, transition filters, event and enable of one SCPI status register."""

    condition: int = 0
    event: int = 0
    enable: int = 0
    positive_transition: int = FIFTEEN_BITS
    negative_transition: int = 0

    def update(self, condition: int) -> None:
        """Take a new condition; what passes the filters is latched as an event."""
        if condition == self.condition:
            return
        condition = int(condition)  # arithmetic with flags is slow
        risen, fallen = condition & ~self.condition, self.condition & ~condition
        self.event |= (risen & self.positive_transition) | (fallen & self.negative_transition)
        self.condition = condition

    def pulse(self, bit: int) -> None:
        """Let a condition come and go."""
        before = self.condition
        self.update(before | bit)
        self.update(before)

    def take_event(self) -> int:
        """Read the event register, which clears it."""
        event, self.event = self.event, 0
        return event

    def take_enable(self, mask: int) -> None:
        """Choose which events count in the summary."""
        self.enable = mask & FIFTEEN_BITS

    def take_positive_transition(self, mask: int) -> None:
        """Choose which conditions are latched when they come."""
        self.positive_transition = mask & FIFTEEN_BITS

    def take_negative_transition(self, mask: int) -> None:
        """Choose which conditions are latched when they go."""
        self.negative_transition = mask & FIFTEEN_BITS

    def preset(self) -> None:
        """STATus:PRESet (SCPI-1999 volume 2, 20.2): nothing enabled, filters latch what rises."""
        self.enable = 0
        self.positive_transition = FIFTEEN_BITS
        self.negative_transition = 0

    @property
    def summary(self) -> bool:
        """Whether an enabled event is latched."""
        return bool(self.event & self.enable)


@dataclass(slots=True)
class Status:
    """All the status of a device."""

    errors: ErrorQueue = field(default_factory=ErrorQueue)
    operation: EventRegister = field(default_factory=EventRegister)
    questionable: EventRegister = field(default_factory=EventRegister)
    standard_event: int = int(StandardEvent.POWER_ON)
    standard_enable: int = 0
    service_enable: int = 0

    def report(self, entry: Entry) -> None:
        """Queue an error and set its bit of the standard event register."""
        self.standard_event |= event_of(entry.code)
        if not self.errors.add(entry):
            self.standard_event |= StandardEvent.DEVICE_ERROR

    def take_standard_enable(self, mask: int) -> None:
        """*ESE: choose which standard events count in the summary."""
        self.standard_enable = mask

    def take_service_enable(self, mask: int) -> None:
        """*SRE: choose which bits of the status byte ask for service; bit 6 is unused (IEEE 488.2, 11.3)."""
        self.service_enable = mask & ~int(StatusByte.MASTER_SUMMARY)

    def take_standard_event(self) -> int:
        """Read the standard event register, which clears it."""
        event, self.standard_event = self.standard_event, 0
        return event

    def clear(self) -> None:
        """*CLS: event registers and error queue; enables and filters stay (IEEE 488.2, 10.3)."""
        self.errors.clear()
        self.standard_event = 0
        self.operation.event = 0
        self.questionable.event = 0

    def power_on(self) -> None:
        """Everything as after switching on (IEEE 488.2, 11.5.1.2.1: the power-on bit is set)."""
        self.clear()
        self.operation.preset()
        self.questionable.preset()
        self.standard_event = int(StandardEvent.POWER_ON)
        self.standard_enable = self.service_enable = 0

    def byte(self, *, message_available: bool) -> int:
        """The status byte with the master summary in bit 6, as ``*STB?`` answers (IEEE 488.2, 11.2.2)."""
        byte = 0
        if len(self.errors):
            byte |= StatusByte.ERROR_QUEUE
        if self.questionable.summary:
            byte |= StatusByte.QUESTIONABLE
        if message_available:
            byte |= StatusByte.MESSAGE_AVAILABLE
        if self.standard_event & self.standard_enable:
            byte |= StatusByte.EVENT_SUMMARY
        if self.operation.summary:
            byte |= StatusByte.OPERATION
        if byte & self.service_enable & ~StatusByte.MASTER_SUMMARY:
            byte |= StatusByte.MASTER_SUMMARY
        return int(byte)
