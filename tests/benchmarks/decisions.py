"""Figure: decisions on units near their limit against the integrals of JCGM 106:2012.

Run ``python -m tests.benchmarks.decisions [--units 5000] [--seed 106]``.

The true worst error of the units is spread evenly within 50 % of the limit. Each is measured with a normal error whose
expanded uncertainty (95 %) is 2, 5 or 15 % of the limit, and judged by the rig's own rules. Two things are judged:

* one characteristic with an upper limit, of which the integrals are those of JCGM 106, 9.5;
* the worst of seventeen points, whose shape over the range is drawn from the tracking model. A unit conforms when
  every point does, so the integrand is the product of the points' probabilities.

What else is asked: of units exactly at the limit no more than 2.5 % pass under a guard band (a one-sided bound of 95 %
lets 5 % through; it takes one of 97.5 %), and no more good units are refused than the integral says.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import bdtrc, ndtr, ndtri

from rig.science.decision import (
    Decision,
    Limits,
    Rule,
    acceptance_limits,
    decide,
    decide_bounded,
    global_risks,
    uncertainty_ratio,
)
from rig.science.points import errors_cents, worst_error
from rig.science.tracking import predict

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

LIMIT_CENTS = 3.0
UPPER = Limits(None, LIMIT_CENTS)
SPREAD = 0.5
SHARES = (0.02, 0.05, 0.15)
"""Expanded uncertainty over the limit."""
COVERAGE = float(ndtri(0.975))
ONE_SIDED = 0.975
"""Probability of a one-sided bound that leaves a fortieth outside, as U at 95 % does on either side."""
NODES = 4000
X = np.linspace(0.0, 8.0, 17)
MUSICAL = (X >= 1.0) & (X <= 6.0)


@dataclass(frozen=True, slots=True)
class Figures:
    """What became of the units, beside the integrals.

    ``accepted_bad`` and ``refused_good`` are shares of all units; ``passed_at_the_limit`` is that of units whose true
    value is the limit.
    """

    outcomes: Counter[Decision]
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


def one_characteristic(rule: Rule, share: float, units: int, seed: int) -> Figures:
    """Units with one value under an upper limit."""
    generator = np.random.default_rng(seed)
    expanded = share * LIMIT_CENTS
    standard = expanded / COVERAGE
    true = spread(units, generator)
    found = generator.normal(true, standard)
    decisions = [decide(float(each), expanded, UPPER, rule) for each in found]
    at_limit = [decide(float(each), expanded, UPPER, rule) for each in generator.normal(LIMIT_CENTS, standard, units)]
    acceptance = acceptance_limits(UPPER, expanded if rule is Rule.GUARDED else 0.0)
    risks = global_risks(nodes(), np.ones(NODES), standard, UPPER, acceptance)
    return _figures(decisions, true, at_limit, risks.false_acceptance, risks.false_rejection)


def in_doubt(share: float, units: int, seed: int) -> Figures:
    """The same units on a bench whose uncertainty nobody knows: none is decided, and none passes."""
    generator = np.random.default_rng(seed)
    true = spread(units, generator)
    found = generator.normal(true, share * LIMIT_CENTS / COVERAGE)
    decisions = [decide(float(each), float("nan"), UPPER, Rule.GUARDED) for each in found]
    return _figures(decisions, true, decisions, 0.0, float(np.mean(true <= LIMIT_CENTS)))


def shapes(worst: Array, generator: np.random.Generator) -> Array:
    """True errors of the points of units with these worst errors, (N, 17): scale, leakage and highs as drawn."""
    terms = generator.normal([5.03, 1.0, 0.0, 0.0], [0.0, 0.002, 0.02, 1e-6], (worst.size, 4))
    errors = np.asarray(errors_cents(X, predict(terms, X), MUSICAL))
    return np.asarray(errors * (worst / np.max(np.abs(errors), axis=1))[:, None])


def judge_points(errors: Array, standard: float, rule: Rule, probability: float) -> Decision:
    """The rig's own judgement of the worst of some points, with bounds by Monte Carlo where the rule asks for them."""
    if rule is Rule.SIMPLE:
        value = float(np.max(np.abs(errors)))
        return decide_bounded(value, value, value, UPPER, rule)
    worst = worst_error(errors, standard**2 * np.eye(errors.size), probability=probability)
    return decide_bounded(worst.value_cents, worst.lower_cents, worst.upper_cents, UPPER, rule)


