"""What is read off a tracking fit: lack of fit, terms that matter, and the straight line of the finding."""

import numpy as np
import pytest
from scipy.stats import chi2
from statsmodels.regression.linear_model import WLS
from statsmodels.tools import add_constant

from rig.science.tracking import (
    fit_tracking,
    lack_of_fit,
    predict,
    scale_error_cents_per_octave,
    straight_line,
    terms_that_matter,
)

from .sweeps import BOTTOM_OCTAVES, EIGHT_VOLTS, NOISE_OCTAVES, noisy, unit

MUSICAL = (EIGHT_VOLTS >= 1.0) & (EIGHT_VOLTS <= 5.0)


def test_good_units_are_put_down_as_misfits_no_oftener_than_chance_allows():
    # the probability of a true model is uniform: 5 % of 4000 sweeps below 5 %, within 3 standard deviations
    fit = fit_tracking(EIGHT_VOLTS, noisy(np.broadcast_to(unit(3.0, 0.01, 1e-6), (4000, 4)), seed=21), NOISE_OCTAVES)
    probability = lack_of_fit(fit, NOISE_OCTAVES).probability
    assert np.mean(probability < 0.05) == pytest.approx(0.05, abs=0.0103)


def test_lack_of_fit_is_the_chi_squared_test_of_the_residuals():
    # scipy.stats.chi2
    fit = fit_tracking(EIGHT_VOLTS, noisy(unit(3.0), seed=22, noise=2 * NOISE_OCTAVES), NOISE_OCTAVES)
    misfit = lack_of_fit(fit, NOISE_OCTAVES)
    assert misfit.probability == pytest.approx(chi2.sf(fit.chi_squared, 13))
    assert misfit.worst_index == np.argmax(np.abs(fit.residuals))
    assert misfit.worst_residual_cents == pytest.approx(1200 * fit.residuals[misfit.worst_index])


def test_what_the_product_allows_is_not_held_against_the_unit():
    bent = predict(unit(1.0), EIGHT_VOLTS) + 0.5 / 1200 * np.sin(EIGHT_VOLTS)
    fit = fit_tracking(EIGHT_VOLTS, bent, NOISE_OCTAVES)
    assert lack_of_fit(fit, NOISE_OCTAVES).probability < 1e-6
    assert lack_of_fit(fit, NOISE_OCTAVES, 0.5 / 1200).probability > 0.5


def test_an_allowance_may_be_larger_where_the_cv_is_less_certain():
    # 2 mV at the lowest CV of a 1 V/octave unit are 2.4 cents there and nowhere else
    pitch = predict(unit(), EIGHT_VOLTS)
    pitch[3] += 2.4 / 1200
    allowance = np.where(EIGHT_VOLTS < 2.0, 2.4, 0.1) / 1200
    fit = fit_tracking(EIGHT_VOLTS, pitch, NOISE_OCTAVES)
    assert lack_of_fit(fit, NOISE_OCTAVES, 0.1 / 1200).probability < 1e-6
    assert lack_of_fit(fit, NOISE_OCTAVES, np.hypot(allowance, 0.4 / 1200)).probability > 0.01


def test_as_many_readings_as_terms_leave_nothing_to_judge_by():
    x = np.array([0.0, 3.0, 6.0, 8.0])
    fit = fit_tracking(x, predict(unit(1.0), x), NOISE_OCTAVES)
    assert np.isnan(lack_of_fit(fit, NOISE_OCTAVES).probability)


@pytest.mark.parametrize(
    ("parameters", "matter"),
    [
        (unit(), [True, False, False, False]),
        (unit(scale_cents=0.3), [True, True, False, False]),
        (unit(leakage_hz=0.05), [True, False, True, False]),
        (unit(dead_time_s=-0.2e-6), [True, False, False, True]),
    ],
)
def test_the_terms_that_matter_are_those_that_are_there(parameters, matter):
    fit = fit_tracking(EIGHT_VOLTS, predict(parameters, EIGHT_VOLTS), NOISE_OCTAVES)
    np.testing.assert_array_equal(terms_that_matter(fit), matter)


