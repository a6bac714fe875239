"""Whether readings taken one after another have come to rest, and how fast they do."""

from __future__ import annotations

from math import log, sqrt
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

AGREEMENT = 3.0
"""Successive readings agree when they differ by less than so many standard uncertainties of their difference."""
FALLEN_SHARE = 0.3
"""A change that is this share of the one before it is the last of a settling that is over."""
CLEAR = 20.0
"""Changes so many standard uncertainties large show how fast a pitch settles."""


def agree(one: float, other: float, standard_uncertainty: float) -> bool:
    """Whether two readings of the same unit differ by no more than their noise.

    :param standard_uncertainty: of each reading on its own, in the readings' unit.
    """
    return abs(other - one) <= AGREEMENT * sqrt(2.0) * standard_uncertainty


def has_come_to_rest(readings: Sequence[float], standard_uncertainty: float) -> bool:
    """Whether readings taken one after another have come to rest, judged by the last three.

    Two neighbours of a slow settling agree long before it is over: once a pair did not agree, the change must have
    fallen steeply, or readings two apart must agree as well.

    :param readings: two at least, oldest first, equally far apart: natural logarithms of a frequency.
    :param standard_uncertainty: of each reading on its own, in the readings' unit.
    """
    if not agree(readings[-2], readings[-1], standard_uncertainty):
        return False
    if len(readings) == 2:
        return True
    fallen = abs(readings[-1] - readings[-2]) <= FALLEN_SHARE * abs(readings[-2] - readings[-3])
    return fallen or agree(readings[-3], readings[-1], standard_uncertainty)


def time_constant_s(readings: Sequence[float], standard_uncertainty: float, spacing_s: float) -> float | None:
    """Time constant of an exponential settling, s, from the last three readings; None where they show none.

    :param readings: oldest first, natural logarithms of a frequency.
    :param standard_uncertainty: of each reading on its own, in the readings' unit.
    :param spacing_s: time from each of the last three readings to the next.
    """
    if len(readings) < 3:
        return None
    before, after = readings[-2] - readings[-3], readings[-1] - readings[-2]
    if min(abs(before), abs(after)) < CLEAR * standard_uncertainty or not 0.0 < after / before < 1.0:
        return None
    return -spacing_s / log(after / before)
