"""Time as the drivers see it: real, or the virtual bench's own."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """A source of time that can also be waited on."""

    def now(self) -> float:
        """Return monotonic time in s; only differences mean something."""
        ...

    def sleep(self, duration_s: float) -> None:
        """Let ``duration_s`` seconds of this clock pass; nothing happens at zero or below."""
        ...

    def utc(self) -> datetime:
        """Return the date and time, aware, in UTC."""
        ...


class RealClock:
    """The computer's own time."""

    def now(self) -> float:
        """Return monotonic time in s."""
        return time.monotonic()

    def sleep(self, duration_s: float) -> None:
        """Wait ``duration_s`` seconds."""
        if duration_s > 0:
            time.sleep(duration_s)

    def utc(self) -> datetime:
        """Return the date and time, aware, in UTC."""
        return datetime.now(UTC)
