"""Yield against limit: for each characteristic, which limit would give which yield, with and without guard band."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.production import only_units_that_left
from rig.science.capability import share_interval

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from rig.limits_file import OtherLimits
    from rig.production import Column, Production

    Array = NDArray[np.float64]

STEPS = 41
TARGETS = (0.90, 0.95, 0.99)


@dataclass(frozen=True, slots=True)
class Needed:
    """The limit that a yield needs, with the interval in which it lies (order statistics); None where nothing says."""

    target: float
    accepted: float | None
    accepted_low: float | None
    accepted_high: float | None
    passed: float | None


@dataclass(frozen=True, slots=True)
class YieldCurve:
    """Yield of one characteristic against its limit (plus and minus about ``nominal``, or a largest size).

    ``limit`` (m,); ``accepted`` (m,) is the share of units whose value lies inside, with its 95 % interval from the
    number of units; ``passed`` (m,) that of units which lie inside by their own expanded uncertainty, so that they pass
    outright under the guarded rule. ``present`` is the limit as it is given.
    """

    name: str
    unit: str
    units: int
    nominal: float
    present: float
    limit: Array
    accepted: Array
    accepted_low: Array
    accepted_high: Array
    passed: Array
    needed: tuple[Needed, ...]


def yield_curves(production: Production, given: OtherLimits, units: dict[str, str]) -> tuple[YieldCurve, ...]:
    """Curves of all characteristics, over the units that left the line: one with a faulty part says nothing of limits.

    :param units: unit of each characteristic's values.
    """
    left = only_units_that_left(production)
    curves = []
    for column in left.columns:
        finite = np.isfinite(column.value) & np.isfinite(column.lower) & np.isfinite(column.upper)
        limits = given.of(column.name, production.knob_octaves)
        low = float(column.low[-1]) if limits is None or limits.low is None else limits.low
        high = float(column.high[-1]) if limits is None or limits.high is None else limits.high
        if limits is not None and limits.low is None:
            low = -np.inf
        if np.any(finite) and np.isfinite(high):
            curves.append(_curve(column, finite, low, high, units.get(column.name, "")))
    return tuple(curves)


def _curve(column: Column, finite: NDArray[np.bool_], low: float, high: float, unit: str) -> YieldCurve:
    nominal = 0.5 * (low + high) if np.isfinite(low) else 0.0
    present = high - nominal
    value, lower, upper = (each[finite] - nominal for each in (column.value, column.lower, column.upper))
    if np.isfinite(low):
        inside, surely = np.abs(value), np.maximum(np.abs(lower), np.abs(upper))
    else:
        inside, surely = value, upper
    inside, surely = np.sort(inside), np.sort(surely)
    limit = np.unique(np.append(np.linspace(0.0, 1.25 * max(present, float(surely[-1])), STEPS), present))
    limit = limit[limit > 0.0]
    count = inside.size
    accepted = np.searchsorted(inside, limit, side="right")
    intervals = [share_interval(int(each), count) for each in accepted]
    return YieldCurve(
        name=column.name,
        unit=unit,
        units=count,
        nominal=nominal,
        present=present,
        limit=limit,
        accepted=accepted / count,
        accepted_low=np.array([each.low for each in intervals], dtype=np.float64),
        accepted_high=np.array([each.high for each in intervals], dtype=np.float64),
        passed=np.searchsorted(surely, limit, side="right") / count,
        needed=tuple(_needed(inside, surely, target) for target in TARGETS),
    )


def _needed(inside: Sequence[float] | Array, surely: Sequence[float] | Array, target: float) -> Needed:
    """Limit for a yield: the value that so many units do not exceed; its interval turns that of the share round."""
    sorted_inside, sorted_surely = np.asarray(inside), np.asarray(surely)
    count = sorted_inside.size
    places = range(count + 1)
    # both bounds of a share rise with its count
    low = bisect_left(places, target, key=lambda each: share_interval(each, count).high or 0.0)
    high = bisect_left(places, target, key=lambda each: share_interval(each, count).low or 0.0)
    place = int(np.ceil(target * count)) - 1
    return Needed(
        target=target,
        accepted=float(sorted_inside[place]),
        accepted_low=None if low == 0 else float(sorted_inside[low - 1]),
        accepted_high=None if high > count else float(sorted_inside[high - 1]),
        passed=float(sorted_surely[place]),
    )
