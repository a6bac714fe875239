"""The virtual bench's own time: it stands still until somebody sleeps or an instrument takes its time."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from threading import Lock


class InstantClock:
    """A clock that jumps. Safe to use from several threads.

    :param started: the UTC date at which :meth:`now` is 0; the present when not given.
    """

    def __init__(self, started: datetime | None = None) -> None:
        self._started = datetime.now(UTC) if started is None else started.astimezone(UTC)
        self._now_s = 0.0
        self._lock = Lock()

    def now(self) -> float:
        """Seconds since the clock was made."""
        return self._now_s  # reading one number needs no lock

    def sleep(self, duration_s: float) -> None:
        """Jump ahead. A duration that is not positive does nothing, as with a sleep in real time."""
        if duration_s > 0.0:
            with self._lock:
                self._now_s += duration_s

    def utc(self) -> datetime:
        """Date and time of the bench, UTC."""
        return self._started + timedelta(seconds=self.now())

    def jump(self, seconds: float) -> None:
        """Set the date by so much; :meth:`now` goes on as before."""
        with self._lock:
            self._started += timedelta(seconds=seconds)
