"""Where an instrument is that is asked, and how a session with it is opened, one after another."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

from drivers.clock import Clock, RealClock
from drivers.dialect import LinkDialect
from drivers.exchange import Observer
from drivers.link import SerialOptions, open_by
from drivers.session import Session

T = TypeVar("T")

_SEEN_GONE_S = 2.0
"""Common practice: a caller that has hung up is seen to be gone within a second or two."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where an instrument is, and how to talk to it.

    :param termination: tried first; the other usual ones follow when nobody answers to it.
    :param timeout_s: longest time that an ordinary answer may take.
    """

    resource: str
    role: str
    timeout_s: float
    termination: str = "\n"
    serial: SerialOptions = field(default_factory=SerialOptions)
    observer: Observer | None = None
    clock: Clock | None = None

    def open_next(self, dialect: LinkDialect, termination: str, timeout_s: float) -> Session:
        """Open a session where another was closed a moment ago; raises as :meth:`open` does."""
        return let_in(lambda: self.open(dialect, termination, timeout_s))

    def open(self, dialect: LinkDialect, termination: str, timeout_s: float) -> Session:
        """Open a session; raises as :meth:`Session.open` does."""
        return Session.open(
            self.resource,
            role=self.role,
            timeout_s=timeout_s,
            termination=termination,
            link=dialect,
            serial=self.serial,
            observer=self.observer,
            clock=self.clock,
        )


def let_in(call: Callable[[], T]) -> T:
    """Open a session after another was closed: who serves one caller at a time needs a moment to see him gone.

    :raises LinkRefused: nobody let it in.
    """
    clock = RealClock()
    return open_by(clock.now() + _SEEN_GONE_S, call, clock)