def worst_of_points(rule: Rule, share: float, units: int, seed: int, probability: float = ONE_SIDED) -> Figures:
    """Units with seventeen points, judged by the worst."""
    generator = np.random.default_rng(seed)
    expanded = share * LIMIT_CENTS
    standard = expanded / COVERAGE
    true = spread(units, generator)
    found = generator.normal(shapes(true, generator), standard)
    at_limit = generator.normal(shapes(np.full(units, LIMIT_CENTS), generator), standard)
    guard = expanded if rule is Rule.GUARDED else 0.0
    nodes_errors = shapes(nodes(), generator)
    inside = nodes() <= LIMIT_CENTS
    accepted = np.prod(
        ndtr((LIMIT_CENTS - guard - nodes_errors) / standard) - ndtr((guard - LIMIT_CENTS - nodes_errors) / standard),
        axis=1,
    )
    return _figures(
        [judge_points(each, standard, rule, probability) for each in found],
        true,
        [judge_points(each, standard, rule, probability) for each in at_limit],
        float(np.mean(np.where(inside, 0.0, accepted))),
        float(np.mean(np.where(inside, 1.0 - accepted, 0.0))),
    )


def _figures(
    decisions: list[Decision], true: Array, at_limit: list[Decision], expected_bad: float, expected_refused: float
) -> Figures:
    passed = np.array([each is Decision.PASS for each in decisions])
    good = true <= LIMIT_CENTS
    return Figures(
        Counter(decisions),
        true.size,
        float(np.mean(passed & ~good)),
        float(np.mean(~passed & good)),
        expected_bad,
        expected_refused,
        float(np.mean([each is Decision.PASS for each in at_limit])),
    )


def lines(name: str, share: float, figures: Figures) -> Iterator[str]:
    """One row of the report."""
    ratio = uncertainty_ratio(share * LIMIT_CENTS, UPPER, nominal=0.0)
    outcomes = ", ".join(f"{each.value} {figures.outcomes[each]}" for each in Decision)
    yield f"{name}, U {share:.0%} of the limit (test uncertainty ratio {ratio:.0f}): {outcomes}"
    rates = (
        ("false acceptance", figures.accepted_bad, figures.expected_bad, figures.bad_deviations),
        ("false rejection", figures.refused_good, figures.expected_refused, figures.refused_deviations),
    )
    shown = [f"{what} {seen:.3%} (integral {expected:.3%}, {away:+.1f} sd)" for what, seen, expected, away in rates]
    yield f"    {', '.join(shown)}; at the limit {figures.passed_at_the_limit:.2%} pass"


def report(units: int, seed: int) -> Iterator[str]:
    """The figures as text."""
    yield f"{units} units, seed {seed}; false acceptance and rejection are shares of all units"
    for rule in Rule:
        for share in SHARES:
            yield from lines(f"one characteristic, {rule.value}", share, one_characteristic(rule, share, units, seed))
    yield from lines("one characteristic on a bench in doubt", 0.05, in_doubt(0.05, units, seed))
    for rule, probability in ((Rule.SIMPLE, ONE_SIDED), (Rule.GUARDED, 0.95), (Rule.GUARDED, ONE_SIDED)):
        for share in SHARES:
            figures = worst_of_points(rule, share, units, seed, probability)
            yield from lines(f"worst of 17 points, {rule.value}, bound {probability:.1%}", share, figures)


def main() -> None:
    """Run the figure and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=106)
    chosen = parser.parse_args()
    sys.stdout.writelines(f"{line}\n" for line in report(chosen.units, chosen.seed))


if __name__ == "__main__":
    main()
