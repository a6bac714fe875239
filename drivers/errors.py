"""Everything that can go wrong between a program and an instrument.

::

    DriverError
    ├── OutsideLimits        a setting was refused here; nothing was sent
    ├── SourceNotSafe        a source could not be confirmed at 0 V with its output off
    ├── NotConfined          an output was to go on before what limits it was set and confirmed; nothing was sent
    ├── ProtectionTripped    a source switched its output off by itself
    ├── LinkError            the link itself
    │   ├── LinkRefused      it cannot be opened
    │   ├── LinkLost         it is gone, and stays gone until it is opened again
    │   └── AnswerLate       no answer in time; the link is in step again
    ├── PrinterFault         a printer did not take what was to be printed
    ├── InstrumentError      the instrument reported an error; its own text is quoted
    ├── SettingsLost         the instrument was switched off and on: it is no longer set up
    └── ReplyError           a reply came and cannot be taken for a value
        ├── Unreadable       not in a form of IEEE 488.2, or not proven to belong to the question
        ├── Overload         the instrument's 'infinity' (9.9E37)
        ├── NotANumber       the instrument's 'not a number' (9.91E37)
        ├── NoSignal         a counter has nothing to count
        ├── WrongIdentity    another instrument answers than the one that was opened
        └── ReadBackDiffers  a source does not put out what it was told to
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

_QUOTED = 4


@dataclass(frozen=True, slots=True)
class ErrorEntry:
    """One entry of an instrument's error queue.

    ``detail`` is the device-dependent text that SCPI-1999 volume 2, 21.8.1, allows after a semicolon inside
    the quoted string; empty when there is none.
    """

    code: int
    text: str
    detail: str = ""

    def __str__(self) -> str:
        """Return the entry as the instrument spells it, without the quotes."""
        return f"{self.code} {self.text};{self.detail}" if self.detail else f"{self.code} {self.text}"


def quoted(entries: tuple[ErrorEntry, ...]) -> str:
    """Return the oldest entries in the instrument's own words, and how many more there are."""
    words = ", ".join(str(entry) for entry in entries[:_QUOTED])
    return f"{words} and {len(entries) - _QUOTED} more" if len(entries) > _QUOTED else words


class DriverError(Exception):
    """Root of the tree: any trouble with an instrument."""


class OutsideLimits(DriverError):
    """A setting lies outside what was allowed; nothing was sent."""


class SourceNotSafe(DriverError):
    """A source could not be confirmed at 0 V with its output off: somebody has to switch it off by hand."""


class NotConfined(DriverError):
    """An output was to go on before what limits it was set and confirmed; it stays off, and nothing was sent."""


class ProtectionTripped(DriverError):
    """A source switched its output off by itself, to protect what is connected or itself."""


class LinkError(DriverError):
    """Trouble with the link, not with what was said over it."""


class LinkRefused(LinkError):
    """The link cannot be opened: wrong address, nobody listening, or nobody who answers ``*IDN?``."""


class LinkLost(LinkError):
    """The link was closed by its other end or could not be brought in step again; open it anew."""


class AnswerLate(LinkError):
    """No answer in time. The link is in step again: the late answer cannot be taken for a later one."""


class PrinterFault(DriverError):
    """A printer did not take what was to be printed: off, out of reach, or holding the line."""


class InstrumentError(DriverError):
    """The instrument reported errors.

    ``entries`` holds them in the order of its queue, oldest first; it is never empty.
    """

    def __init__(self, message: str, entries: tuple[ErrorEntry, ...]) -> None:
        super().__init__(message)
        self.entries = entries


class SettingsLost(DriverError):
    """The instrument was switched off and on: it is no longer set up, and what it read meanwhile means nothing."""


class ReplyError(DriverError):
    """A reply came, and it cannot be taken for a value."""

    def at(self, where: str) -> Self:
        """Return the same error with ``where`` (role and resource) in front of its sentence."""
        return type(self)(f"{where}: {self}")


class Unreadable(ReplyError):
    """The reply is not in the expected form, or does not prove that it belongs to the question."""


class Overload(ReplyError):
    """The reply is SCPI's infinity: the input is beyond the range."""


class NotANumber(ReplyError):
    """The reply is SCPI's not-a-number: there is no result."""


class NoSignal(ReplyError):
    """A counter has nothing to count."""


class WrongIdentity(ReplyError):
    """Another instrument answers than the one that was opened."""


class ReadBackDiffers(ReplyError):
    """A source does not put out what it was told to."""