def test_a_term_that_is_not_there_seems_to_matter_once_in_a_hundred_sweeps():
    fit = fit_tracking(EIGHT_VOLTS, noisy(np.broadcast_to(unit(), (4000, 4)), seed=31), NOISE_OCTAVES)
    np.testing.assert_allclose(terms_that_matter(fit, 0.01)[:, 1:].mean(axis=0), 0.01, atol=0.0047)


def test_the_straight_line_is_weighted_least_squares():
    # statsmodels WLS with absolute weights
    uncertainty = NOISE_OCTAVES * np.linspace(1.0, 4.0, 17)
    pitch = noisy(unit(6.0, 0.1, 3e-6), seed=41)
    line = straight_line(EIGHT_VOLTS, pitch, uncertainty, mask=MUSICAL, weights=uncertainty**-2)
    design = add_constant(EIGHT_VOLTS[MUSICAL])
    outside = WLS(pitch[MUSICAL], design, weights=uncertainty[MUSICAL] ** -2).fit()
    np.testing.assert_allclose([line.intercept, line.slope], outside.params, rtol=1e-10)
    np.testing.assert_allclose(line.covariance[::-1, ::-1], outside.normalized_cov_params, rtol=1e-8)


def test_the_finding_does_not_depend_on_how_long_each_point_was_gated():
    pitch = predict(unit(6.0, 0.5, 10e-6), EIGHT_VOLTS)
    evenly = straight_line(EIGHT_VOLTS, pitch, NOISE_OCTAVES, mask=MUSICAL)
    unevenly = straight_line(EIGHT_VOLTS, pitch, NOISE_OCTAVES * np.linspace(1.0, 9.0, 17), mask=MUSICAL)
    assert evenly.slope == unevenly.slope


def test_the_scale_error_of_a_perfect_core_is_that_of_its_straight_line():
    pitch = predict(unit(6.0), EIGHT_VOLTS)
    line = straight_line(EIGHT_VOLTS, pitch, NOISE_OCTAVES, mask=MUSICAL)
    assert line.scale_error_cents_per_octave()[0] == pytest.approx(6.0)
    assert scale_error_cents_per_octave(fit_tracking(EIGHT_VOLTS, pitch, NOISE_OCTAVES))[0] == pytest.approx(6.0)


def test_droop_is_scale_error_to_the_finding_but_not_to_the_diagnosis():
    pitch = predict(unit(0.0, 0.0, 5e-6), EIGHT_VOLTS)
    line = straight_line(EIGHT_VOLTS, pitch, NOISE_OCTAVES, mask=MUSICAL)
    assert line.scale_error_cents_per_octave()[0] < -1.0
    assert abs(scale_error_cents_per_octave(fit_tracking(EIGHT_VOLTS, pitch, NOISE_OCTAVES))[0]) < 1e-3


def test_the_straight_line_works_on_a_stack_and_says_how_each_point_enters():
    pitch = noisy(np.stack([unit(6.0), unit(-4.0)]), seed=43)
    line = straight_line(EIGHT_VOLTS, pitch, NOISE_OCTAVES, mask=MUSICAL)
    np.testing.assert_allclose(np.sum(line.slope_sensitivities * pitch, axis=-1), line.slope, rtol=1e-9)
    variance = NOISE_OCTAVES**2 * np.sum(line.slope_sensitivities**2, axis=-1)
    np.testing.assert_allclose(line.covariance[..., 0, 0], variance)


def test_a_range_with_one_point_has_no_straight_line():
    with pytest.raises(ValueError, match="at least two points"):
        straight_line(EIGHT_VOLTS, BOTTOM_OCTAVES + EIGHT_VOLTS, NOISE_OCTAVES, mask=EIGHT_VOLTS == 1.0)
    with pytest.raises(ValueError, match="different control voltages"):
        straight_line([1.0, 1.0], [6.0, 6.0], NOISE_OCTAVES)
