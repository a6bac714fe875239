"""The words of a statement of conformity: rules, decisions, limits (ILAC-G8:09/2019, JCGM 106:2012)."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import inf, isnan
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable


class Rule(StrEnum):
    """How a measured value is held against its limits."""

    SIMPLE = "simple acceptance"
    GUARDED = "guard band w = U"


class Decision(StrEnum):
    """Statement about one characteristic, or about a unit."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    NO_DECISION = "no decision"


GUARD_PROBABILITY = 0.96
"""Coverage of the interval that a guard band w = U is made of. A fiftieth lies beyond either end, not a fortieth: the
rest of the 2.5 % that ILAC-G8:09/2019 has for w = U belongs to those units that are measured a second time."""
LONGER_PROBABILITY = 0.99
"""The same where a characteristic in its guard band was measured longer: a second look gives a second chance to pass
wrongly, so it leaves a 200th beyond either end. Both looks together pass at most 2.5 % of units at a limit."""

FROM_WORST = (
    Decision.FAIL,
    Decision.CONDITIONAL_FAIL,
    Decision.NO_DECISION,
    Decision.CONDITIONAL_PASS,
    Decision.PASS,
)
"""What outweighs what in a verdict: a failure that is known is not hidden by one that is not, and nothing
passes while a characteristic is undecided."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Permitted values, both limits included; None where a side has no limit."""

    low: float | None
    high: float | None

    def __post_init__(self) -> None:
        if self.low is None and self.high is None:
            raise ValueError("limits need at least one side")
        if self.lowest > self.highest or isnan(self.lowest) or isnan(self.highest):
            raise ValueError(f"the low limit ({self.low}) must not lie above the high limit ({self.high})")

    @property
    def lowest(self) -> float:
        """Low limit, or minus infinity."""
        return -inf if self.low is None else self.low

    @property
    def highest(self) -> float:
        """High limit, or infinity."""
        return inf if self.high is None else self.high

    def hold(self, value: float) -> bool:
        """Whether a value is permitted."""
        return self.lowest <= value <= self.highest


def worst_of(decisions: Iterable[Decision]) -> Decision:
    """Verdict on a unit from the decisions on its characteristics; without any there is none."""
    return min(decisions, key=FROM_WORST.index, default=Decision.NO_DECISION)
