"""Heat of a unit: two bodies that warm up under power, hands that warm, a room that wanders."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np

    from drivers.virtual.unit import Thermal

WANDER_PERIODS_S = ((2400.0, 0.7), (1020.0, 0.25), (430.0, 0.05))
"""Periods and shares of the wander: slow parts are large, quick ones small."""


@dataclass(frozen=True, slots=True)
class Wander:
    """A slow wander between -1 and 1: a few incommensurate waves with phases of their own.

    :param waves: angular frequency (1/s), phase and share of each.
    """

    waves: tuple[tuple[float, float, float], ...]

    @classmethod
    def drawn(cls, generator: np.random.Generator, periods_s: tuple[tuple[float, float], ...]) -> Self:
        """A wander with drawn phases."""
        return cls(
            tuple(
                (math.tau / period_s, float(generator.uniform(0.0, math.tau)), share) for period_s, share in periods_s
            )
        )

    def at(self, time_s: float) -> float:
        """Value at a time."""
        value = 0.0
        for rate, phase, share in self.waves:
            value += share * math.sin(rate * time_s + phase)
        return value


@dataclass(frozen=True, slots=True)
class Heat:
    """Temperatures above the room at one moment, from which those of any later moment follow.

    Each body obeys dT/dt = (T_end - T)/tau (a lumped heat capacity behind a thermal resistance).
    """

    since_s: float
    powered: bool = False
    chip_k: float = 0.0
    board_k: float = 0.0
    hand_k: float = 0.0

    def at(self, time_s: float, thermal: Thermal) -> Self:
        """The same unit at another time, nothing touched in between."""
        elapsed_s = max(time_s - self.since_s, 0.0)
        chip_end_k, board_end_k = self._ends_k(thermal)
        return replace(
            self,
            since_s=time_s,
            chip_k=_approached(self.chip_k, chip_end_k, elapsed_s, thermal.chip_time_constant_s),
            board_k=_approached(self.board_k, board_end_k, elapsed_s, thermal.board_time_constant_s),
            hand_k=_approached(self.hand_k, 0.0, elapsed_s, thermal.hand_time_constant_s),
        )

    def below_warm_k(self, thermal: Thermal) -> Callable[[float], float]:
        """Temperature at a time less that of the warm unit, K: negative before warm-up, 0 after.

        A function of time, which is asked far more often than made: what :meth:`at` says, in one sum.
        """
        since_s, hand_k, hand_s = self.since_s, self.hand_k, thermal.hand_time_constant_s
        chip_end_k, board_end_k = self._ends_k(thermal)
        chip_away_k, chip_s, chip_rise_k = self.chip_k - chip_end_k, thermal.chip_time_constant_s, thermal.chip_rise_k
        board_away_k, board_s = self.board_k - board_end_k, thermal.board_time_constant_s
        board_rise_k = thermal.board_rise_k

        def below_warm_k(time_s: float) -> float:
            elapsed_s = time_s - since_s if time_s > since_s else 0.0
            return (
                (chip_end_k + chip_away_k * math.exp(-elapsed_s / chip_s))
                + (board_end_k + board_away_k * math.exp(-elapsed_s / board_s))
                + hand_k * math.exp(-elapsed_s / hand_s)
                - chip_rise_k
                - board_rise_k
            )

        return below_warm_k

    def _ends_k(self, thermal: Thermal) -> tuple[float, float]:
        """Where the temperatures of chip and board end."""
        return (thermal.chip_rise_k, thermal.board_rise_k) if self.powered else (0.0, 0.0)


def _approached(start_k: float, end_k: float, elapsed_s: float, time_constant_s: float) -> float:
    """A temperature on its way to another."""
    return end_k + (start_k - end_k) * math.exp(-elapsed_s / time_constant_s)
