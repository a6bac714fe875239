"""Charts that add up small evidence: EWMA, cumulative sums, and cumulative sums that need no past to start from.

EWMA: ISO 7870-6. Cumulative sums: ISO 7870-4, E. S. Page (1954). Self-starting: D. M. Hawkins (1987).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr, ndtri, stdtr, stdtrit

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

REFERENCE = 0.5
"""Half the shift that is looked for, in standard deviations (k)."""
DECISION = 8.0
"""Sum that speaks (h). With k = 0.5 one false alarm in some 9500 values: a batch of 200 units has about 5000."""
FARTHEST = 3.0
"""A value farther out counts as this far: one faulty unit is no drift (J. M. Lucas and R. B. Crosier, 1982)."""
FIRST_JUDGED = 6
EWMA_WEIGHT, EWMA_SIGMAS = 0.2, 2.962
"""An average run of 500 between false alarms (J. M. Lucas and M. S. Saccucci, 1990; from memory)."""


@dataclass(frozen=True, slots=True)
class Ewma:
    """Exponentially weighted means (n,) of values, with limits that widen to their final width, (n,)."""

    points: Array
    centre: float
    lower: Array
    upper: Array


def ewma(
    values: ArrayLike,
    centre: float,
    standard_deviation: float,
    *,
    weight: float = EWMA_WEIGHT,
    sigmas: float = EWMA_SIGMAS,
) -> Ewma:
    """Chart of z_i = weight x_i + (1 - weight) z_(i-1) from z_0 = centre (S. W. Roberts, 1959).

    :raises ValueError: the weight is not above 0 and at most 1, or the standard deviation is negative.
    """
    if not 0.0 < weight <= 1.0 or not standard_deviation >= 0.0:
        raise ValueError("an EWMA needs a weight above 0 and at most 1, and a standard deviation that is not negative")
    points, level = [], centre
    for value in np.asarray(values, dtype=np.float64):
        level += weight * (float(value) - level)
        points.append(level)
    count = np.arange(1, len(points) + 1)
    spread = standard_deviation * np.sqrt(weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * count)))
    return Ewma(np.array(points), centre, centre - sigmas * spread, centre + sigmas * spread)


@dataclass(frozen=True, slots=True)
class Sums:
    """Cumulative sums (n,) above and below, and since which value each was last above nought, (n,)."""

    above: Array
    below: Array
    above_since: NDArray[np.intp]
    below_since: NDArray[np.intp]


def cumulative_sums(deviations: ArrayLike, reference: float = REFERENCE) -> Sums:
    """Tabular cumulative sums: S_i = max(0, S_(i-1) + d_i - k), and the same downwards.

    :param deviations: (n,), from where the process should be, in standard deviations.
    :param reference: k.
    """
    values = np.asarray(deviations, dtype=np.float64)
    above, above_since = _one_sided(values, reference)
    below, below_since = _one_sided(-values, reference)
    return Sums(above, below, above_since, below_since)


def _one_sided(values: Array, reference: float) -> tuple[Array, NDArray[np.intp]]:
    sums, since = np.zeros(values.size), np.zeros(values.size, dtype=np.intp)
    total, began = 0.0, 0
    for place, value in enumerate(values):
        if total == 0.0:
            began = place
        total = max(0.0, total + float(value) - reference)
        sums[place], since[place] = total, began
    return sums, since


def self_started(values: ArrayLike) -> Array:
    """Deviations that need no known mean or spread: each value against all before it, as a normal deviate.

    Of a steady process they are independent and standard normal from the third on (exactly, but for the cut at
    ``FARTHEST``); the first ones, which nothing can be said of, are 0.

    :param values: (n,), in the order in which they were taken.
    """
    data = np.asarray(values, dtype=np.float64)
    freedom = np.maximum(np.arange(data.size) - 1, 1)
    reaches: list[float] = np.asarray(stdtrit(freedom, ndtr(FARTHEST))).tolist()
    ratios: list[float | None] = []
    mean, squares = 0.0, 0.0
    for place, value in enumerate(data.tolist()):
        taken, ratio = value, None
        if place + 1 >= FIRST_JUDGED and squares > 0.0:
            spread = sqrt(squares / (place - 1)) * sqrt((place + 1) / place)
            ratio = (value - mean) / spread
            # a faulty unit must not widen what the next ones are held against
            reach = spread * reaches[place]
            taken = min(max(value, mean - reach), mean + reach)
        ratios.append(ratio)
        step = taken - mean
        mean += step / (place + 1)
        squares += step * (taken - mean)
    judged = np.array([each is not None for each in ratios], dtype=np.bool_)
    probabilities = stdtr(freedom, np.array([each or 0.0 for each in ratios]))
    deviations = np.clip(ndtri(np.clip(probabilities, 1e-15, 1.0 - 1e-15)), -FARTHEST, FARTHEST)
    return np.where(judged, deviations, 0.0)


@dataclass(frozen=True, slots=True)
class Shift:
    """A process that has moved: seen at value ``seen``, most likely since value ``since`` (places count from 0)."""

    since: int
    seen: int
    upwards: bool


def first_shift(values: ArrayLike, *, reference: float = REFERENCE, decision: float = DECISION) -> Shift | None:
    """The first lasting move of a process of which nothing is known beforehand; None where there is none.

    :param values: (n,), in the order in which they were taken.
    """
    sums = cumulative_sums(self_started(values), reference)
    loud = np.flatnonzero((sums.above > decision) | (sums.below > decision))
    if not loud.size:
        return None
    seen = int(loud[0])
    upwards = bool(sums.above[seen] > decision)
    since = sums.above_since if upwards else sums.below_since
    return Shift(int(since[seen]), seen, upwards)
