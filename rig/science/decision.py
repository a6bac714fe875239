"""Decision rules and their risk (ILAC-G8:09/2019, JCGM 106:2012)."""

from __future__ import annotations

from math import inf
from typing import TYPE_CHECKING

import numpy as np

from rig.science.conformity import FROM_WORST, Decision, Limits, Rule

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

_PLACE = {each: place for place, each in enumerate(FROM_WORST)}


def decide(value: float, guard_band: float, limits: Limits, rule: Rule, *, nominal: float | None = None) -> Decision:
    """Statement of conformity of a value with a guard band of the same width on either side.

    Simple acceptance: pass or fail (ILAC-G8:09/2019, 4.2.1). Guard band w = U: pass inside the limits by w,
    fail outside by more than w, conditional between (4.2.3). On the edge of a zone the milder statement
    holds. A value or uncertainty that is no number gives no decision; nor does a guard band that leaves nothing to
    accept (JCGM 106:2012, 8.3), unless the value fails all the same.

    :param nominal: what the value ought to be, where a side has no limit: from there the room for it is counted.
    :raises ValueError: the guard band is negative.
    """
    if guard_band < 0.0:
        raise ValueError("a guard band cannot be negative")
    return decide_bounded(value, value - guard_band, value + guard_band, limits, rule, nominal=nominal)


def decide_bounded(
    value: float, lower: float, upper: float, limits: Limits, rule: Rule, *, nominal: float | None = None
) -> Decision:
    """Statement of conformity of a value between a lower and an upper bound, which need not be symmetric.

    :raises ValueError: a bound is on the wrong side of the value.
    """
    return FROM_WORST[int(decide_many(value, lower, upper, limits, rule, nominal=nominal))]


def decide_many(
    values: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    limits: Limits,
    rule: Rule,
    *,
    nominal: float | None = None,
) -> NDArray[np.int64]:
    """Statements on many values, each between its bounds; shapes broadcast.

    :returns: places in ``FROM_WORST``.
    :raises ValueError: a bound is on the wrong side of its value.
    """
    found, low, high = np.broadcast_arrays(*(np.asarray(each, dtype=np.float64) for each in (values, lower, upper)))
    inside = (found >= limits.lowest) & (found <= limits.highest)
    said = np.where(inside, _PLACE[Decision.PASS], _PLACE[Decision.FAIL])
    known = np.isfinite(found)
    if rule is Rule.GUARDED:
        known = known & np.isfinite(low) & np.isfinite(high)
        found, low, high = (np.where(known, each, 0.0) for each in (found, low, high))
        wrong = known & ~((low <= found) & (found <= high))
        if wrong.any():
            one = tuple(float(each[wrong][0]) for each in (low, high, found))
            raise ValueError("bounds {} and {} do not stand around the value {}".format(*one))
        surely_in = (low >= limits.lowest) & (high <= limits.highest)
        surely_out = (low > limits.highest) | (high < limits.lowest)
        said[inside & ~surely_in] = _PLACE[Decision.CONDITIONAL_PASS]
        said[~inside & ~surely_out] = _PLACE[Decision.CONDITIONAL_FAIL]
        room = leaves_room(found - low, high - found, limits, nominal)
        said[~surely_out & ~room] = _PLACE[Decision.NO_DECISION]
    said[~known] = _PLACE[Decision.NO_DECISION]
    return np.asarray(said)


def leaves_room(below: ArrayLike, above: ArrayLike, limits: Limits, nominal: float | None = None) -> NDArray[np.bool_]:
    """Whether guard bands leave a value that could be accepted (JCGM 106:2012, 8.3).

    :param below: width of the guard band at the low limit.  above: at the high limit; shapes broadcast.
    :param nominal: what a value ought to be; where a side has no limit, the room from there to the other side counts.
    """
    low, high = np.asarray(below, dtype=np.float64), np.asarray(above, dtype=np.float64)
    if limits.low is not None and limits.high is not None:
        return np.asarray(low + high <= limits.high - limits.low)
    if nominal is None:
        return np.ones(np.broadcast_shapes(low.shape, high.shape), dtype=np.bool_)
    if limits.high is not None:
        return np.broadcast_to(high <= limits.high - nominal, np.broadcast_shapes(low.shape, high.shape))
    return np.broadcast_to(low <= nominal - limits.lowest, np.broadcast_shapes(low.shape, high.shape))


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


def decide_each(
    values: ArrayLike, lower: ArrayLike, upper: ArrayLike, low: ArrayLike, high: ArrayLike, guarded: ArrayLike
) -> NDArray[np.intp]:
    """Statements on many values, each within limits and by a rule of its own, as :func:`decide_bounded` makes them.

    A value with one limit is a size: the room for its guard band is counted from nought.

    :param lower: bounds of the values;  upper: the same;  low: limits, minus infinity where there is none;  high: the
        same, plus infinity;  guarded: whether the rule is the guarded one. All of one shape, or broadcast to it.
    :returns: places in ``FROM_WORST``: the smallest of a unit's is its worst.
    """
    value, below, above, lowest, highest, by_guard = np.broadcast_arrays(values, lower, upper, low, high, guarded)
    by_guard = by_guard.astype(np.bool_)
    known = np.isfinite(value) & (~by_guard | (np.isfinite(below) & np.isfinite(above)))
    inside = (lowest <= value) & (value <= highest)
    surely_inside = (lowest <= below) & (above <= highest)
    surely_outside = (above < lowest) | (below > highest)
    with np.errstate(invalid="ignore"):
        both = np.isfinite(lowest) & np.isfinite(highest)
        to_high, to_low = above - value <= highest, value - below <= -lowest
        room = np.where(both, above - below <= highest - lowest, np.where(np.isfinite(highest), to_high, to_low))
    guarded_place = np.where(
        inside,
        np.where(surely_inside, _PLACE[Decision.PASS], _PLACE[Decision.CONDITIONAL_PASS]),
        np.where(surely_outside, _PLACE[Decision.FAIL], _PLACE[Decision.CONDITIONAL_FAIL]),
    )
    guarded_place = np.where(room | surely_outside, guarded_place, _PLACE[Decision.NO_DECISION])
    simple_place = np.where(inside, _PLACE[Decision.PASS], _PLACE[Decision.FAIL])
    said = np.where(by_guard, guarded_place, simple_place)
    return np.where(known, said, _PLACE[Decision.NO_DECISION]).astype(np.intp)
