"""Capability of a process: yields with their intervals, a test of normality that is heeded, Cp, Cpk, Pp and Ppk.

Names and definitions as ISO 22514-2:2017 (performance and capability of a process whatever its distribution) and, for
its percentiles, ISO 21747:2006 before it. Nothing is stated of a distribution that the values contradict.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import exp, log, sqrt
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import bdtr, betaincinv, chdtri, log_ndtr, nctdtrinc, ndtri

from rig.science.control_chart import MEAN_RANGE_OF_TWO

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

    from rig.science.conformity import Limits

    Array = NDArray[np.float64]

PROBABILITY = 0.95
LEAST_VALUES = 8
"""Fewer values show neither their distribution nor their spread."""
SIGNIFICANCE = 0.01
"""A distribution is given up where values of it would look so odd less often: a batch has a dozen characteristics."""
OUTER = 0.00135
"""Share beyond three standard deviations on one side of a normal distribution, 0.135 % (ISO 22514-2)."""
DRAWS, SEED = 4000, 1


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its confidence interval; a bound is missing where it cannot be stated."""

    estimate: float
    low: float | None
    high: float | None


def share_interval(count: int, of: int, probability: float = PROBABILITY) -> Interval:
    """Share with its exact interval (C. J. Clopper and E. S. Pearson, 1934): it covers at least so often.

    :raises ValueError: the count lies outside 0 to ``of``, or there is nothing to count.
    """
    if of < 1 or not 0 <= count <= of:
        raise ValueError(f"{count} of {of} is no share: something has to be counted, and no more than there is")
    tail = 0.5 * (1.0 - probability)
    low = 0.0 if count == 0 else float(betaincinv(count, of - count + 1, tail))
    high = 1.0 if count == of else float(betaincinv(count + 1, of - count, 1.0 - tail))
    return Interval(count / of, low, high)


def normal_probability(values: ArrayLike) -> float:
    """Probability that normal values look less normal than these: the test of Anderson and Darling.

    Mean and spread are taken from the values; probability by R. B. D'Agostino and M. A. Stephens, Goodness-of-fit
    techniques, 1986, table 4.9.

    :raises ValueError: fewer than eight values, all the same, or one not finite.
    """
    ordered = np.sort(np.asarray(values, dtype=np.float64))
    count = ordered.size
    if count < LEAST_VALUES or not np.isfinite(ordered).all() or ordered[0] == ordered[-1]:
        raise ValueError(f"a test of normality needs {LEAST_VALUES} values at least, finite and not all the same")
    scaled = (ordered - np.mean(ordered)) / np.std(ordered, ddof=1)
    weights = 2.0 * np.arange(1, count + 1) - 1.0
    squared = -count - float(weights @ (log_ndtr(scaled) + log_ndtr(-scaled[::-1]))) / count
    adjusted = squared * (1.0 + 0.75 / count + 2.25 / count**2)
    if adjusted >= 153.4:
        return 0.0
    if adjusted >= 0.6:
        return exp(1.2937 - 5.709 * adjusted + 0.0186 * adjusted**2)
    if adjusted > 0.34:
        return exp(0.9177 - 4.279 * adjusted - 1.38 * adjusted**2)
    if adjusted > 0.2:
        return 1.0 - exp(-8.318 + 42.796 * adjusted - 59.938 * adjusted**2)
    return 1.0 - exp(-13.436 + 101.14 * adjusted - 223.73 * adjusted**2)


class Shape(StrEnum):
    """What is taken of the distribution of values."""

    NORMAL = "normal"
    LOGNORMAL = "lognormal"
    OBSERVED = "percentiles as observed"
    UNKNOWN = "not stated"


@dataclass(frozen=True, slots=True)
class Capability:
    """How one characteristic of a batch lies in its limits.

    ``pp`` and ``ppk`` are of all the spread that was there, ``cp`` and ``cpk`` of that from one unit to the next (by
    moving range), which only a normal distribution has. An index that has no meaning, or that cannot be stated, is
    None, and ``why`` says why. ``normal`` is the probability of the test; None where there were too few values.
    """

    count: int
    mean: float
    standard_deviation: float
    within_standard_deviation: float
    normal: float | None
    shape: Shape
    pp: Interval | None = None
    ppk: Interval | None = None
    cp: Interval | None = None
    cpk: Interval | None = None
    why: str = ""


