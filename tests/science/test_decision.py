"""Decision rules against ILAC-G8 and JCGM 106."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import gamma, norm

from rig.science.conformity import FROM_WORST, GUARD_PROBABILITY, LONGER_PROBABILITY, Decision, Limits, Rule, worst_of
from rig.science.decision import decide, decide_bounded, decide_many, uncertainty_ratio

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


@pytest.mark.parametrize(("value", "statement"), [(-7.9, "pass"), (-9.0, "conditional pass"), (-13.0, "fail")])
def test_the_low_limit_is_guarded_like_the_high_one(value, statement):
    assert decide(value, 2.0, BOTH, Rule.GUARDED) == statement
    assert decide(value, 2.0, Limits(-10.0, None), Rule.GUARDED) == statement


@pytest.mark.parametrize(("value", "statement"), [(9.9, "pass"), (10.0, "pass"), (10.1, "fail")])
def test_simple_acceptance_makes_two_statements_whatever_the_uncertainty(value, statement):
    # ILAC-G8:09/2019, 4.2.1
    assert decide(value, 2.0, UPPER, Rule.SIMPLE) == statement
    assert decide(value, np.inf, UPPER, Rule.SIMPLE) == statement


def test_a_guard_band_that_leaves_nothing_to_accept_decides_nothing_but_a_plain_failure():
    # JCGM 106:2012, 8.3: the acceptance interval is empty
    assert decide(0.0, 10.0, BOTH, Rule.GUARDED) is Decision.PASS
    assert decide(0.0, 10.1, BOTH, Rule.GUARDED) is Decision.NO_DECISION
    assert decide(12.0, 10.1, BOTH, Rule.GUARDED) is Decision.NO_DECISION
    assert decide(20.2, 10.1, BOTH, Rule.GUARDED) is Decision.FAIL
    # of a single limit the room is counted from what the value ought to be
    assert decide(0.0, 10.1, UPPER, Rule.GUARDED, nominal=0.0) is Decision.NO_DECISION
    assert decide(0.0, 10.1, UPPER, Rule.GUARDED) is Decision.CONDITIONAL_PASS
    assert decide(0.0, 10.1, Limits(-10.0, None), Rule.GUARDED, nominal=0.0) is Decision.NO_DECISION
    assert decide(0.0, 10.1, BOTH, Rule.SIMPLE) is Decision.PASS


def test_many_values_are_judged_as_each_alone():
    values = np.array([-12.1, -9.0, 0.0, 8.1, 11.0, np.nan])
    said = decide_many(values, values - 2.0, values + 2.0, BOTH, Rule.GUARDED)
    assert [FROM_WORST[each] for each in said] == [decide(each, 2.0, BOTH, Rule.GUARDED) for each in values]


def test_two_looks_together_leave_a_fortieth_beyond_each_end():
    # ILAC-G8:09/2019, table 1 (from memory): w = U passes less than 2.5 % wrongly; the union bound of G. Boole
    beyond = [(1.0 - each) / 2.0 for each in (GUARD_PROBABILITY, LONGER_PROBABILITY)]
    assert sum(beyond) <= 0.025 + 1e-12


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
    assert (guarded is Decision.NO_DECISION) or (guarded in passing) == (simple is Decision.PASS)
    assert (guarded is Decision.NO_DECISION) <= (2.0 * uncertainty > high - low)


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


@pytest.mark.parametrize(
    ("expanded", "limits", "nominal", "ratio"),
    [
        # ILAC-G8:09/2019: TUR is the tolerance over the expanded uncertainty, four to one by custom
        (2.5, BOTH, None, 4.0),
        (5.0, UPPER, 0.0, 2.0),
        (5.0, Limits(-10.0, None), 0.0, 2.0),
        (0.0, BOTH, None, np.inf),
    ],
)
def test_the_test_uncertainty_ratio_is_tolerance_over_uncertainty(expanded, limits, nominal, ratio):
    assert uncertainty_ratio(expanded, limits, nominal) == ratio


def test_a_ratio_needs_something_to_count_a_single_limit_from():
    with pytest.raises(ValueError, match="nominal"):
        uncertainty_ratio(1.0, UPPER)
    with pytest.raises(ValueError, match="not negative"):
        uncertainty_ratio(-1.0, BOTH)


def shares_judged_wrongly(true, standard_uncertainty, limits, guard_band=0.0):
    """Shares of a production that pass though outside, and that do not though inside, by the rig's own statements."""
    found = np.random.default_rng(106).normal(true, standard_uncertainty)
    rule = Rule.GUARDED if guard_band else Rule.SIMPLE
    said = decide_many(found, found - guard_band, found + guard_band, limits, rule)
    passes, inside = said == FROM_WORST.index(Decision.PASS), (true >= limits.lowest) & (true <= limits.highest)
    return np.mean(passes & ~inside), np.mean(~passes & inside)


def test_ball_bearings_carry_the_published_risk():
    # JCGM 106:2012, 9.5.4 (looked up in a public worked notebook of it): gamma distributed radial motion of 1 um on
    # average, limit 2 um, measured with 0.25 um: 4.2 % are outside, 0.8 % are accepted though outside
    made, limits = gamma.rvs(a=4, scale=0.25, size=1_000_000, random_state=9), Limits(None, 2.0)
    assert np.mean(made > 2.0) == pytest.approx(0.042, abs=0.0007)
    accepted_bad, refused_good = shares_judged_wrongly(made, 0.25, limits)
    assert accepted_bad == pytest.approx(0.008, abs=0.0007)
    # accepting up to 1.67 um only makes it 0.1 %
    fewer_bad, more_refused = shares_judged_wrongly(made, 0.25, limits, 0.328)
    assert fewer_bad == pytest.approx(0.001, abs=0.00015)
    assert more_refused > refused_good


def test_precision_resistors_carry_the_published_risks():
    # JCGM 106:2012, 9.5.3 (from memory): 1500 ohm within 0.2 ohm, made with 0.12 ohm, measured with 0.02 ohm: about 1 %
    # accepted though outside, 1.6 % rejected though inside
    made = norm.rvs(1500.0, 0.12, size=1_000_000, random_state=9)
    accepted_bad, refused_good = shares_judged_wrongly(made, 0.02, Limits(1499.8, 1500.2))
    assert accepted_bad == pytest.approx(0.011, abs=0.0009)
    assert refused_good == pytest.approx(0.016, abs=0.0009)
