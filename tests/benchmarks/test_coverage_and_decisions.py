"""The figures of coverage and of decisions in their short form; the modules themselves run the long one."""

import math

import numpy as np
import pytest

from rig.science.conformity import Decision, Rule
from tests.benchmarks import coverage, decisions


def three_deviations(probability, count):
    return 3.0 * math.sqrt(probability * (1.0 - probability) / count)


@pytest.mark.parametrize("stated", [coverage.STATED, coverage.POOR_METER])
def test_stated_intervals_hold_the_truth_in_95_of_100_sweeps_whichever_input_dominates(stated):
    seen = coverage.coverage(1500, 20, stated)
    slack = three_deviations(0.95, seen.sweeps)
    for name, share in zip(seen.names, seen.covered, strict=True):
        assert 0.94 - slack < share < 0.96 + slack, name
    # twenty quantities together leave less to chance
    assert 0.94 < np.mean(seen.covered) < 0.96


def test_the_budget_knows_what_the_customary_factor_two_would_cover():
    seen = coverage.coverage(1500, 21, coverage.POOR_METER)
    for share, expected in zip(seen.by_factor_two, seen.expected_by_factor_two, strict=True):
        assert share == pytest.approx(expected, abs=three_deviations(expected, seen.sweeps) + 0.004)


def test_the_worst_error_lies_under_its_one_sided_bound():
    seen = coverage.worst_bounds(200, 22)
    assert min(seen.musical, seen.full) > 0.95 - three_deviations(0.95, seen.sweeps)
    assert seen.bias_cents == pytest.approx(seen.stated_bias_cents, abs=0.03)


@pytest.mark.parametrize("rule", Rule)
@pytest.mark.parametrize("share", decisions.SHARES)
def test_one_characteristic_is_judged_at_the_rates_of_the_integrals(rule, share):
    # JCGM 106:2012, 9.5
    figures = decisions.one_characteristic(rule, share, 5000, 23)
    assert decisions.broken(figures, guarded=rule is Rule.GUARDED) == []
    assert sum(figures.outcomes.values()) == 5000
    assert figures.outcomes[Decision.NO_DECISION] == 0


@pytest.mark.parametrize("share", decisions.SHARES)
def test_no_more_than_a_fortieth_of_units_at_the_limit_pass_a_guard_band_at_one_look_or_two(share):
    # ILAC-G8:09/2019: less than 2.5 % with w = U; a look of 96 % leaves 2 %, a second one of 99 % half a percent more
    once = decisions.one_characteristic(Rule.GUARDED, share, 20_000, 24)
    twice = decisions.two_looks(share, 20_000, 24)
    assert once.passed_at_the_limit < 0.02 + three_deviations(0.02, 20_000) < 0.025
    assert once.passed_at_the_limit < twice.passed_at_the_limit < 0.025
    assert decisions.broken(twice, guarded=True) == []
    # the second look decides units that the first one could not
    assert twice.refused_good < once.refused_good


@pytest.mark.parametrize("share", decisions.SHARES)
def test_the_worst_of_many_points_is_judged_at_the_rates_of_the_integrals(share):
    figures = decisions.worst_of_points(Rule.GUARDED, share, 400, 25)
    assert decisions.broken(figures, guarded=False) == []
    assert figures.passed_at_the_limit < 0.02 + three_deviations(0.02, 400)


def test_a_one_sided_bound_of_95_percent_would_let_twice_as_many_through_at_the_limit():
    figures = decisions.worst_of_points(Rule.GUARDED, 0.02, 400, 26, 0.95)
    assert figures.passed_at_the_limit == pytest.approx(0.05, abs=three_deviations(0.05, 400))


def test_nothing_passes_on_a_bench_whose_uncertainty_nobody_knows():
    assert decisions.in_doubt(0.05, 100, 27).outcomes[Decision.NO_DECISION] == 100
