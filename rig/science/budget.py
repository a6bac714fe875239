"""Uncertainty budgets: inputs with distribution, sensitivity and degrees of freedom, combined with their correlations.

The combined standard uncertainty follows the law of propagation (JCGM 100:2008, clause 5), the effective degrees of
freedom Welch and Satterthwaite (G.4). The coverage factor is that of the sum as the inputs' distributions make it:
inputs with known bounds keep their shape, all others together are Student's t. So it is t with few degrees of
freedom, 1.96 for many normal inputs, and 1.65 where one rectangular input outweighs the rest (EA-4/02 M:2022, S9).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from math import inf, isfinite, isinf, nan, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import brentq
from scipy.special import gammaln, j0, kve, stdtr, stdtrit

from rig.science.uncertainty import coverage_factor, welch_satterthwaite

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

PROBABILITY = 0.95
OUTWEIGHED = 0.3
"""An input dominates when all others together are no more than this share of it (EA-4/02 M:2022, S9.14)."""
AS_NORMAL = 1e-3
"""Inputs with bounds whose shape adds less than this to the kurtosis of the result are as good as normal."""
MOST_TERMS = 4096
VANISHED, VANISHED_LATER = 6.5, 30.0
"""Student's characteristic function is under 1e-9 past the first plus the second over the root of its degrees of
freedom."""
SMALL_TAIL = 1e-7
MANY_DEGREES = 200.0
"""Student's t with more is as good as normal."""
WHAT_TWO_SHOULD_COVER = (0.945, 0.965)
"""Coverage of the factor 2 that nobody need be told of: 0.9545 for a normal distribution."""


