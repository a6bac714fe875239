"""Errors of the points, and the worst of them."""

import numpy as np
import pytest
from scipy.stats import norm

from rig.science.points import errors_cents, errors_covariance_cents2, worst_error

X = np.linspace(0.0, 8.0, 17)
MUSICAL = (X >= 1.0) & (X <= 5.0)


def test_a_unit_that_is_only_out_of_tune_has_no_tracking_error():
    np.testing.assert_allclose(errors_cents(X, 5.3 + X, MUSICAL), 0.0, atol=1e-9)


def test_a_scale_error_shows_as_cents_on_either_side_of_the_middle_of_what_is_played():
    # 3 cents per octave about the middle of the musical range, 3 V
    error = errors_cents(X, 5.3 + X * (1 + 3 / 1200), MUSICAL)
    np.testing.assert_allclose(error, 3.0 * (X - 3.0), atol=1e-9)
    assert np.mean(error[MUSICAL]) == pytest.approx(0.0, abs=1e-9)


def test_errors_of_a_stack_are_those_of_its_units():
    pitch = np.stack([5.3 + X, 5.0 + X * 1.01])
    np.testing.assert_allclose(errors_cents(X, pitch, MUSICAL)[1], errors_cents(X, pitch[1], MUSICAL), atol=1e-9)


def test_what_all_points_have_in_common_is_no_uncertainty_of_their_errors():
    common = np.full((17, 17), 1e-6)
    own = np.diag(np.full(17, 1e-8))
    np.testing.assert_allclose(
        errors_covariance_cents2(common + own, MUSICAL), errors_covariance_cents2(own, MUSICAL), atol=1e-9
    )


def test_the_covariance_of_the_errors_is_that_of_many_sweeps():
    uncertainty = np.linspace(1e-4, 3e-4, 17)
    noise = np.random.default_rng(1).normal(0.0, uncertainty, (20_000, 17))
    seen = np.cov(errors_cents(X, X + noise, MUSICAL).T)
    expected = errors_covariance_cents2(np.diag(uncertainty**2), MUSICAL)
    np.testing.assert_allclose(np.diag(seen), np.diag(expected), rtol=0.05)


def test_without_a_point_in_the_musical_range_there_is_no_offset():
    with pytest.raises(ValueError, match="no point lies in the musical range"):
        errors_cents(X, X, np.zeros(17, dtype=bool))


def test_one_point_that_stands_out_is_bounded_like_a_normal_variable():
    # one-sided 95 % quantile of the normal distribution: 1.645
    errors = np.where(X == 6.0, -5.0, 0.0)
    worst = worst_error(errors, 0.01 * np.eye(17), draws=100_000)
    assert worst.value_cents == 5.0
    assert X[worst.index] == 6.0
    assert worst.upper_cents == pytest.approx(5.0 + 1.645 * 0.1, abs=0.003)
    assert worst.bias_cents == pytest.approx(0.0, abs=0.002)
    assert worst.standard_uncertainty_cents == pytest.approx(0.1, rel=0.02)
    assert 4.6 < worst.lower_cents < 5.0


def test_noise_alone_makes_a_worst_error_and_the_bias_says_so():
    # largest of 17 sizes of standard normal variables: mean 2.03 from the distribution function 2 Phi(x) - 1
    worst = worst_error(np.zeros(17), np.eye(17), draws=50_000)
    grid = np.linspace(0.0, 8.0, 8001)
    mean = np.trapezoid(1.0 - (2.0 * norm.cdf(grid) - 1.0) ** 17, grid)
    assert worst.bias_cents == pytest.approx(mean, abs=0.01)
    assert worst.lower_cents == 0.0


@pytest.mark.parametrize(
    "truth",
    [
        np.zeros(17),
        np.where(X == 8.0, 1.0, 0.0),
        0.3 * (X - 4.0),
        np.where(np.arange(17) % 2, 0.4, -0.4),
    ],
    ids=["perfect", "one point off", "scale off", "all points equally off"],
)
def test_both_bounds_hold_in_at_least_ninety_five_of_a_hundred_sweeps(truth):
    # 200 sweeps with a common CV error; 3 standard deviations of the count are 4.6 %
    generator = np.random.default_rng(6)
    covariance = 0.1**2 * (np.eye(17) + np.outer(X - 3.0, X - 3.0) / 16.0)
    noise = generator.multivariate_normal(np.zeros(17), covariance, size=200)
    worsts = [worst_error(truth + each, covariance, draws=1000, seed=i) for i, each in enumerate(noise)]
    largest = np.abs(truth).max()
    assert np.mean([each.upper_cents >= largest for each in worsts]) >= 0.904
    assert np.mean([each.lower_cents <= largest + 1e-12 for each in worsts]) >= 0.904


def test_the_same_seed_gives_the_same_bounds_to_the_last_digit():
    errors = 0.3 * (X - 4.0)
    assert worst_error(errors, 0.01 * np.eye(17)) == worst_error(errors, 0.01 * np.eye(17))


def test_points_known_exactly_need_no_bounds():
    worst = worst_error([1.0, -2.0], np.zeros((2, 2)))
    assert (worst.lower_cents, worst.value_cents, worst.upper_cents) == (2.0, 2.0, 2.0)


@pytest.mark.parametrize(
    ("errors", "covariance", "says"),
    [
        ([1.0, 2.0], np.eye(3), "shape"),
        ([1.0, np.nan], np.eye(2), "finite"),
        ([1.0, 2.0], [[1.0, 2.0], [2.0, 1.0]], "negative eigenvalues"),
        ([], np.zeros((0, 0)), "shape"),
    ],
)
def test_errors_without_a_covariance_are_not_judged(errors, covariance, says):
    with pytest.raises(ValueError, match=says):
        worst_error(errors, covariance)
