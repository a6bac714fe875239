"""Repeatability and reproducibility: what part of the spread of measured values is the rig.

Units x operators x repeats, crossed and balanced; units and operators are drawn from many, so both are random
(two-way random-effects analysis of variance: ASTM E2782; D. C. Montgomery, Design and Analysis of Experiments).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import fdtrc

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

POOLED_PROBABILITY = 0.25
"""Common practice: an interaction that chance makes more often than this is counted as repeatability."""
CATEGORIES = 2.0**0.5
"""Common practice: categories told apart are 1.41 times the spread of units over that of the rig."""
DRAWS = 20_000


@dataclass(frozen=True, slots=True)
class Source:
    """One line of an analysis of variance. ``f_ratio`` and ``probability`` are missing where nothing is tested."""

    name: str
    sum_of_squares: float
    degrees_of_freedom: int
    f_ratio: float | None = None
    probability: float | None = None


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with a two-sided interval."""

    value: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class Components:
    """Variances by where they come from, in the unit of the readings squared; one below zero is given as zero."""

    repeatability: Estimate
    operators: Estimate
    interaction: Estimate
    units: Estimate
    rig: Estimate
    """Repeatability, operators and interaction together."""


@dataclass(frozen=True, slots=True)
class Study:
    """What a study says.

    ``share`` is the rig's part of the variance of measured values, 0 to 1; ``spread_share`` the same of their standard
    deviation. ``categories`` is how many groups of units the rig tells apart.
    """

    sources: tuple[Source, ...]
    components: Components
    share: Estimate
    spread_share: Estimate
    categories: Estimate
    grand_mean: float
    with_interaction: bool

    def sentence(self, quantity: str, unit: str) -> str:
        """The study in one sentence."""
        rig = self.components.rig
        share, low, high = (100.0 * each for each in (self.share.value, self.share.lower, self.share.upper))
        return (
            f"{quantity}: the rig's own spread is {rig.value**0.5:.3g} {unit} (standard deviation), {share:.1f} % of "
            f"the variance seen ({low:.1f} to {high:.1f} %); it tells {int(self.categories.value)} groups of units "
            "apart."
        )


def study(values: ArrayLike, *, probability: float = 0.95, seed: int = 1) -> Study:
    """Analyse a study; the interaction is counted as repeatability where chance explains it.

    :param values: (units, operators, repeats): 2, 2 and 2 at least.
    :param probability: of the intervals.
    :raises ValueError: too few of something, or a reading is missing.
    """
    full = study_with_interaction(values, probability=probability, seed=seed)
    interaction = full.sources[2].probability
    if interaction is not None and interaction <= POOLED_PROBABILITY:
        return full
    return study_without_interaction(values, probability=probability, seed=seed)


def study_with_interaction(values: ArrayLike, *, probability: float = 0.95, seed: int = 1) -> Study:
    """Analyse a study in which an operator may measure one unit otherwise than another.

    Units and operators are tested against the interaction, and that against repeatability.
    """
    readings = _checked(values)
    units, operators, _ = readings.shape
    by_units, by_operators, by_both, within = _sums(readings)
    sources = (
        _tested("units", by_units, units - 1, by_both, (units - 1) * (operators - 1)),
        _tested("operators", by_operators, operators - 1, by_both, (units - 1) * (operators - 1)),
        _tested("units x operators", by_both, (units - 1) * (operators - 1), within, _within_freedom(readings)),
        Source("repeatability", within, _within_freedom(readings)),
    )
    return _concluded(readings, sources, probability, seed)


def study_without_interaction(values: ArrayLike, *, probability: float = 0.95, seed: int = 1) -> Study:
    """Analyse a study in which operators differ alike for all units; the rest is repeatability."""
    readings = _checked(values)
    units, operators, _ = readings.shape
    by_units, by_operators, by_both, within = _sums(readings)
    rest, freedom = by_both + within, (units - 1) * (operators - 1) + _within_freedom(readings)
    sources = (
        _tested("units", by_units, units - 1, rest, freedom),
        _tested("operators", by_operators, operators - 1, rest, freedom),
        Source("repeatability", rest, freedom),
    )
    return _concluded(readings, sources, probability, seed)