class Distribution(StrEnum):
    """Shape of what is known of an input (JCGM 100:2008, 4.3; JCGM 101:2008, 6.4)."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    U_SHAPED = "u-shaped"
    STUDENT = "t"


DIVISORS = {
    Distribution.RECTANGULAR: sqrt(3.0),
    Distribution.TRIANGULAR: sqrt(6.0),
    Distribution.U_SHAPED: sqrt(2.0),
}
"""Half width over standard uncertainty (JCGM 100:2008, 4.3.7, 4.3.9 and H.1.3.4)."""
EXCESS_KURTOSIS = {Distribution.RECTANGULAR: -1.2, Distribution.TRIANGULAR: -0.6, Distribution.U_SHAPED: -1.5}


@dataclass(frozen=True, slots=True)
class Input:
    """One input of a budget.

    ``standard_uncertainty`` in the input's own unit; ``sensitivity`` is the derivative of the result by it. Infinite
    ``degrees_of_freedom`` say that the standard uncertainty itself is not in doubt. Inputs whose standard uncertainties
    were found together bear the name of that ``evaluation``: their degrees of freedom count once.
    """

    name: str
    distribution: Distribution
    standard_uncertainty: float
    sensitivity: float = 1.0
    degrees_of_freedom: float = inf
    source: str = ""
    evaluation: str = ""

    def __post_init__(self) -> None:
        if not (isfinite(self.standard_uncertainty) and self.standard_uncertainty >= 0.0):
            raise ValueError(
                f"{self.name}: a standard uncertainty is finite and not negative, not {self.standard_uncertainty}"
            )
        if not isfinite(self.sensitivity):
            raise ValueError(f"{self.name}: a sensitivity must be finite, not {self.sensitivity}")
        if not self.degrees_of_freedom > 0.0:
            raise ValueError(f"{self.name}: degrees of freedom must be above 0, not {self.degrees_of_freedom}")

    @property
    def contribution(self) -> float:
        """What it adds to the result, with its sign: sensitivity times standard uncertainty."""
        return self.sensitivity * self.standard_uncertainty


def from_half_width(
    name: str,
    half_width: float,
    *,
    distribution: Distribution = Distribution.RECTANGULAR,
    sensitivity: float = 1.0,
    source: str = "",
) -> Input:
    """Input of which only the bounds are known, plus and minus ``half_width``.

    :raises ValueError: the distribution has no bounds.
    """
    if distribution not in DIVISORS:
        raise ValueError(f"{name}: a {distribution.value} distribution has no bounds; give its standard uncertainty")
    return Input(name, distribution, half_width / DIVISORS[distribution], sensitivity, source=source)


@dataclass(frozen=True, slots=True)
class Correlation:
    """Inputs that go together: every pair of ``names`` has this correlation ``coefficient``."""

    names: tuple[str, ...]
    coefficient: float


@dataclass(frozen=True, slots=True)
class Combined:
    """What a budget comes to.

    ``coverage_factor`` is that of the stated distributions for ``probability``. ``students_factor`` is t for the
    effective degrees of freedom (JCGM 100:2008, G.4), for comparison. ``dominant`` names an input with bounds that
    outweighs all others. ``covered_by_two`` is the true coverage of the customary factor 2; ``remark`` says when that
    is not about 95 %.
    """

    probability: float
    standard_uncertainty: float
    effective_degrees_of_freedom: float
    coverage_factor: float
    expanded_uncertainty: float
    students_factor: float
    covered_by_two: float
    dominant: str
    remark: str


@dataclass(frozen=True)
class Budget:
    """Uncertainty budget of one quantity.

    :raises ValueError: two inputs have one name, a correlation names an unknown input, or the correlations
        contradict each other.
    """

    quantity: str
    value: float
    unit: str
    inputs: tuple[Input, ...]
    correlations: tuple[Correlation, ...] = ()
    note: str = ""

    def __post_init__(self) -> None:
        names = [each.name for each in self.inputs]
        if not names or len(set(names)) != len(names):
            raise ValueError(f"the budget of {self.quantity} needs inputs, each with a name of its own")
        for each in self.correlations:
            unknown = [name for name in each.names if name not in names]
            if unknown or not -1.0 <= each.coefficient <= 1.0:
                raise ValueError(
                    f"the budget of {self.quantity} has a wrong correlation of {each.coefficient} between "
                    f"{', '.join(each.names)}: it lies between -1 and 1 and names inputs of the budget"
                )
        if self.correlations and np.linalg.eigvalsh(self.correlation_matrix)[0] < -1e-9:
            raise ValueError(f"the correlations in the budget of {self.quantity} contradict each other")

    @cached_property
    def correlation_matrix(self) -> Array:
        """Correlation of every input with every other, (n, n)."""
        matrix = np.eye(len(self.inputs))
        places = {each.name: place for place, each in enumerate(self.inputs)}
        for each in self.correlations:
            for name in each.names:
                for other in each.names:
                    if name != other:
                        matrix[places[name], places[other]] = each.coefficient
        return matrix

    @cached_property
    def contributions(self) -> Array:
        """What each input adds to the result, with its sign, (n,)."""
        return np.array([each.contribution for each in self.inputs])

    @cached_property
    def variance(self) -> float:
        """Variance of the result (JCGM 100:2008, eq. 16)."""
        return max(0.0, float(self.contributions @ self.correlation_matrix @ self.contributions))

    def shares(self) -> Array:
        """Share of each input in the variance, (n,); they add up to 1, and a correlation may make one negative."""
        if self.variance == 0.0:
            return np.zeros(len(self.inputs))
        return np.asarray(self.contributions * (self.correlation_matrix @ self.contributions) / self.variance)

    @cached_property
    def _shape(self) -> _Student | _Series:
        """Shape of the result, of unit standard uncertainty."""
        return _shape([each.scaled(1.0 / sqrt(self.variance)) for each in self._parts()])

    def expanded(self, probability: float) -> float:
        """Half width of the interval that holds the quantity with this probability."""
        return self._shape.factor(probability) * sqrt(self.variance) if self.variance > 0.0 else 0.0

    def outside(self, low: float, high: float) -> float:
        """Probability that the quantity lies below ``low`` or above ``high`` (JCGM 106:2012, clause 7).

        By the distributions of the inputs, not by a normal one in their place: what has bounds does not exceed them.
        """
        if self.variance == 0.0:
            return 0.0 if low <= self.value <= high else 1.0
        return min(1.0, sum(self._beyond(each) for each in (self.value - low, high - self.value)))

    def _beyond(self, distance: float) -> float:
        """Probability to lie more than ``distance`` away on one side."""
        away = abs(distance) / sqrt(self.variance)
        tail = max(0.0, 0.5 * (1.0 - self._shape.coverage(away))) if isfinite(away) else 0.0
        return tail if distance >= 0.0 else 1.0 - tail

    def combine(self, probability: float = PROBABILITY) -> Combined:
        """Standard uncertainty, effective degrees of freedom, coverage factor and expanded uncertainty.

        :raises ValueError: the probability does not lie between 0 and 1.
        """
        standard = sqrt(self.variance)
        parts = self._parts()
        freedom = welch_satterthwaite([each.size for each in parts], [each.degrees_of_freedom for each in parts])
        students = coverage_factor(freedom, probability)
        if standard == 0.0:
            return Combined(probability, 0.0, inf, students, 0.0, students, nan, "", "")
        shape = self._shape
        factor = shape.factor(probability)
        two = shape.coverage(2.0)
        dominant = _dominant(parts)
        return Combined(
            probability=probability,
            standard_uncertainty=standard,
            effective_degrees_of_freedom=freedom,
            coverage_factor=factor,
            expanded_uncertainty=factor * standard,
            students_factor=students,
            covered_by_two=two,
            dominant=dominant,
            remark=_remark(probability, factor, two, dominant, freedom),
        )

    def _parts(self) -> list[_Part]:
        """The independent parts of the result: inputs that are correlated, or of one evaluation, count as one."""
        parts: list[_Part] = []
        for members in self._clusters():
            inputs = [self.inputs[place] for place in members]
            if len(inputs) == 1:
                own = inputs[0]
                parts.append(_Part(own.name, own.distribution, abs(own.contribution), own.degrees_of_freedom))
                continue
            chosen = np.ix_(members, members)
            coefficients = self.correlation_matrix[chosen]
            sizes = self.contributions[members]
            shapes = {each.distribution for each in inputs}
            one_and_the_same = bool(np.all(np.abs(coefficients) == 1.0)) and len(shapes) == 1
            # of one evaluation the combination has the same degrees of freedom (R. Willink, 2007); of several, the
            # fewest stand for all, since the formula of G.4.1 holds for independent inputs only
            parts.append(
                _Part(
                    " with ".join(each.name for each in inputs),
                    inputs[0].distribution if one_and_the_same else Distribution.NORMAL,
                    sqrt(max(0.0, float(sizes @ coefficients @ sizes))),
                    min(each.degrees_of_freedom for each in inputs),
                )
            )
        return parts

    def _clusters(self) -> list[list[int]]:
        """Places of inputs that hang together, by correlation or by evaluation, of those that contribute."""
        left = [place for place, each in enumerate(self.contributions) if each != 0.0]
        evaluations = np.array([each.evaluation for each in self.inputs])
        together = (evaluations[:, None] == evaluations) & (evaluations != "")
        matrix = np.where(together, 1.0, self.correlation_matrix)
        clusters: list[list[int]] = []
        while left:
            cluster = [left.pop(0)]
            for member in cluster:
                joined = [place for place in left if matrix[member, place] != 0.0]
                cluster += joined
                left = [place for place in left if place not in joined]
            clusters.append(sorted(cluster))
        return clusters or [[0]]


@dataclass(frozen=True, slots=True)
class _Part:
    """An independent part of a result, with its standard uncertainty ``size``."""

    name: str
    distribution: Distribution
    size: float
    degrees_of_freedom: float

    @property
    def has_bounds(self) -> bool:
        """Whether its shape is kept; bounds that are themselves in doubt (JCGM 100, G.4.2) are none."""
        return self.distribution in DIVISORS and isinf(self.degrees_of_freedom)

    def scaled(self, by: float) -> _Part:
        """The same part in other units."""
        return _Part(self.name, self.distribution, self.size * by, self.degrees_of_freedom)


def _dominant(parts: Sequence[_Part]) -> str:
    largest = max(parts, key=lambda each: each.size)
    rest = sqrt(sum(each.size**2 for each in parts if each is not largest))
    return largest.name if largest.has_bounds and rest <= OUTWEIGHED * largest.size else ""


def _remark(probability: float, factor: float, two: float, dominant: str, freedom: float) -> str:
    if WHAT_TWO_SHOULD_COVER[0] <= two <= WHAT_TWO_SHOULD_COVER[1]:
        return ""
    if two < WHAT_TWO_SHOULD_COVER[0]:
        why = f"few degrees of freedom ({freedom:.1f} effective)"
    else:
        why = f"{dominant} dominates" if dominant else "inputs with bounds outweigh the normal ones"
    covers = f"{100.0 * two:.1f}" if two < 0.9995 else "over 99.9"
    return f"{why}: k = {factor:.2f} covers {100.0 * probability:g} %, k = 2 would cover {covers} %"


@dataclass(frozen=True, slots=True)
class _Student:
    """Sum of inputs that are as good as Student's t with these degrees of freedom, of unit standard uncertainty."""

    degrees_of_freedom: float

    def coverage(self, factor: float) -> float:
        return float(2.0 * stdtr(min(self.degrees_of_freedom, 1e12), factor) - 1.0)

    def factor(self, probability: float) -> float:
        return coverage_factor(self.degrees_of_freedom, probability)


