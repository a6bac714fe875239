"""Capability: intervals against general libraries and worked examples, and a test of normality that is heeded."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.diagnostic import normal_ad
from statsmodels.stats.proportion import proportion_confint

from rig.science.capability import (
    LEAST_VALUES,
    Shape,
    capability,
    centred_index,
    least_for_percentiles,
    moving_range_degrees_of_freedom,
    normal_probability,
    share_interval,
    width_index,
    within_standard_deviation,
)
from rig.science.conformity import Limits
from rig.science.control_chart import MEAN_RANGE_OF_TWO

GENERATOR = np.random.default_rng(20)


@pytest.mark.parametrize(("count", "of"), [(0, 10), (1, 1), (10, 10), (183, 200), (7, 45)])
def test_the_interval_of_a_yield_is_that_of_clopper_and_pearson_in_statsmodels(count: int, of: int):
    made = share_interval(count, of)
    assert (made.low, made.high) == pytest.approx(proportion_confint(count, of, method="beta"), abs=1e-12)


def test_nothing_counted_has_no_yield():
    with pytest.raises(ValueError, match="0 of 0"):
        share_interval(0, 0)


@pytest.mark.parametrize("count", [LEAST_VALUES, 20, 200, 3000])
def test_the_probability_of_a_normal_sample_is_that_of_statsmodels(count: int):
    for sample in (GENERATOR.normal(size=count), GENERATOR.exponential(size=count), GENERATOR.uniform(size=count)):
        assert normal_probability(sample) == pytest.approx(float(normal_ad(sample)[1]), rel=1e-4, abs=1e-30)


def test_intervals_of_cp_and_cpk_are_those_of_the_textbook_example():
    # D. C. Montgomery, Introduction to Statistical Quality Control, process capability: 20 units, limits 38 to 62,
    # s = 1.75 gives Cp = 2.29, 1.57 to 3.01; and Cpk = 1.33 of 20 units 0.88 to 1.78 (from memory)
    width = width_index(1.75, Limits(38.0, 62.0), 19.0)
    assert width is not None
    assert [width.estimate, width.low, width.high] == pytest.approx([2.29, 1.57, 3.01], abs=0.006)
    centred = centred_index(50.0, 1.0, Limits(46.01, 53.99), 20, 19.0)
    assert [centred.estimate, centred.low, centred.high] == pytest.approx([1.33, 0.88, 1.78], abs=0.006)


def test_the_interval_of_a_one_sided_index_is_exact_by_scipys_non_central_t():
    made = centred_index(0.0, 1.0, Limits(None, 4.0), 30, 29.0)
    seen, root = np.sqrt(30) * 4.0, 3.0 * np.sqrt(30)
    assert stats.nct.sf(seen, 29, root * made.low) == pytest.approx(0.025, abs=1e-6)
    assert stats.nct.cdf(seen, 29, root * made.high) == pytest.approx(0.025, abs=1e-6)


def test_one_limit_gives_only_the_one_index():
    held = capability(GENERATOR.normal(size=100), Limits(None, 5.0))
    assert held.shape is Shape.NORMAL
    assert held.pp is None
    assert held.cp is None
    assert held.ppk is not None
    assert held.cpk is not None


def test_the_spread_by_moving_range_has_the_variance_that_its_degrees_of_freedom_say():
    # the definition, simulated: variance of sigma over sigma squared is 1 / (2 nu)
    count = 60
    spreads = [within_standard_deviation(each) for each in np.random.default_rng(1).normal(size=(8000, count))]
    assert np.mean(spreads) == pytest.approx(1.0, abs=0.01)
    assert 0.5 / np.var(spreads) == pytest.approx(moving_range_degrees_of_freedom(count), rel=0.08)
    # two values have one range, and its relative variance is known: (2 - 4/pi) / d2 squared
    assert moving_range_degrees_of_freedom(2) == pytest.approx(0.5 * MEAN_RANGE_OF_TWO**2 / (2.0 - 4.0 / np.pi))


def test_indices_hold_what_they_should_as_often_as_they_say():
    limits, hits, counted = Limits(-4.0, 4.5), 0, 0
    for sample in GENERATOR.normal(size=(600, 40)):
        held = capability(sample, limits)
        if held.cp is not None:
            counted += 1
            hits += bool(
                held.cp.low is not None and held.cp.high is not None and held.cp.low <= 8.5 / 6 <= held.cp.high
            )
    assert hits / counted == pytest.approx(0.95, abs=0.03)


def test_values_that_are_not_normal_get_no_normal_index():
    skewed = np.exp(0.4 * GENERATOR.normal(size=200))
    held = capability(skewed, Limits(None, 5.0))
    assert held.shape is Shape.LOGNORMAL
    assert held.cpk is None
    assert "not normal" in held.why
    # ISO 22514-2: (U - X50) / (X99.865 - X50), with scipy's lognormal for the percentiles
    fitted = stats.lognorm(s=np.std(np.log(skewed), ddof=1), scale=np.exp(np.mean(np.log(skewed))))
    middle, top = fitted.ppf([0.5, 0.99865])
    assert held.ppk is not None
    assert held.ppk.estimate == pytest.approx((5.0 - middle) / (top - middle), rel=1e-6)
    assert held.ppk.low is not None
    assert held.ppk.high is not None
    assert held.ppk.low < held.ppk.estimate < held.ppk.high


def test_nothing_is_stated_of_a_distribution_that_nobody_knows():
    two_heaps = np.concatenate([GENERATOR.normal(-3.0, 0.1, 60), GENERATOR.normal(3.0, 0.1, 60)])
    held = capability(two_heaps, Limits(-5.0, 5.0))
    assert held.shape is Shape.UNKNOWN
    assert held.ppk is None
    assert "not stated" in held.why
    assert str(least_for_percentiles()) in held.why


def test_with_enough_values_percentiles_as_observed_speak_whatever_the_distribution():
    # Wilks, 1941: the fewest n with 1 - 0.99865^n of at least 0.95
    least = least_for_percentiles()
    assert 1.0 - 0.99865**least >= 0.95 > 1.0 - 0.99865 ** (least - 1)
    uniform = GENERATOR.uniform(-1.0, 1.0, size=2 * least)
    held = capability(uniform, Limits(-2.0, 2.0))
    assert held.shape is Shape.OBSERVED
    assert held.pp is not None
    assert held.pp.low is not None
    assert held.pp.high is not None
    # the true percentiles of a uniform distribution are -0.9973 and 0.9973
    assert held.pp.low <= 2.0 / 0.9973 <= held.pp.high


@pytest.mark.parametrize("values", [[1.0] * 50, [1.0, 2.0, 3.0]])
def test_too_few_values_or_no_spread_state_nothing(values: list[float]):
    held = capability(values, Limits(0.0, 4.0))
    assert held.shape is Shape.UNKNOWN
    assert held.ppk is None
    assert held.why
