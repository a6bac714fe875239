"""Decision rules against ILAC-G8 and JCGM 106."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from rig.science.decision import (
    Decision,
    Limits,
    Rule,
    decide,
    decide_bounded,
    probability_of_conformity,
    specific_risk_of_false_acceptance,
    worst_of,
)

UPPER = Limits(None, 10.0)
BOTH = Limits(-10.0, 10.0)


@pytest.mark.parametrize(
    ("value", "statement"),
    [
        (7.9, "pass"),
        (8.0, "pass"),
        (8.1, "conditional pass"),
        (10.0, "conditional pass"),
        (10.1, "conditional fail"),
        (12.0, "conditional fail"),
        (12.1, "fail"),
    ],
)
@pytest.mark.parametrize("limits", [UPPER, BOTH])
def test_a_guard_band_makes_four_statements(value, statement, limits):
    # ILAC-G8:09/2019, 4.2.3 and figure 5, w = U = 2
    assert decide(value, 2.0, limits, Rule.GUARDED) == statement


@pytest.mark.parametrize(
    ("value", "statement"), [(-7.9, "pass"), (-9.0, "conditional pass"), (-13.0, "fail")]
)
def test_the_low_limit_is_guarded_like_the_high_one(value, statement):
    assert decide(value, 2.0, BOTH, Rule.GUARDED) == statement
    assert decide(value, 2.0, Limits(-10.0, None), Rule.GUARDED) == statement


@pytest.mark.parametrize(("value", "statement"), [(9.9, "pass"), (10.0, "pass"), (10.1, "fail")])
def test_simple_acceptance_makes_two_statements_whatever_the_uncertainty(value, statement):
    # ILAC-G8:09/2019, 4.2.1
    assert decide(value, 2.0, UPPER, Rule.SIMPLE) == statement
    assert decide(value, np.inf, UPPER, Rule.SIMPLE) == statement


def test_an_uncertainty_wider_than_the_limits_never_passes():
    assert decide(0.0, 11.0, BOTH, Rule.GUARDED) is Decision.CONDITIONAL_PASS


@pytest.mark.parametrize("rule", Rule)
@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_a_value_that_is_no_number_is_not_decided(value, rule):
    assert decide(value, 2.0, BOTH, rule) is Decision.NO_DECISION


@pytest.mark.parametrize("uncertainty", [np.nan, np.inf])
def test_a_guarded_decision_needs_an_uncertainty(uncertainty):
    assert decide(0.0, uncertainty, BOTH, Rule.GUARDED) is Decision.NO_DECISION


def test_bounds_that_are_not_symmetric_decide_each_on_its_own_side():
    assert decide_bounded(9.0, 6.0, 9.9, UPPER, Rule.GUARDED) is Decision.PASS
    assert decide_bounded(9.0, 8.9, 10.5, UPPER, Rule.GUARDED) is Decision.CONDITIONAL_PASS
    assert decide_bounded(10.5, 9.5, 10.6, UPPER, Rule.GUARDED) is Decision.CONDITIONAL_FAIL
    assert decide_bounded(10.5, 10.1, 14.0, UPPER, Rule.GUARDED) is Decision.FAIL


def test_bounds_that_do_not_stand_around_the_value_are_refused():
    with pytest.raises(ValueError, match="do not stand around"):
        decide_bounded(9.0, 9.5, 10.0, UPPER, Rule.GUARDED)
    with pytest.raises(ValueError, match="cannot be negative"):
        decide(9.0, -1.0, UPPER, Rule.GUARDED)


@given(
    value=st.floats(-1e6, 1e6),
    uncertainty=st.floats(0.0, 1e6),
    low=st.floats(-1e6, 0.0),
    high=st.floats(0.0, 1e6),
)
def test_a_guarded_statement_never_contradicts_simple_acceptance(value, uncertainty, low, high):
    limits = Limits(low, high)
    guarded = decide(value, uncertainty, limits, Rule.GUARDED)
    simple = decide(value, uncertainty, limits, Rule.SIMPLE)
    passing = {Decision.PASS, Decision.CONDITIONAL_PASS}
    assert (guarded in passing) == (simple is Decision.PASS)


@pytest.mark.parametrize(
    ("value", "uncertainty", "limits", "published"),
    [
        # JCGM 106:2012, 7.4: interval 12.5 to 16.3, estimate 13.6, standard uncertainty 1.8
        (13.6, 1.8, Limits(12.5, 16.3), 0.66),
        # JCGM 106:2012, 7.3 (from memory): burst pressure at least 490 kPa, 509.7 kPa measured with 8.6 kPa
        (509.7, 8.6, Limits(490.0, None), 0.99),
        # JCGM 106:2012, 7.3 (from memory): breakdown voltage of at most -5.40 V, -5.47 V measured with 0.05 V
        (-5.47, 0.05, Limits(None, -5.40), 0.92),
    ],
)
def test_the_probability_of_conformity_is_that_of_the_published_examples(
    value, uncertainty, limits, published
):
    assert probability_of_conformity(value, uncertainty, limits) == pytest.approx(published, abs=0.005)


def test_the_risk_at_the_edge_of_simple_acceptance_is_a_half_and_at_the_guard_band_a_fortieth():
    # ILAC-G8:09/2019, 5.2 (from memory): up to 50 % at the limit, below 2.5 % with w = U at 95 %
    assert specific_risk_of_false_acceptance(10.0, 1.0, UPPER) == pytest.approx(0.5)
    assert specific_risk_of_false_acceptance(10.0 - 1.96, 1.0, UPPER) == pytest.approx(0.025, abs=1e-4)


def test_a_small_risk_keeps_its_digits():
    # scipy.stats.norm
    assert specific_risk_of_false_acceptance(0.0, 1.0, Limits(None, 9.0)) == pytest.approx(
        norm.sf(9.0), rel=1e-10
    )
    assert specific_risk_of_false_acceptance(0.0, 1.0, Limits(-8.0, 9.0)) == pytest.approx(
        norm.cdf(-8.0) + norm.sf(9.0)
    )


def test_a_value_known_exactly_conforms_or_does_not():
    assert probability_of_conformity(10.0, 0.0, UPPER) == 1.0
    assert probability_of_conformity(10.1, 0.0, UPPER) == 0.0
    with pytest.raises(ValueError, match="standard uncertainty"):
        probability_of_conformity(1.0, np.nan, UPPER)


def test_one_failure_fails_the_unit():
    assert worst_of([Decision.PASS, Decision.NO_DECISION, Decision.FAIL]) is Decision.FAIL


def test_a_unit_does_not_pass_while_one_characteristic_is_undecided():
    assert worst_of([Decision.PASS, Decision.NO_DECISION, Decision.CONDITIONAL_PASS]) is Decision.NO_DECISION
    assert worst_of([]) is Decision.NO_DECISION


def test_a_unit_passes_when_everything_does():
    assert worst_of([Decision.PASS, Decision.PASS]) is Decision.PASS
    assert worst_of([Decision.PASS, Decision.CONDITIONAL_PASS]) is Decision.CONDITIONAL_PASS
    assert worst_of([Decision.CONDITIONAL_FAIL, Decision.NO_DECISION]) is Decision.CONDITIONAL_FAIL


@pytest.mark.parametrize(("low", "high"), [(None, None), (1.0, 0.0), (np.nan, 1.0)])
def test_limits_that_permit_nothing_or_everything_are_refused(low, high):
    with pytest.raises(ValueError, match="limit"):
        Limits(low, high)
