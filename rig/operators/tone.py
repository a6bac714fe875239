"""A rhythm for the ear, so that the eyes can stay on the board: quicker beats the nearer the target."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, log1p
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

SLOWEST_S, QUICKEST_S = 1.2, 0.15
FAR_TOLERANCES = 100.0


def beat_s(distance_in_tolerances: float) -> float | None:
    """Time between beats, s; None for silence: inside (hold still) and without a signal.

    From 0.15 s at the edge of the tolerance to 1.2 s at a hundred tolerances, even in the logarithm, so that each
    halving of the distance is heard alike.
    """
    if not isfinite(distance_in_tolerances) or abs(distance_in_tolerances) <= 1.0:
        return None
    share = min(log1p(abs(distance_in_tolerances) - 1.0) / log1p(FAR_TOLERANCES - 1.0), 1.0)
    return QUICKEST_S + share * (SLOWEST_S - QUICKEST_S)


@dataclass(slots=True)
class Tone:
    """Beats of a bell that follow a distance. Off until ``on`` is set."""

    ring: Callable[[], None]
    on: bool = False
    last_s: float = float("-inf")

    def follow(self, distance_in_tolerances: float, now_s: float) -> None:
        """Ring when the next beat is due."""
        beat = beat_s(distance_in_tolerances)
        if self.on and beat is not None and now_s - self.last_s >= beat:
            self.last_s = now_s
            self.ring()

    def reached(self) -> None:
        """Ring for the target."""
        if self.on:
            self.ring()
