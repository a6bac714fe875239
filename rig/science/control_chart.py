"""Control charts of Shewhart's kind, of single values: limits, and tests that say in words what looks wrong.

Layout and tests: ISO 7870-2; its eight supplementary tests as ISO 8258:1991, clause 9.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]
    Flags = NDArray[np.bool_]

LIMIT_SIGMAS = 3.0
MEAN_RANGE_OF_TWO = 2.0 / sqrt(pi)
"""d2: mean range of two standard normal values (L. H. C. Tippett, 1925)."""
RANGE_SPREAD_OF_TWO = sqrt(2.0 - 4.0 / pi)
"""d3: standard deviation of the range of two standard normal values."""
INDIVIDUALS_FACTOR = LIMIT_SIGMAS / MEAN_RANGE_OF_TWO
"""E2: half the distance between the limits of single values, in mean moving ranges."""
RANGE_FACTOR = 1.0 + LIMIT_SIGMAS * RANGE_SPREAD_OF_TWO / MEAN_RANGE_OF_TWO
"""D4: upper limit of a moving range, in mean moving ranges; there is no lower one."""
ENOUGH_POINTS = 8
"""Common practice: limits from fewer points are a guess (20 to 25 make good ones)."""


@dataclass(frozen=True, slots=True)
class Chart:
    """Points with centre line and limits. ``sigma`` is a third of the way from the centre to the upper limit."""

    points: Array
    centre: float
    lower: float
    upper: float

    @property
    def sigma(self) -> float:
        """Standard deviation that the limits stand for."""
        return (self.upper - self.centre) / LIMIT_SIGMAS

    @property
    def outside(self) -> Flags:
        """Points beyond a limit."""
        return np.asarray((self.points < self.lower) | (self.points > self.upper))


@dataclass(frozen=True, slots=True)
class ChartPair:
    """A chart of location with its chart of spread."""

    location: Chart
    spread: Chart


def individuals_chart(values: ArrayLike) -> ChartPair:
    """Chart of single values and of their moving range over two (ISO 7870-2, individuals).

    :param values: (n,), in the order in which they were taken.
    :raises ValueError: fewer than three values, or one that is not finite.
    """
    points = np.asarray(values, dtype=np.float64)
    if points.ndim != 1 or points.size < 3 or not np.isfinite(points).all():
        raise ValueError("a chart of single values needs three at least, all finite")
    moved = np.abs(np.diff(points))
    mean_moved, centre = float(np.mean(moved)), float(np.mean(points))
    reach = INDIVIDUALS_FACTOR * mean_moved
    return ChartPair(
        Chart(points, centre, centre - reach, centre + reach),
        Chart(moved, mean_moved, 0.0, RANGE_FACTOR * mean_moved),
    )


@dataclass(frozen=True, slots=True)
class RunTest:
    """One supplementary test: its sentence, and which points end a pattern of its kind.

    ``find`` takes deviations from the centre in standard deviations, (..., n), and returns flags of the same shape.
    """

    sentence: str
    find: Callable[[Array], Flags]


@dataclass(frozen=True, slots=True)
class Signal:
    """A pattern that chance seldom makes, ending at point ``index``."""

    index: int
    sentence: str
    beyond_limits: bool


def signals(chart: Chart) -> tuple[Signal, ...]:
    """What the tests see in a chart, in the order of its points; the limits first."""
    if chart.sigma <= 0.0:
        return ()
    deviations = (chart.points - chart.centre) / chart.sigma
    found = [
        Signal(int(index), test.sentence, number == 0)
        for number, test in enumerate(RUN_TESTS)
        for index in np.flatnonzero(test.find(deviations))
    ]
    return tuple(sorted(found, key=lambda each: (each.index, not each.beyond_limits)))


def _windows(values: Array, length: int) -> Array:
    """Every stretch of ``length`` points, shape (..., n - length + 1, length)."""
    return np.lib.stride_tricks.sliding_window_view(values, length, axis=-1)


def _ending(values: Array, length: int, found: Callable[[Array], Flags]) -> Flags:
    """Points at which a stretch ends that is of the kind looked for."""
    flags = np.zeros(values.shape, dtype=np.bool_)
    if values.shape[-1] >= length:
        flags[..., length - 1 :] = found(_windows(values, length))
    return flags


def _same_side(wanted: int, of: int, beyond: float) -> Callable[[Array], Flags]:
    """So many of a stretch beyond a distance, on one side, the last point among them."""

    def find(deviations: Array) -> Flags:
        def enough(stretch: Array) -> Flags:
            above, below = stretch > beyond, stretch < -beyond
            return np.asarray(
                ((above.sum(axis=-1) >= wanted) & above[..., -1]) | ((below.sum(axis=-1) >= wanted) & below[..., -1])
            )

        return _ending(deviations, of, enough)

    return find


def _steadily(count: int) -> Callable[[Array], Flags]:
    def find(deviations: Array) -> Flags:
        def one_way(stretch: Array) -> Flags:
            steps = np.diff(stretch, axis=-1)
            return np.asarray((steps > 0.0).all(axis=-1) | (steps < 0.0).all(axis=-1))

        return _ending(deviations, count, one_way)

    return find


def _alternating(count: int) -> Callable[[Array], Flags]:
    def find(deviations: Array) -> Flags:
        def up_and_down(stretch: Array) -> Flags:
            steps = np.diff(stretch, axis=-1)
            return np.asarray((steps[..., 1:] * steps[..., :-1] < 0.0).all(axis=-1))

        return _ending(deviations, count, up_and_down)

    return find


def _all_within(count: int, distance: float) -> Callable[[Array], Flags]:
    return lambda deviations: _ending(
        deviations, count, lambda stretch: np.asarray((np.abs(stretch) < distance).all(axis=-1))
    )


def _none_within(count: int, distance: float) -> Callable[[Array], Flags]:
    return lambda deviations: _ending(
        deviations, count, lambda stretch: np.asarray((np.abs(stretch) > distance).all(axis=-1))
    )


RUN_TESTS = (
    RunTest("a point beyond a control limit", _same_side(1, 1, LIMIT_SIGMAS)),
    RunTest("nine points in a row on one side of the centre", _same_side(9, 9, 0.0)),
    RunTest("six points in a row, each higher or each lower than the one before", _steadily(6)),
    RunTest("fourteen points in a row going up and down in turn", _alternating(14)),
    RunTest(
        "two of three points in a row farther out than two standard deviations, on one side", _same_side(2, 3, 2.0)
    ),
    RunTest("four of five points in a row farther out than one standard deviation, on one side", _same_side(4, 5, 1.0)),
    RunTest("fifteen points in a row within one standard deviation of the centre", _all_within(15, 1.0)),
    RunTest("eight points in a row, none within one standard deviation of the centre", _none_within(8, 1.0)),
)
