"""Decision rules and their risk (ILAC-G8:09/2019, JCGM 106:2012)."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import erfc, inf, isfinite, isnan, sqrt
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import ArrayLike, NDArray


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


def decide(value: float, expanded_uncertainty: float, limits: Limits, rule: Rule) -> Decision:
    """Statement of conformity of a value with its expanded uncertainty.

    Simple acceptance: pass or fail (ILAC-G8:09/2019, 4.2.1). Guard band w = U: pass inside the limits by w,
    fail outside by more than w, conditional between (4.2.3). On the edge of a zone the milder statement
    holds. A value or uncertainty that is no number gives no decision.

    :raises ValueError: the expanded uncertainty is negative.
    """
    if expanded_uncertainty < 0.0:
        raise ValueError("an expanded uncertainty cannot be negative")
    return decide_bounded(value, value - expanded_uncertainty, value + expanded_uncertainty, limits, rule)


def decide_bounded(value: float, lower: float, upper: float, limits: Limits, rule: Rule) -> Decision:
    """Statement of conformity of a value between a lower and an upper bound, which need not be symmetric.

    :raises ValueError: a bound is on the wrong side of the value.
    """
    if not isfinite(value) or (rule is Rule.GUARDED and not (isfinite(lower) and isfinite(upper))):
        return Decision.NO_DECISION
    if rule is Rule.SIMPLE:
        return Decision.PASS if limits.hold(value) else Decision.FAIL
    if not lower <= value <= upper:
        raise ValueError(f"bounds {lower} and {upper} do not stand around the value {value}")
    if limits.hold(value):
        surely = limits.hold(lower) and limits.hold(upper)
        return Decision.PASS if surely else Decision.CONDITIONAL_PASS
    surely = lower > limits.highest or upper < limits.lowest
    return Decision.FAIL if surely else Decision.CONDITIONAL_FAIL


def probability_of_conformity(value: float, standard_uncertainty: float, limits: Limits) -> float:
    """Probability that the true value is permitted, by a normal distribution (JCGM 106:2012, clause 7).

    :raises ValueError: the uncertainty is negative or not a number, or the value not finite.
    """
    return 1.0 - specific_risk_of_false_acceptance(value, standard_uncertainty, limits)


def specific_risk_of_false_acceptance(value: float, standard_uncertainty: float, limits: Limits) -> float:
    """Probability that an item accepted with this value lies outside its limits (JCGM 106:2012, clause 9).

    Computed from the tails, so that a small risk keeps its digits.

    :raises ValueError: the uncertainty is negative or not a number, or the value not finite.
    """
    if not isfinite(value) or not standard_uncertainty >= 0.0:
        raise ValueError("a risk needs a finite value and a standard uncertainty that is not negative")
    if standard_uncertainty == 0.0:
        return 0.0 if limits.hold(value) else 1.0
    scale = sqrt(2.0) * standard_uncertainty
    return 0.5 * (erfc((value - limits.lowest) / scale) + erfc((limits.highest - value) / scale))


def specific_risk_of_false_rejection(value: float, standard_uncertainty: float, limits: Limits) -> float:
    """Probability that an item rejected with this value conforms all the same (JCGM 106:2012, clause 9).

    :raises ValueError: the uncertainty is negative or not a number, or the value not finite.
    """
    return probability_of_conformity(value, standard_uncertainty, limits)


def uncertainty_ratio(expanded_uncertainty: float, limits: Limits, nominal: float | None = None) -> float:
    """Test uncertainty ratio: half the width between the limits over the expanded uncertainty (ILAC-G8:09/2019; in JCGM
    106:2012, 7.6.3, the measurement capability index); infinite where there is no uncertainty.

    :param nominal: what the value ought to be, needed where a side has no limit.
    :raises ValueError: the uncertainty is negative or not a number, or a side has no limit and no nominal is given.
    """
    if not expanded_uncertainty >= 0.0:
        raise ValueError("a test uncertainty ratio needs an expanded uncertainty that is not negative")
    if limits.low is not None and limits.high is not None:
        tolerance = 0.5 * (limits.high - limits.low)
    elif nominal is not None:
        tolerance = min(nominal - limits.lowest, limits.highest - nominal)
    else:
        raise ValueError("a test uncertainty ratio of one limit needs the nominal value that the limit is counted from")
    return tolerance / expanded_uncertainty if expanded_uncertainty > 0.0 else inf


def acceptance_limits(limits: Limits, guard_band: float) -> Limits | None:
    """Limits drawn in by a guard band (JCGM 106:2012, 8.3); None where it leaves nothing to accept.

    A negative guard band widens them.

    :raises ValueError: the guard band is not finite.
    """
    if not isfinite(guard_band):
        raise ValueError("a guard band must be finite")
    low = None if limits.low is None else limits.low + guard_band
    high = None if limits.high is None else limits.high - guard_band
    return None if low is not None and high is not None and low > high else Limits(low, high)


def decide_many(
    values: ArrayLike, lower: ArrayLike, upper: ArrayLike, low: ArrayLike, high: ArrayLike, guarded: ArrayLike
) -> NDArray[np.intp]:
    """Statements of conformity of many values at once, as :func:`decide_bounded` makes them one by one.

    :param lower: bounds of the values;  upper: the same;  low: limits, minus infinity where there is none;  high: the
        same, plus infinity;  guarded: whether the rule is the guarded one. All of one shape, or broadcast to it.
    :returns: places in ``FROM_WORST``: the smallest of a unit's is its worst.
    """
    value, below, above, lowest, highest, by_guard = np.broadcast_arrays(values, lower, upper, low, high, guarded)
    inside = (lowest <= value) & (value <= highest)
    surely_inside = (lowest <= below) & (above <= highest)
    surely_outside = (above < lowest) | (below > highest)
    guarded_place = np.where(
        inside,
        np.where(surely_inside, _PLACE[Decision.PASS], _PLACE[Decision.CONDITIONAL_PASS]),
        np.where(surely_outside, _PLACE[Decision.FAIL], _PLACE[Decision.CONDITIONAL_FAIL]),
    )
    simple_place = np.where(inside, _PLACE[Decision.PASS], _PLACE[Decision.FAIL])
    known = np.isfinite(value) & (~by_guard.astype(np.bool_) | (np.isfinite(below) & np.isfinite(above)))
    return np.where(known, np.where(by_guard, guarded_place, simple_place), _PLACE[Decision.NO_DECISION]).astype(
        np.intp
    )


_PLACE = {decision: place for place, decision in enumerate(FROM_WORST)}


@dataclass(frozen=True, slots=True)
class GlobalRisks:
    """Shares of a whole production: accepted though outside (consumer's risk), rejected though inside (producer's)."""

    false_acceptance: float
    false_rejection: float


def global_risks(
    true_values: ArrayLike,
    shares: ArrayLike,
    standard_uncertainty: float,
    limits: Limits,
    acceptance: Limits | None,
) -> GlobalRisks:
    """Risks of judging a production by a measurement with a normal error (JCGM 106:2012, 9.5).

    :param true_values: (n,), of the production: nodes of a quadrature of its density, or a sample of it.
    :param shares: (n,), how much of the production stands at each; their sum is taken as all of it.
    :param acceptance: values that are accepted; None where none are.
    :raises ValueError: the uncertainty is not above 0.
    """
    # every command needs decisions, and few need this
    from scipy.special import ndtr

    if not standard_uncertainty > 0.0:
        raise ValueError("global risks need a standard uncertainty above 0")
    values, weights = np.asarray(true_values, dtype=np.float64), np.asarray(shares, dtype=np.float64)
    inside = (values >= limits.lowest) & (values <= limits.highest)
    accepted = np.zeros_like(values)
    if acceptance is not None:
        accepted = ndtr((acceptance.highest - values) / standard_uncertainty)
        accepted = accepted - ndtr((acceptance.lowest - values) / standard_uncertainty)
    weights = weights / np.sum(weights)
    return GlobalRisks(
        float(np.sum(weights * np.where(inside, 0.0, accepted))),
        float(np.sum(weights * np.where(inside, 1.0 - accepted, 0.0))),
    )


def worst_of(decisions: Iterable[Decision]) -> Decision:
    """Verdict on a unit from the decisions on its characteristics; without any there is none."""
    return min(decisions, key=FROM_WORST.index, default=Decision.NO_DECISION)