def _sums(readings: Array) -> tuple[float, float, float, float]:
    """Sums of squares by units, by operators, by both beyond that, and within."""
    units, operators, repeats = readings.shape
    grand = readings.mean()
    unit_means, operator_means, cells = readings.mean(axis=(1, 2)), readings.mean(axis=(0, 2)), readings.mean(axis=2)
    together = cells - unit_means[:, None] - operator_means[None, :] + grand
    return (
        float(operators * repeats * np.sum((unit_means - grand) ** 2)),
        float(units * repeats * np.sum((operator_means - grand) ** 2)),
        float(repeats * np.sum(together**2)),
        float(np.sum((readings - cells[:, :, None]) ** 2)),
    )


def _within_freedom(readings: Array) -> int:
    units, operators, repeats = readings.shape
    return int(units * operators * (repeats - 1))


def _tested(name: str, squares: float, freedom: int, against: float, against_freedom: int) -> Source:
    """A line tested against another; where that one has no spread at all, nothing can be tested."""
    if against <= 0.0:
        return Source(name, squares, freedom)
    ratio = (squares / freedom) / (against / against_freedom)
    return Source(name, squares, freedom, ratio, float(fdtrc(freedom, against_freedom, ratio)))


def _variances(mean_squares: Array, shape: tuple[int, ...]) -> Array:
    """Variance components from mean squares, shape (5, ...): repeatability, operators, interaction, units, rig.

    :param mean_squares: (3, ...) or (4, ...), in the order of the sources.
    """
    units, operators, repeats = shape
    by_units, by_operators, last = mean_squares[0], mean_squares[1], mean_squares[-1]
    against = mean_squares[2]
    interaction = np.maximum((against - last) / repeats, 0.0)
    of_operators = np.maximum((by_operators - against) / (units * repeats), 0.0)
    of_units = np.maximum((by_units - against) / (operators * repeats), 0.0)
    return np.stack([last, of_operators, interaction, of_units, last + of_operators + interaction])


def _concluded(readings: Array, sources: tuple[Source, ...], probability: float, seed: int) -> Study:
    """Components, shares and categories, each with its generalised interval.

    A mean square times its degrees of freedom over its expectation is chi-squared; drawing those gives the spread of
    any function of the expectations (M. Hamada and S. Weerahandi, 2000). For repeatability alone it is the exact one.
    """
    if not 0.0 < probability < 1.0:
        raise ValueError(f"the probability of an interval lies between 0 and 1, not {probability}")
    squares = np.array([each.sum_of_squares for each in sources])
    freedom = np.array([each.degrees_of_freedom for each in sources])
    drawn = squares[:, None] / np.random.default_rng(seed).chisquare(freedom[:, None], (squares.size, DRAWS))
    shape = readings.shape
    values, spread = _figures(_variances(squares / freedom, shape)), _figures(_variances(drawn, shape))
    tail = (1.0 - probability) / 2.0
    lower, upper = np.quantile(spread, [tail, 1.0 - tail], axis=1)
    estimates = [Estimate(float(v), float(a), float(b)) for v, a, b in zip(values, lower, upper, strict=True)]
    return Study(
        sources=sources,
        components=Components(*estimates[:5]),
        share=estimates[5],
        spread_share=estimates[6],
        categories=estimates[7],
        grand_mean=float(readings.mean()),
        with_interaction=len(sources) == 4,
    )


def _figures(variances: Array) -> Array:
    """The five variances, and from them share of variance, share of spread, categories; shape (8, ...)."""
    of_units, rig = variances[3], variances[4]
    total = of_units + rig
    share = rig / total
    return np.concatenate([variances, np.stack([share, np.sqrt(share), CATEGORIES * np.sqrt(of_units / rig)])])


def _checked(values: ArrayLike) -> Array:
    readings = np.asarray(values, dtype=np.float64)
    if readings.ndim != 3 or min(readings.shape) < 2:
        raise ValueError(
            "a study needs two units, two operators and two repeats at least, in an array of shape (units, operators, "
            f"repeats), not {readings.shape}"
        )
    missing = np.argwhere(~np.isfinite(readings))
    if missing.size:
        unit, operator, repeat = (int(each) + 1 for each in missing[0])
        raise ValueError(
            f"repeat {repeat} of unit {unit} by operator {operator} is missing: measure it, or leave the unit out"
        )
    if np.ptp(readings, axis=2).max() == 0.0:
        raise ValueError("every repeat gave the very same reading: it is too coarse to study; record more digits")
    return readings