@dataclass(frozen=True, slots=True)
class _Series:
    """Symmetric distribution as a Fourier series over its width, of unit standard uncertainty.

    P(|y| < k) = k / reach + sum of 2 / (n pi) f(n pi / reach) sin(n pi k / reach), f the characteristic function:
    the product of those of the parts (independent sums; H. Cramer, 1946).
    """

    reach: float
    steps: Array
    weights: Array

    def coverage(self, factor: float) -> float:
        if factor >= self.reach:
            return 1.0
        return float(factor / self.reach + self.weights @ np.sin(self.steps * factor))

    def factor(self, probability: float) -> float:
        return float(brentq(lambda factor: self.coverage(factor) - probability, 0.0, self.reach, xtol=1e-6))


def _shape(parts: Sequence[_Part]) -> _Student | _Series:
    with_bounds = [each for each in parts if each.has_bounds and each.size > 0.0]
    others = [each for each in parts if not each.has_bounds and each.size > 0.0]
    normal = sqrt(sum(each.size**2 for each in others))
    freedom = inf
    if others:
        freedom = welch_satterthwaite([each.size for each in others], [each.degrees_of_freedom for each in others])
    excess = sum(EXCESS_KURTOSIS[each.distribution] * each.size**4 for each in with_bounds)
    if abs(excess) < AS_NORMAL:
        return _Student(welch_satterthwaite([each.size for each in parts], [each.degrees_of_freedom for each in parts]))
    bounds = [DIVISORS[each.distribution] * each.size for each in with_bounds]
    tail = -float(stdtrit(min(freedom, MANY_DEGREES), SMALL_TAIL)) if normal > 0.0 else 0.0
    reach = 1.05 * sum(bounds) + min(tail, 1000.0) * normal
    terms = MOST_TERMS
    if normal > 0.0:
        last = VANISHED + (0.0 if freedom > MANY_DEGREES else VANISHED_LATER / sqrt(freedom))
        terms = min(MOST_TERMS, int(last / normal * reach / pi) + 16)
    count = np.arange(1.0, terms + 1.0)
    steps = count * (pi / reach)
    weights = 2.0 / (pi * count)
    for bound, each in zip(bounds, with_bounds, strict=True):
        weights *= _CHARACTERISTIC[each.distribution](bound * steps)
    if normal > 0.0:
        weights *= _student_characteristic(normal * steps, freedom)
    return _Series(reach, steps, weights)


def _rectangular(angle: Array) -> Array:
    return np.asarray(np.sin(angle) / angle)


def _triangular(angle: Array) -> Array:
    return np.asarray((np.sin(angle / 2.0) / (angle / 2.0)) ** 2)


def _u_shaped(angle: Array) -> Array:
    return np.asarray(j0(angle))


_CHARACTERISTIC = {
    Distribution.RECTANGULAR: _rectangular,
    Distribution.TRIANGULAR: _triangular,
    Distribution.U_SHAPED: _u_shaped,
}


def _student_characteristic(angle: Array, freedom: float) -> Array:
    """Characteristic function of Student's t, by the Bessel function K of order half its degrees of freedom."""
    normal = np.exp(-0.5 * angle**2)
    if freedom > MANY_DEGREES:
        return np.asarray(normal)
    order = 0.5 * freedom
    argument = sqrt(freedom) * angle
    bessel = kve(order, argument)
    usable = np.isfinite(bessel) & (bessel > 0.0)
    logarithm = (
        np.log(np.where(usable, bessel, 1.0))
        - argument
        + order * np.log(argument)
        - gammaln(order)
        - (order - 1.0) * np.log(2.0)
    )
    return np.asarray(np.where(usable, np.exp(logarithm), normal))
