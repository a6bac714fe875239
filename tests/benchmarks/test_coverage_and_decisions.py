"""The figures of coverage and of decisions in their short form; the modules themselves run the long one."""

import math

import numpy as np
import pytest

from rig.science.decision import Decision, Rule
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
    figures = decisions.one_characteristic(rule, share, 2000, 23)
    assert abs(figures.bad_deviations) < 3.0
    assert abs(figures.refused_deviations) < 3.0
    assert sum(figures.outcomes.values()) == 2000
    assert figures.outcomes[Decision.NO_DECISION] == 0


@pytest.mark.parametrize("share", decisions.SHARES)
def test_no_more_than_a_fortieth_of_units_at_the_limit_pass_a_guard_band(share):
    # ILAC-G8:09/2019: less than 2.5 % with w = U
    seen = decisions.one_characteristic(Rule.GUARDED, share, 2000, 24).passed_at_the_limit
    assert seen < 0.025 + three_deviations(0.025, 2000)


@pytest.mark.parametrize("share", decisions.SHARES)
def test_the_worst_of_many_points_is_judged_at_the_rates_of_the_integrals(share):
    figures = decisions.worst_of_points(Rule.GUARDED, share, 100, 25)
    assert figures.bad_deviations < 3.0
    assert abs(figures.refused_deviations) < 3.0
    assert figures.passed_at_the_limit < 0.025 + three_deviations(0.025, 100)


def test_a_one_sided_bound_of_95_percent_would_let_twice_as_many_through_at_the_limit():
    figures = decisions.worst_of_points(Rule.GUARDED, 0.02, 200, 26, 0.95)
    assert figures.passed_at_the_limit == pytest.approx(0.05, abs=three_deviations(0.05, 200))


def test_nothing_passes_on_a_bench_whose_uncertainty_nobody_knows():
    assert decisions.in_doubt(0.05, 100, 27).outcomes == {Decision.NO_DECISION: 100}
