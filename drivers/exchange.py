"""One message and its answer, as whoever listens in on a session sees them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Exchange:
    """One message and its answer; times are those of the session's clock, s.

    ``failure`` says why there is no answer where one was awaited. ``sent`` is empty for one more answer to the
    message before.
    """

    role: str
    sent: str
    received: str
    begun_s: float
    ended_s: float
    failure: str = ""


Observer = Callable[[Exchange], None]
"""Is shown every exchange after it is over."""
