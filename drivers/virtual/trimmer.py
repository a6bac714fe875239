"""A multi-turn trimmer as a screwdriver finds it: lost motion on reversal, and end stops that slip."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Self


@dataclass(frozen=True, slots=True)
class Trimmer:
    """Where a trimmer's wiper stands.

    :param turns: travel from stop to stop.
    :param backlash_turns: lost motion when the direction reverses.
    :param wiper_turns: wiper, from the anticlockwise stop.
    :param slack_turns: how much of the lost motion an anticlockwise turn would find before the wiper moves.
    """

    turns: float
    backlash_turns: float
    wiper_turns: float
    slack_turns: float = 0.0

    def turned(self, by_turns: float) -> Self:
        """The trimmer after a turn, clockwise positive."""
        lost = self.backlash_turns - self.slack_turns if by_turns >= 0.0 else -self.slack_turns
        if abs(by_turns) <= abs(lost):
            return replace(self, slack_turns=self.slack_turns + by_turns)
        wiper_turns = min(max(self.wiper_turns + by_turns - lost, 0.0), self.turns)
        return replace(self, wiper_turns=wiper_turns, slack_turns=self.slack_turns + lost)

    @property
    def from_middle_turns(self) -> float:
        """Distance of the wiper from mid-travel, clockwise positive."""
        return self.wiper_turns - 0.5 * self.turns
