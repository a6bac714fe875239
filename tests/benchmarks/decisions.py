"""Figure: decisions on units near their limit against the integrals of JCGM 106:2012.

Run ``python -m tests.benchmarks.decisions [--units 5000] [--seed 106]``.

The true worst error of the units is spread evenly within 50 % of the limit. Each is measured with a normal error whose
expanded uncertainty (95 %) is 2, 5 or 15 % of the limit, and judged by the rig's own rules. Three things are judged:

* one characteristic with an upper limit, of which the integrals are those of JCGM 106, 9.5;
* the worst of seventeen points, whose shape over the range is drawn from the tracking model. A unit conforms when
  every point does, so the integrand is the product of the points' probabilities;
* one characteristic that is measured longer, once, where the first look leaves it in its guard band. The integrand is
  the probability of two normal values that have the first look in common.

What else is asked: of units exactly at the limit no more than 2.5 % pass under a guard band, and no more good units
are refused than the integral says. A guard band of U at 95 % is passed by 2.5 % of them, of which a sample has more as
often as not; the rig's is of U at 96 %, which leaves the rest of the 2.5 % to those that get a second look.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import bdtrc, ndtr, ndtri

from rig.science.conformity import FROM_WORST, GUARD_PROBABILITY, LONGER_PROBABILITY, Decision, Limits, Rule
from rig.science.decision import decide_many, uncertainty_ratio
from rig.science.points import errors_cents, worst_errors
from rig.science.tracking import predict

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Places = NDArray[np.int64]

LIMIT_CENTS = 3.0
UPPER = Limits(None, LIMIT_CENTS)
SPREAD = 0.5
SHARES = (0.02, 0.05, 0.15)
"""Expanded uncertainty over the limit."""
COVERAGE = float(ndtri(0.975))
GUARD = float(ndtri((1.0 + GUARD_PROBABILITY) / 2.0))
LONGER_GUARD = float(ndtri((1.0 + LONGER_PROBABILITY) / 2.0))
ONE_SIDED = (1.0 + GUARD_PROBABILITY) / 2.0
"""Probability of the one-sided bound by which the rig judges a worst error."""
PASS = FROM_WORST.index(Decision.PASS)
IN_DOUBT = [FROM_WORST.index(each) for each in (Decision.CONDITIONAL_PASS, Decision.CONDITIONAL_FAIL)]
TIMES = 4.0
"""How many times the readings of the first look both looks have together."""
NODES = 4000
X = np.linspace(0.0, 8.0, 17)
MUSICAL = (X >= 1.0) & (X <= 6.0)
AT_LIMIT = 0.025
ENOUGH_DEVIATIONS = 3.0


@dataclass(frozen=True, slots=True)
class Figures:
    """What became of the units, beside the integrals.

    ``accepted_bad`` and ``refused_good`` are shares of all units; ``passed_at_the_limit`` is that of units whose true
    value is the limit.
    """

    outcomes: dict[Decision, int]
    units: int
    accepted_bad: float
    refused_good: float
    expected_bad: float
    expected_refused: float
    passed_at_the_limit: float

    @property
    def bad_deviations(self) -> float:
        """Distance of false acceptance from its integral, as a normal deviate of the binomial distribution."""
        return _deviations(self.accepted_bad, self.expected_bad, self.units)

    @property
    def refused_deviations(self) -> float:
        """Distance of false rejection from its integral, as a normal deviate of the binomial distribution."""
        return _deviations(self.refused_good, self.expected_refused, self.units)


def _deviations(seen: float, expected: float, units: int) -> float:
    """Normal deviate of the exact binomial probability of so many (half of it for just as many): some are very rare."""
    if not 0.0 < expected < 1.0:
        return 0.0
    count = round(seen * units)
    more = float(bdtrc(count, units, expected))
    just_as_many = float(bdtrc(count - 1, units, expected)) - more if count else 1.0 - more
    return float(-ndtri(min(max(more + 0.5 * just_as_many, 1e-300), 1.0 - 1e-16)))


def spread(count: int, generator: np.random.Generator) -> Array:
    """True worst errors, cents."""
    return generator.uniform(1.0 - SPREAD, 1.0 + SPREAD, count) * LIMIT_CENTS


def nodes() -> Array:
    """The same, as nodes of equal share."""
    return LIMIT_CENTS * (1.0 - SPREAD + 2.0 * SPREAD * (np.arange(NODES) + 0.5) / NODES)


def judged(found: Array, guard_band: Array | float, rule: Rule) -> Places:
    """The rig's own statements on values with a guard band."""
    return decide_many(found, found - guard_band, found + guard_band, UPPER, rule, nominal=0.0)