def capability(values: ArrayLike, limits: Limits, probability: float = PROBABILITY) -> Capability:
    """Capability of values within limits; the test of normality says by which formula, or that by none.

    Values all above nought that are not normal are tried as lognormal (a size, such as a largest error, is never
    below nought); otherwise percentiles as observed are used where there are enough values to hold 0.135 % and
    99.865 % between their ends (:func:`least_for_percentiles`), and nothing is stated where there are not.

    :param values: (n,), in the order in which the units were made: the moving range depends on it.
    :raises ValueError: no values, or one that is not finite.
    """
    data = np.asarray(values, dtype=np.float64)
    if data.ndim != 1 or data.size == 0 or not np.isfinite(data).all():
        raise ValueError("capability needs values, all of them finite")
    count, mean = data.size, float(np.mean(data))
    overall = float(np.std(data, ddof=1)) if count > 1 else 0.0
    within = within_standard_deviation(data) if count > 1 else 0.0
    # more digits than a double has are no spread
    flat = overall <= 1e-12 * max(1.0, float(np.max(np.abs(data))))
    if count < LEAST_VALUES or flat:
        why = "the values are all the same" if flat and count > 1 else _too_few(count)
        return Capability(count, mean, overall, within, None, Shape.UNKNOWN, why=why)
    normal = normal_probability(data)
    if normal >= SIGNIFICANCE:
        freedom = moving_range_degrees_of_freedom(count)
        return Capability(
            count,
            mean,
            overall,
            within,
            normal,
            Shape.NORMAL,
            pp=width_index(overall, limits, count - 1.0, probability),
            ppk=centred_index(mean, overall, limits, count, count - 1.0, probability),
            cp=width_index(within, limits, freedom, probability) if within > 0.0 else None,
            cpk=centred_index(mean, within, limits, count, freedom, probability) if within > 0.0 else None,
        )
    no_within = "not normal: the spread from unit to unit says nothing of the tails, so Cp and Cpk are not stated"
    if float(np.min(data)) > 0.0 and normal_probability(np.log(data)) >= SIGNIFICANCE:
        pp, ppk = _lognormal_indices(np.log(data), limits, probability)
        return Capability(
            count, mean, overall, within, normal, Shape.LOGNORMAL, pp, ppk, why=f"{no_within}; lognormal percentiles"
        )
    least = least_for_percentiles(probability)
    if count >= least:
        pp, ppk = _observed_indices(data, limits, probability)
        return Capability(
            count, mean, overall, within, normal, Shape.OBSERVED, pp, ppk, why=f"{no_within}; percentiles as observed"
        )
    why = f"neither normal nor lognormal, and {count} values are too few for percentiles ({least} would do): not stated"
    return Capability(count, mean, overall, within, normal, Shape.UNKNOWN, why=why)


def least_for_percentiles(probability: float = PROBABILITY) -> int:
    """Fewest values whose ends hold 0.135 % or 99.865 % with a probability, whatever the distribution.

    Source: S. S. Wilks, 1941: the largest of n is beyond the share 1 - p with probability 1 - (1 - p)^n.
    """
    return int(np.ceil(log(1.0 - probability) / log(1.0 - OUTER)))


def within_standard_deviation(values: ArrayLike) -> float:
    """Spread from one value to the next: mean moving range of two over d2 (ISO 7870-2, individuals)."""
    return float(np.mean(np.abs(np.diff(np.asarray(values, dtype=np.float64))))) / MEAN_RANGE_OF_TWO


def moving_range_degrees_of_freedom(count: int) -> float:
    """Degrees of freedom of a standard deviation by moving range, from its variance (J. D. Cryer and T. P. Ryan, 1990).

    Neighbouring ranges share a value: of unit spread their variance is 2 - 4/pi, and their covariance, by the mean
    product of the sizes of two normal values with correlation -1/2, (2 sqrt 3 + pi/3 - 4) / pi.
    """
    ranges = count - 1.0
    variance, covariance = 2.0 - 4.0 / np.pi, (2.0 * sqrt(3.0) + np.pi / 3.0 - 4.0) / np.pi
    relative = (ranges * variance + 2.0 * (ranges - 1.0) * covariance) / ranges**2 / MEAN_RANGE_OF_TWO**2
    return float(0.5 / relative)


def width_index(
    standard_deviation: float, limits: Limits, freedom: float, probability: float = PROBABILITY
) -> Interval | None:
    """Width of the limits over six standard deviations; None where a side has no limit.

    The interval is exact for normal values: that of the standard deviation, by chi-squared (ISO 22514-4).

    :param freedom: degrees of freedom of the standard deviation.
    """
    if limits.low is None or limits.high is None:
        return None
    estimate = (limits.high - limits.low) / (6.0 * standard_deviation)
    tail = 0.5 * (1.0 - probability)
    low, high = (estimate * sqrt(float(chdtri(freedom, upper)) / freedom) for upper in (1.0 - tail, tail))
    return Interval(estimate, low, high)


