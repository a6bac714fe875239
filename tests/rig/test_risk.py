"""Ratio of limit to uncertainty, and the risk of a decision, as they are shown."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from rig.assess import judged
from rig.reports.document import findings_document
from rig.reports.risk import risk_line, standing_of, warning_lines
from rig.science.budget import Budget, Distribution, Input
from rig.science.conformity import Decision, Rule
from rig.science.points import risk_of_worst


def found(value, standard=0.5, limit=3.0, distribution=Distribution.NORMAL, label="Scale error", rule=Rule.GUARDED):
    budget = Budget("scale error", value, "cents/octave", (Input("a", distribution, standard),))
    return judged("scale_error", label, budget, limit, rule)


@pytest.mark.parametrize("value", [0.0, 1.9, -2.6, 2.99])
def test_the_risk_of_an_accepted_value_is_that_of_jcgm_106_where_its_inputs_are_normal(value):
    # JCGM 106:2012, clause 9
    expected = norm.sf(3.0, value, 0.5) + norm.cdf(-3.0, value, 0.5)
    assert found(value).risk == pytest.approx(expected, abs=1e-9)
    assert found(value, rule=Rule.SIMPLE).risk == pytest.approx(expected, abs=1e-9)


def test_the_risk_of_a_refused_value_is_that_it_conforms():
    assert found(3.5).risk == pytest.approx(norm.sf(1.0) - norm.sf(13.0), abs=1e-9)
    assert standing_of(found(3.5)).sentence.endswith("risk of false rejection 16 %")


def test_what_has_bounds_does_not_exceed_them():
    # a rectangle of half width 0.5 sqrt(3) ends at 2.87
    assert found(2.0, distribution=Distribution.RECTANGULAR).risk == pytest.approx(0.0, abs=1e-6)
    # JCGM 101:2008, 6.4.2: even within its bounds
    half = 0.5 * np.sqrt(3.0)
    expected = (2.5 + half - 3.0) / (2.0 * half)
    assert found(2.5, distribution=Distribution.RECTANGULAR).risk == pytest.approx(expected, abs=2e-3)


def test_a_value_on_the_edge_of_its_guard_band_is_wrong_in_a_fiftieth_of_cases():
    first = found(0.0)
    edge = found(3.0 - (first.upper - first.value))
    assert edge.risk == pytest.approx(0.02, abs=1e-6)
    assert found(edge.value - 1e-9).decision is Decision.PASS


def test_the_risk_of_a_worst_error_is_no_less_than_that_of_all_points_together():
    # scipy.stats.multivariate_normal: probability of a box
    errors = np.array([2.2, -2.4, 0.3])
    covariance = np.array([[0.09, 0.03, 0.0], [0.03, 0.16, 0.02], [0.0, 0.02, 0.09]])
    inside = multivariate_normal(errors, covariance).cdf(np.full(3, 3.0), lower_limit=np.full(3, -3.0))
    risk = risk_of_worst(errors, covariance, 3.0)
    assert 1.0 - inside - 1e-4 <= risk < 1.5 * (1.0 - inside)
    outside = np.array([3.2, -2.4, 0.3])
    inside = multivariate_normal(outside, covariance).cdf(np.full(3, 3.0), lower_limit=np.full(3, -3.0))
    assert inside - 1e-4 <= risk_of_worst(outside, covariance, 3.0) < 1.5 * inside


def test_a_poor_ratio_is_warned_of_and_one_below_one_in_words_of_its_own():
    # common practice: four to one
    good, poor, hopeless = found(0.0, 0.3), found(0.0, 0.5, label="Base pitch"), found(0.0, 2.0, label="Highs error")
    assert standing_of(good).sentence == "test uncertainty ratio 5.1; risk of false acceptance under 0.01 %"
    assert "ratio 3.1 (under 4)" in standing_of(poor).sentence
    assert "(the uncertainty exceeds the limit)" in standing_of(hopeless).sentence
    assert warning_lines([good, poor, hopeless]) == [
        "Uncertainty exceeds the limit: Highs error.",
        "Test uncertainty ratio under 4: Base pitch 3.1.",
    ]
    assert warning_lines([good]) == []
    assert risk_line([good, poor, hopeless]).startswith("Largest risk of a wrong decision: 13 % of false acceptance")
    assert risk_line([replace(good, risk=None)]) == ""


def test_programs_get_ratio_and_risks():
    accepted, refused = findings_document([found(1.9), found(3.5)])
    assert accepted["test_uncertainty_ratio"] == pytest.approx(3.06, abs=0.01)
    assert accepted["risk_of_false_acceptance"] == pytest.approx(norm.sf(2.2), rel=1e-3)
    assert accepted["risk_of_false_rejection"] is None
    assert refused["risk_of_false_rejection"] == pytest.approx(norm.sf(1.0), rel=1e-3)
    assert refused["risk_of_false_acceptance"] is None


def test_a_finding_without_uncertainty_has_neither():
    plain = replace(found(1.0), expanded_uncertainty=0.0, risk=None)
    assert standing_of(plain).sentence == ""
    assert warning_lines([plain]) == []
