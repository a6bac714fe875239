"""Control charts of Shewhart's kind: constants, limits, and tests that say in words what looks wrong.

Constants follow from their definitions (the mean and spread of range and standard deviation in normal samples), so
that no table is copied. Layout and tests: ISO 7870-2; its eight supplementary tests as ISO 8258:1991, clause 9.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import exp, lgamma, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]
    Flags = NDArray[np.bool_]

LIMIT_SIGMAS = 3.0
FARTHEST_SIGMAS = 9.0
"""A standard normal deviate beyond it (1e-19) changes no digit of a constant."""
STEPS = 361
NODES = 96
LARGEST_SUBGROUP = 100
ENOUGH_POINTS = 8
"""Common practice: limits from fewer points are a guess (20 to 25 make good ones)."""


def d2(count: int) -> float:
    """Mean range of ``count`` standard normal values: the integral of 1 - F^n - (1 - F)^n (L. H. C. Tippett, 1925).

    :raises ValueError: fewer than two, or more than a chart of ranges is good for.
    """
    return _range_moments(count)[0]


def d3(count: int) -> float:
    """Standard deviation of the range of ``count`` standard normal values.

    :raises ValueError: fewer than two, or more than a chart of ranges is good for.
    """
    return _range_moments(count)[1]


def c4(count: int) -> float:
    """Mean standard deviation of ``count`` standard normal values: sqrt(2 / (n - 1)) gamma(n / 2) / gamma((n - 1) / 2).

    :raises ValueError: fewer than two.
    """
    _require_subgroup(count)
    return sqrt(2.0 / (count - 1)) * exp(lgamma(count / 2.0) - lgamma((count - 1) / 2.0))


@dataclass(frozen=True, slots=True)
class Factors:
    """Factors of the limits of a chart with subgroups of one size, under the names that every table gives them."""

    a2: float
    a3: float
    b3: float
    b4: float
    d3: float
    d4: float
    e2: float


def factors(count: int) -> Factors:
    """Factors for subgroups of ``count`` (three standard deviations).

    :raises ValueError: fewer than two, or more than a chart of ranges is good for.
    """
    mean_range, range_spread, mean_deviation = d2(count), d3(count), c4(count)
    deviation_spread = sqrt(1.0 - mean_deviation**2)
    return Factors(
        a2=LIMIT_SIGMAS / (mean_range * sqrt(count)),
        a3=LIMIT_SIGMAS / (mean_deviation * sqrt(count)),
        b3=max(0.0, 1.0 - LIMIT_SIGMAS * deviation_spread / mean_deviation),
        b4=1.0 + LIMIT_SIGMAS * deviation_spread / mean_deviation,
        d3=max(0.0, 1.0 - LIMIT_SIGMAS * range_spread / mean_range),
        d4=1.0 + LIMIT_SIGMAS * range_spread / mean_range,
        e2=LIMIT_SIGMAS / mean_range,
    )


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
    mean_moved, table = float(np.mean(moved)), factors(2)
    centre = float(np.mean(points))
    return ChartPair(
        Chart(points, centre, centre - table.e2 * mean_moved, centre + table.e2 * mean_moved),
        Chart(moved, mean_moved, table.d3 * mean_moved, table.d4 * mean_moved),
    )


def mean_and_range_chart(subgroups: ArrayLike) -> ChartPair:
    """Chart of means and ranges of subgroups (ISO 7870-2, X-bar and R).

    :param subgroups: (k, n): k subgroups of n values.
    :raises ValueError: a subgroup of one, fewer than two subgroups, or a value that is not finite.
    """
    values = _checked_subgroups(subgroups)
    table, ranges = factors(values.shape[1]), np.ptp(values, axis=1)
    return _pair(np.mean(values, axis=1), ranges, table.a2, table.d3, table.d4)


def mean_and_deviation_chart(subgroups: ArrayLike) -> ChartPair:
    """Chart of means and standard deviations of subgroups (ISO 7870-2, X-bar and s).

    :param subgroups: (k, n): k subgroups of n values.
    :raises ValueError: a subgroup of one, fewer than two subgroups, or a value that is not finite.
    """
    values = _checked_subgroups(subgroups)
    table, deviations = factors(values.shape[1]), np.std(values, axis=1, ddof=1)
    return _pair(np.mean(values, axis=1), deviations, table.a3, table.b3, table.b4)


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


def _pair(means: Array, spreads: Array, factor: float, low: float, high: float) -> ChartPair:
    centre, mean_spread = float(np.mean(means)), float(np.mean(spreads))
    return ChartPair(
        Chart(means, centre, centre - factor * mean_spread, centre + factor * mean_spread),
        Chart(spreads, mean_spread, low * mean_spread, high * mean_spread),
    )


def _checked_subgroups(subgroups: ArrayLike) -> Array:
    values = np.asarray(subgroups, dtype=np.float64)
    if values.ndim != 2 or values.shape[0] < 2 or not np.isfinite(values).all():
        raise ValueError("a chart of subgroups needs two subgroups at least, of the same size and all finite")
    _require_subgroup(values.shape[1])
    return values


def _require_subgroup(count: int) -> None:
    if not 2 <= count <= LARGEST_SUBGROUP:
        raise ValueError(f"a subgroup has 2 to {LARGEST_SUBGROUP} values, not {count}")


@lru_cache(maxsize=LARGEST_SUBGROUP)
def _range_moments(count: int) -> tuple[float, float]:
    """Mean and standard deviation of the range of standard normal values.

    The range is at most w with probability P(w) = n integral of f(x) (F(x + w) - F(x))^(n - 1) dx; its mean is the
    integral of 1 - P(w), its mean square that of 2 w (1 - P(w)). In x the integrand falls to nothing at both ends,
    where the plain sum over even steps is as good as any rule; in w the rule is that of Gauss and Legendre.
    """
    _require_subgroup(count)
    grid, step = np.linspace(-FARTHEST_SIGMAS, FARTHEST_SIGMAS, STEPS, retstep=True)
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    widths, weights = FARTHEST_SIGMAS * (nodes + 1.0), FARTHEST_SIGMAS * weights
    density = np.exp(-0.5 * grid**2) / sqrt(2.0 * pi)
    inside = np.maximum(ndtr(grid + widths[:, None]) - ndtr(grid), 0.0) ** (count - 1)
    wider = 1.0 - count * step * (inside @ density)
    mean = float(weights @ wider)
    return mean, sqrt(float(weights @ (2.0 * widths * wider)) - mean**2)