def centred_index(
    mean: float, standard_deviation: float, limits: Limits, count: int, freedom: float, probability: float = PROBABILITY
) -> Interval:
    """Distance of the mean to the nearer limit over three standard deviations.

    With one limit the interval is exact, by the non-central t distribution (D. B. Owen, 1968); with two it is A. F.
    Bissell's (1990), which most handbooks give.

    :param freedom: degrees of freedom of the standard deviation.
    """
    estimate = min(limits.highest - mean, mean - limits.lowest) / (3.0 * standard_deviation)
    upper = 1.0 - 0.5 * (1.0 - probability)
    if limits.low is None or limits.high is None:
        root = 3.0 * sqrt(count)
        low, high = (float(nctdtrinc(freedom, p, root * estimate)) / root for p in (upper, 1.0 - upper))
        if np.isfinite(low) and np.isfinite(high):
            return Interval(estimate, low, high)
    spread = float(ndtri(upper)) * sqrt(1.0 / (9.0 * count) + estimate**2 / (2.0 * freedom))
    return Interval(estimate, estimate - spread, estimate + spread)


def _indices_of(percentiles: tuple[Array, Array, Array], limits: Limits) -> tuple[Array | None, Array]:
    """Pp and Ppk by percentiles 0.135, 50 and 99.865 (ISO 22514-2), arrays of one shape."""
    bottom, middle, top = percentiles
    sides = []
    if limits.high is not None:
        sides.append((limits.high - middle) / (top - middle))
    if limits.low is not None:
        sides.append((middle - limits.low) / (middle - bottom))
    width = None if limits.low is None or limits.high is None else (limits.high - limits.low) / (top - bottom)
    return width, np.minimum.reduce(sides)


def _lognormal_indices(logs: Array, limits: Limits, probability: float) -> tuple[Interval | None, Interval]:
    """Indices by the percentiles of a lognormal distribution.

    Intervals from draws of mean and spread of the logarithms as n values of a normal distribution determine them
    (JCGM 101:2008, 6.4.9.2, gives the same distributions).
    """
    count, mean, spread = logs.size, float(np.mean(logs)), float(np.std(logs, ddof=1))
    generator = np.random.default_rng(SEED)
    spreads = spread * np.sqrt((count - 1.0) / generator.chisquare(count - 1.0, DRAWS))
    means = mean + spreads / sqrt(count) * generator.standard_normal(DRAWS)

    def at(centre: Array, width: Array) -> tuple[Array, Array, Array]:
        three = -float(ndtri(OUTER))
        return np.exp(centre - three * width), np.exp(centre), np.exp(centre + three * width)

    best = _indices_of(at(np.array(mean), np.array(spread)), limits)
    drawn = _indices_of(at(means, spreads), limits)
    pp = None if best[0] is None or drawn[0] is None else _drawn_interval(float(best[0]), drawn[0], probability)
    return pp, _drawn_interval(float(best[1]), drawn[1], probability)


def _drawn_interval(estimate: float, drawn: Array, probability: float) -> Interval:
    tail = 0.5 * (1.0 - probability)
    low, high = np.quantile(drawn, [tail, 1.0 - tail])
    return Interval(estimate, float(low), float(high))


def _observed_indices(data: Array, limits: Limits, probability: float) -> tuple[Interval | None, Interval]:
    """Indices by percentiles as observed; intervals from order statistics, which hold whatever the distribution."""
    ordered = np.sort(data)
    middle = np.array(float(np.median(ordered)))
    ends = np.quantile(ordered, [OUTER, 1.0 - OUTER])
    best = _indices_of((ends[0], middle, ends[1]), limits)
    inside, outside = _order_statistics(data.size, 0.5 * (1.0 - probability))
    narrow = _indices_of((ordered[inside], middle, ordered[-1 - inside]), limits)
    wide = None if outside is None else _indices_of((ordered[outside], middle, ordered[-1 - outside]), limits)

    def interval(of: Callable[[tuple[Array | None, Array]], Array | None]) -> Interval | None:
        value, high, low = of(best), of(narrow), None if wide is None else of(wide)
        if value is None or high is None:
            return None
        return Interval(float(value), None if low is None else float(low), float(high))

    ppk = interval(lambda each: each[1])
    return interval(lambda each: each[0]), ppk if ppk is not None else Interval(float(best[1]), None, None)


def _order_statistics(count: int, tail: float) -> tuple[int, int | None]:
    """Places, from the end inwards, of the order statistics that hold the outer percentile between them.

    ``outside`` is None where even the last value is too far inside.
    """
    places = np.arange(count // 2)
    beyond = bdtr(places, count, OUTER)
    inside = int(np.searchsorted(beyond, 1.0 - tail))
    outside = int(np.searchsorted(beyond, tail)) - 1
    return inside, outside if outside >= 0 else None


def _too_few(count: int) -> str:
    return (
        "one value is too few to know a spread by" if count == 1 else f"{count} values are too few to know a spread by"
    )