def one_characteristic(rule: Rule, share: float, units: int, seed: int) -> Figures:
    """Units with one value under an upper limit."""
    generator = np.random.default_rng(seed)
    standard = share * LIMIT_CENTS / COVERAGE
    guard_band = GUARD * standard
    true = spread(units, generator)
    decisions = judged(generator.normal(true, standard), guard_band, rule)
    at_limit = judged(generator.normal(LIMIT_CENTS, standard, units), guard_band, rule)
    # a value passes up to the limit drawn in by the guard band (JCGM 106, 8.3.2)
    accepted = ndtr((LIMIT_CENTS - (guard_band if rule is Rule.GUARDED else 0.0) - nodes()) / standard)
    inside = nodes() <= LIMIT_CENTS
    return _figures(
        decisions,
        true,
        at_limit,
        float(np.mean(np.where(inside, 0.0, accepted))),
        float(np.mean(np.where(inside, 1.0 - accepted, 0.0))),
    )


def two_looks(share: float, units: int, seed: int) -> Figures:
    """Units that are measured longer where they are in doubt, half of the variance of U being common to all readings.

    The common error is drawn once a unit; of the rest the second look has a quarter.
    """
    generator = np.random.default_rng(seed)
    standard = share * LIMIT_CENTS / COVERAGE
    common, own = standard * np.sqrt(0.5), standard * np.sqrt(0.5)
    true = spread(units, generator)
    at_limit = np.full(units, LIMIT_CENTS)
    decided = [_looked_twice(each, common, own, generator) for each in (true, at_limit)]
    accepted = _passes_in_two(nodes(), common, own)
    inside = nodes() <= LIMIT_CENTS
    return _figures(
        decided[0],
        true,
        decided[1],
        float(np.mean(np.where(inside, 0.0, accepted))),
        float(np.mean(np.where(inside, 1.0 - accepted, 0.0))),
    )


def _looked_twice(true: Array, common: float, own: float, generator: np.random.Generator) -> Places:
    shared = generator.normal(true, common)
    first, more = shared + generator.normal(0.0, own, true.size), own / np.sqrt(TIMES - 1.0)
    second = shared + generator.normal(0.0, more, true.size)
    both = (first + (TIMES - 1.0) * second) / TIMES
    hasty = judged(first, GUARD * np.hypot(common, own), Rule.GUARDED)
    longer = judged(both, LONGER_GUARD * np.hypot(common, own / np.sqrt(TIMES)), Rule.GUARDED)
    return np.where(np.isin(hasty, IN_DOUBT), longer, hasty)


def _passes_in_two(true: Array, common: float, own: float) -> Array:
    """Probability to pass at either look: of the first value by quadrature, of the second by its distribution."""
    z = np.linspace(-6.0, 6.0, 601)
    density = np.exp(-0.5 * z**2)
    density /= density.sum()
    whole, later = np.hypot(common, own), np.hypot(common, own / np.sqrt(TIMES))
    first = true[:, None] + whole * z
    # of two values with these variances, the covariance is that of the common part and of the first look's share
    shared = common**2 + own**2 / TIMES
    mean = true[:, None] + shared / whole * z
    left = np.sqrt(later**2 - (shared / whole) ** 2)
    second = ndtr((LIMIT_CENTS - LONGER_GUARD * later - mean) / left)
    surely_in = first + GUARD * whole <= LIMIT_CENTS
    surely_out = first - GUARD * whole > LIMIT_CENTS
    return np.asarray(np.where(surely_in, 1.0, np.where(surely_out, 0.0, second)) @ density)


def in_doubt(share: float, units: int, seed: int) -> Figures:
    """The same units on a bench whose uncertainty nobody knows: none is decided, and none passes."""
    generator = np.random.default_rng(seed)
    true = spread(units, generator)
    decisions = judged(generator.normal(true, share * LIMIT_CENTS / COVERAGE), float("nan"), Rule.GUARDED)
    return _figures(decisions, true, decisions, 0.0, float(np.mean(true <= LIMIT_CENTS)))


def shapes(worst: Array, generator: np.random.Generator) -> Array:
    """True errors of the points of units with these worst errors, (N, 17): scale, leakage and highs as drawn."""
    terms = generator.normal([5.03, 1.0, 0.0, 0.0], [0.0, 0.002, 0.02, 1e-6], (worst.size, 4))
    errors = np.asarray(errors_cents(X, predict(terms, X), MUSICAL))
    return np.asarray(errors * (worst / np.max(np.abs(errors), axis=1))[:, None])


def judge_points(errors: Array, standard: float, rule: Rule, probability: float) -> Places:
    """The rig's own judgement of the worst point of units (N, 17), by Monte Carlo where the rule asks for it."""
    if rule is Rule.SIMPLE:
        value = np.max(np.abs(errors), axis=1)
        return decide_many(value, value, value, UPPER, rule)
    worst = worst_errors(errors, standard**2 * np.eye(errors.shape[1]), probability=probability)
    return decide_many(worst.value_cents, worst.lower_cents, worst.upper_cents, UPPER, rule, nominal=0.0)


