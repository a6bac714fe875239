"""The bench's clock as a visit sees it: a date that nobody sets meanwhile.

Durations are monotonic time already. The date is taken once and then goes on with that time, so that a computer whose
clock is set in the middle of a visit (by hand, by a time server, by a dead battery) puts no point before an earlier
one. Between visits it is taken anew, and what it was set by is said. Summer time changes no date here: all are UTC.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    from drivers.clock import Clock

WORTH_SAYING_S = 60.0
"""A time server keeps a clock much nearer (common practice: below a second); a laptop that slept for a minute shows."""


class SteadyClock:
    """A clock (:class:`drivers.clock.Clock`) over another one.

    ``set_back_s`` is how far its date was set back since it was last forgiven: what was dated before that is older than
    it seems.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._taken = clock.utc()
        self._taken_s = clock.now()
        self.set_back_s = 0.0

    def now(self) -> float:
        """Return monotonic time in s; only differences mean something."""
        return self._clock.now()

    def sleep(self, duration_s: float) -> None:
        """Let time pass."""
        self._clock.sleep(duration_s)

    def utc(self) -> datetime:
        """The date when it was last taken, and the time since then."""
        return self._taken + timedelta(seconds=self._clock.now() - self._taken_s)

    def take_date(self) -> str:
        """Take the date anew.

        :return: a sentence where it was set meanwhile, by so much that it is worth saying; else empty.
        """
        present = self._clock.utc()
        step_s = (present - self.utc()).total_seconds()
        self._taken, self._taken_s = present, self._clock.now()
        if abs(step_s) < WORTH_SAYING_S:
            return ""
        self.set_back_s += max(-step_s, 0.0)
        way = "forward" if step_s > 0 else "back"
        return (
            f"The computer's clock was set {way} by {_shown(abs(step_s))} since the last look: durations, the order of "
            f"points and the verdict do not hang on it. Check that it is right now: {present:%Y-%m-%d %H:%M} UTC."
        )

    def forgive(self) -> None:
        """What counts by its age was made anew."""
        self.set_back_s = 0.0


def _shown(duration_s: float) -> str:
    minutes = round(duration_s / 60.0)
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"