def worst_of_points(rule: Rule, share: float, units: int, seed: int, probability: float = ONE_SIDED) -> Figures:
    """Units with seventeen points, judged by the worst."""
    generator = np.random.default_rng(seed)
    standard = share * LIMIT_CENTS / COVERAGE
    true = spread(units, generator)
    found = generator.normal(shapes(true, generator), standard)
    at_limit = generator.normal(shapes(np.full(units, LIMIT_CENTS), generator), standard)
    guard = float(ndtri(probability)) * standard if rule is Rule.GUARDED else 0.0
    nodes_errors = shapes(nodes(), generator)
    inside = nodes() <= LIMIT_CENTS
    accepted = np.prod(
        ndtr((LIMIT_CENTS - guard - nodes_errors) / standard) - ndtr((guard - LIMIT_CENTS - nodes_errors) / standard),
        axis=1,
    )
    return _figures(
        judge_points(found, standard, rule, probability),
        true,
        judge_points(at_limit, standard, rule, probability),
        float(np.mean(np.where(inside, 0.0, accepted))),
        float(np.mean(np.where(inside, 1.0 - accepted, 0.0))),
    )


def _figures(decisions: Places, true: Array, at_limit: Places, expected_bad: float, expected_refused: float) -> Figures:
    passed, good = decisions == PASS, true <= LIMIT_CENTS
    return Figures(
        {each: int(np.count_nonzero(decisions == place)) for place, each in enumerate(FROM_WORST)},
        true.size,
        float(np.mean(passed & ~good)),
        float(np.mean(~passed & good)),
        expected_bad,
        expected_refused,
        float(np.mean(at_limit == PASS)),
    )


HEAD = (
    f"{'U/limit':>8}{'TUR':>5}{'pass':>6}{'c.pass':>7}{'c.fail':>7}{'fail':>6}{'none':>6}"
    f"{'FA':>9}{'integral':>9}{'sd':>6}{'FR':>9}{'integral':>9}{'sd':>6}{'at limit':>9}  held"
)


def row(share: float, figures: Figures, *, guarded: bool) -> str:
    """One row of the table: outcomes, false acceptance and rejection beside their integrals, those at the limit."""
    ratio = uncertainty_ratio(share * LIMIT_CENTS, UPPER, nominal=0.0)
    order = (Decision.PASS, Decision.CONDITIONAL_PASS, Decision.CONDITIONAL_FAIL, Decision.FAIL, Decision.NO_DECISION)
    counts = "".join(f"{figures.outcomes[each]:>{width}}" for each, width in zip(order, (6, 7, 7, 6, 6), strict=True))
    return (
        f"{share:>8.0%}{ratio:>5.0f}{counts}"
        f"{figures.accepted_bad:>9.3%}{figures.expected_bad:>9.3%}{figures.bad_deviations:>+6.1f}"
        f"{figures.refused_good:>9.3%}{figures.expected_refused:>9.3%}{figures.refused_deviations:>+6.1f}"
        f"{figures.passed_at_the_limit:>9.2%}  {', '.join(broken(figures, guarded=guarded)) or 'yes'}"
    )


def broken(figures: Figures, *, guarded: bool) -> list[str]:
    """What of the goals does not hold."""
    checks = {
        "false acceptance off": abs(figures.bad_deviations) <= ENOUGH_DEVIATIONS,
        "false rejection off": abs(figures.refused_deviations) <= ENOUGH_DEVIATIONS,
        "too many at the limit": not guarded or figures.passed_at_the_limit <= AT_LIMIT,
    }
    return [name for name, holds in checks.items() if not holds]


def report(units: int, seed: int) -> Iterator[str]:
    """The figures as text."""
    yield f"{units} units, seed {seed}; FA, FR: false acceptance and rejection, shares of all units; sd: deviations"
    yield "from the integral (goal: within 3); at limit: of units exactly at it, those that pass (goal guarded: 2.5 %)"
    for rule in Rule:
        yield f"one characteristic, {rule.value}\n{HEAD}"
        for share in SHARES:
            yield row(share, one_characteristic(rule, share, units, seed), guarded=rule is Rule.GUARDED)
    yield f"one characteristic, {Rule.GUARDED.value}, measured longer where in doubt\n{HEAD}"
    for share in SHARES:
        yield row(share, two_looks(share, units, seed), guarded=True)
    yield f"worst of 17 points, {Rule.SIMPLE.value} (noise only adds to a worst: the value itself is no bound)\n{HEAD}"
    for share in SHARES:
        yield row(share, worst_of_points(Rule.SIMPLE, share, units, seed), guarded=False)
    yield f"worst of 17 points, {Rule.GUARDED.value}, bound {ONE_SIDED:.0%}\n{HEAD}"
    for share in SHARES:
        yield row(share, worst_of_points(Rule.GUARDED, share, units, seed), guarded=True)
    yield f"one characteristic on a bench in doubt: every one of them without a decision\n{HEAD}"
    yield row(0.05, in_doubt(0.05, units, seed), guarded=True)


def main() -> None:
    """Run the figure and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=106)
    chosen = parser.parse_args()
    sys.stdout.writelines(f"{line}\n" for line in report(chosen.units, chosen.seed))


if __name__ == "__main__":
    main()
