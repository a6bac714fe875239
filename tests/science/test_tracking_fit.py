"""The tracking fit against other programs, and what it must be able to tell apart."""

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.special import lambertw
from statsmodels.regression.linear_model import WLS

from rig.science.drift import drift_columns
from rig.science.tracking import (
    LEAKAGE,
    SLOPE,
    Prior,
    fit_tracking,
    jacobian,
    predict,
    scale_error_cents_per_octave,
)

from .sweeps import BOTTOM_OCTAVES, EIGHT_VOLTS, NOISE_OCTAVES, noisy, unit


def model_of_its_own(x, core, slope, leakage_centihertz, dead_time_us):
    core_hz = 2.0 ** (core + slope * x) + 0.01 * leakage_centihertz
    return np.log2(1.0 / (1.0 / core_hz + 1e-6 * dead_time_us))


def derivatives_of_its_own(x, *terms):
    # complex step: no difference is taken, so no digit is lost
    steps = np.array(terms) + 1e-30j * np.eye(4)
    return np.stack([model_of_its_own(x, *each).imag / 1e-30 for each in steps], axis=-1)


def by_curve_fit(x, pitch, uncertainty, start):
    scale = np.array([1.0, 1.0, 1e-2, 1e-6])
    values, covariance = curve_fit(
        model_of_its_own,
        x,
        pitch,
        start / scale,
        sigma=uncertainty,
        absolute_sigma=True,
        jac=derivatives_of_its_own,
        ftol=1e-14,
        xtol=1e-14,
    )
    return values * scale, covariance * np.outer(scale, scale)


UNITS = {
    "nearly right": unit(0.3, 0.002, 0.1e-6),
    "steep with leakage and droop": unit(12.0, 0.05, 3e-6),
    "flat with leakage the other way": unit(-60.0, -0.3, 1e-6),
    "over-compensated highs": unit(4.0, 0.0, -2e-6),
    "scale far off": unit(-500.0, 0.5, 5e-6),
    "strong droop": unit(20.0, 0.1, 60e-6),
}


@pytest.mark.parametrize("parameters", UNITS.values(), ids=UNITS)
def test_one_sweep_gives_the_answers_of_scipy_within_a_hundredth_of_their_uncertainty(parameters):
    # scipy.optimize.curve_fit (MINPACK), the same four terms written down again
    uncertainty = NOISE_OCTAVES * np.linspace(1.0, 3.0, EIGHT_VOLTS.size)
    pitch = noisy(parameters, seed=11)
    fit = fit_tracking(EIGHT_VOLTS, pitch, uncertainty)
    values, covariance = by_curve_fit(EIGHT_VOLTS, pitch, uncertainty, parameters)
    own = np.sqrt(np.diag(covariance))
    assert fit.converged
    np.testing.assert_allclose((fit.parameters - values) / own, 0.0, atol=0.01)
    np.testing.assert_allclose(fit.standard_uncertainty(), own, rtol=1e-4)


def test_with_the_end_terms_known_the_fit_is_weighted_linear_regression():
    # statsmodels WLS on core pitch, slope and two drift columns
    time_s = np.random.default_rng(5).permutation(EIGHT_VOLTS.size) * 0.4 - 3.2
    columns = drift_columns(EIGHT_VOLTS, time_s, 0.0, 8.0)
    uncertainty = NOISE_OCTAVES * np.linspace(2.0, 1.0, EIGHT_VOLTS.size)
    pitch = noisy(unit(3.0), seed=6) + columns @ [2e-5, -4e-5]
    known = Prior(np.zeros(4), np.diag([np.inf, np.inf, 1e-24, 1e-30]))
    fit = fit_tracking(EIGHT_VOLTS, pitch, uncertainty, extra=columns, prior=known)
    design = np.column_stack([np.ones_like(EIGHT_VOLTS), EIGHT_VOLTS, columns])
    outside = WLS(pitch, design, weights=uncertainty**-2).fit()
    own = [0, 1, 4, 5]
    np.testing.assert_allclose(np.r_[fit.parameters[:2], fit.extra], outside.params, rtol=1e-7)
    np.testing.assert_allclose(fit.covariance[np.ix_(own, own)], outside.normalized_cov_params, rtol=1e-5)
    assert fit.chi_squared == pytest.approx(np.sum((outside.resid / uncertainty) ** 2), rel=1e-6)
    assert fit.degrees_of_freedom == outside.df_resid


def test_seventeen_points_over_eight_volts_tell_all_four_terms_apart():
    # from 0.05 cent of noise: 0.02 cent per octave, 7 ns, 0.1 cent at the bottom, correlations of 0.89
    fit = fit_tracking(EIGHT_VOLTS, predict(unit(), EIGHT_VOLTS), NOISE_OCTAVES)
    own = fit.standard_uncertainty()
    assert 1200 * own[SLOPE] == pytest.approx(0.02, abs=0.002)
    assert own[3] == pytest.approx(7e-9, abs=0.5e-9)
    assert 1200 / np.log(2) * own[LEAKAGE] / 32.7 == pytest.approx(0.1, abs=0.01)
    correlation = fit.covariance / np.outer(own, own)
    assert correlation[SLOPE, LEAKAGE] == pytest.approx(0.89, abs=0.01)
    assert correlation[SLOPE, 3] == pytest.approx(0.89, abs=0.01)


def test_bulk_resistance_and_dead_time_cannot_be_told_apart_by_a_sweep():
    # f exp(k f) = f_ideal (Lambert W) up to 43 cents of droop at the top, fitted with a dead time instead
    ideal_hz = 2.0 ** (BOTTOM_OCTAVES + EIGHT_VOLTS)
    k = 43 / 1200 * np.log(2) / (ideal_hz[-1] * 2 ** (-43 / 1200))
    pitch = np.log2(lambertw(k * ideal_hz).real / k)
    assert 1200 * (np.log2(ideal_hz[-1]) - pitch[-1]) == pytest.approx(43, abs=1e-6)
    fit = fit_tracking(EIGHT_VOLTS, pitch, NOISE_OCTAVES)
    assert 1200 * np.abs(fit.residuals).max() < 0.07


def test_the_derivatives_are_those_of_the_model():
    parameters = unit(7.0, 0.2, 4e-6)
    steps = np.array([1e-6, 1e-6, 1e-4, 1e-10])
    for column, step in enumerate(steps):
        away = np.zeros(4)
        away[column] = step
        numerical = (predict(parameters + away, EIGHT_VOLTS) - predict(parameters - away, EIGHT_VOLTS)) / (2 * step)
        np.testing.assert_allclose(jacobian(parameters, EIGHT_VOLTS)[:, column], numerical, rtol=1e-5)


def test_a_stack_of_units_gives_what_each_gives_alone():
    stack = np.stack([noisy(each, seed=seed) for seed, each in enumerate(UNITS.values())]).reshape(2, 3, -1)
    together = fit_tracking(EIGHT_VOLTS, stack, NOISE_OCTAVES)
    for place in np.ndindex(2, 3):
        alone = fit_tracking(EIGHT_VOLTS, stack[place], NOISE_OCTAVES)
        np.testing.assert_allclose(together.parameters[place], alone.parameters, rtol=1e-9, atol=1e-15)
        np.testing.assert_allclose(together.covariance[place], alone.covariance, rtol=1e-6)
        np.testing.assert_allclose(together.residuals[place], alone.residuals, atol=1e-9)
    assert together.converged.all()
    assert together.covariance.shape == (2, 3, 4, 4)


def test_a_point_with_infinite_uncertainty_is_as_good_as_never_taken():
    pitch = noisy(unit(5.0, 0.05, 2e-6), seed=2)
    pitch[4] = np.nan
    uncertainty = np.full(17, NOISE_OCTAVES)
    uncertainty[4] = np.inf
    kept = np.arange(17) != 4
    left_out = fit_tracking(EIGHT_VOLTS, pitch, uncertainty)
    never_taken = fit_tracking(EIGHT_VOLTS[kept], pitch[kept], NOISE_OCTAVES)
    np.testing.assert_allclose(left_out.parameters, never_taken.parameters, rtol=1e-9)
    assert left_out.degrees_of_freedom == never_taken.degrees_of_freedom == 12
    assert np.isnan(left_out.residuals[4])


def test_a_short_sweep_after_a_long_one_gives_what_both_give_together():
    # a Gaussian prior is the memory of the readings before it
    parameters = unit(5.0, 0.05, 2e-6)
    long_pitch = noisy(parameters, seed=3)
    short_x = np.array([0.0, 4.0, 8.0])
    short_pitch = noisy(parameters, short_x, seed=4)
    before = fit_tracking(EIGHT_VOLTS, long_pitch, NOISE_OCTAVES)
    after = fit_tracking(short_x, short_pitch, NOISE_OCTAVES, prior=Prior(before.parameters, before.covariance))
    both = fit_tracking(np.r_[EIGHT_VOLTS, short_x], np.r_[long_pitch, short_pitch], NOISE_OCTAVES)
    np.testing.assert_allclose((after.parameters - both.parameters) / both.standard_uncertainty(), 0.0, atol=0.01)
    np.testing.assert_allclose(after.covariance, both.covariance, rtol=1e-3)
    assert after.degrees_of_freedom == 3


def test_a_prior_that_knows_the_end_terms_leaves_core_and_slope_to_the_readings():
    short_x = np.array([1.0, 3.0, 6.0])
    parameters = unit(9.0, 0.05, 2e-6)
    known = Prior(parameters, np.diag([np.inf, np.inf, 0.001**2, 1e-8**2]))
    fit = fit_tracking(short_x, predict(parameters, short_x), NOISE_OCTAVES, prior=known)
    assert fit.converged
    assert fit.degrees_of_freedom == 1
    assert scale_error_cents_per_octave(fit)[0] == pytest.approx(9.0, abs=0.001)


def test_a_prior_may_differ_from_unit_to_unit():
    units = np.stack([unit(1.0, 0.01, 1e-6), unit(-3.0, 0.02, 2e-6)])
    covariances = np.broadcast_to(np.diag([np.inf, np.inf, 1e-3**2, 1e-8**2]), (2, 4, 4))
    short_x = np.array([0.0, 4.0, 8.0])
    fit = fit_tracking(short_x, predict(units, short_x), NOISE_OCTAVES, prior=Prior(units, covariances))
    np.testing.assert_allclose(fit.parameters, units, rtol=1e-6)


def test_intervals_of_ninety_five_percent_hold_in_ninety_five_of_a_hundred_sweeps():
    # 4000 sweeps of a unit with everything wrong at once; 3 standard deviations of that count are 1.0 %
    parameters = unit(8.0, 0.03, 2e-6)
    pitch = noisy(np.broadcast_to(parameters, (4000, 4)), seed=2024)
    fit = fit_tracking(EIGHT_VOLTS, pitch, NOISE_OCTAVES)
    inside = np.abs(fit.parameters - parameters) <= 1.96 * fit.standard_uncertainty()
    assert fit.converged.all()
    np.testing.assert_allclose(inside.mean(axis=0), 0.95, atol=0.0103)
    assert fit.chi_squared.mean() == pytest.approx(13.0, abs=3 * np.sqrt(26 / 4000))


def test_intervals_hold_with_drift_fitted_along():
    parameters = unit(-2.0, 0.01, 1e-6)
    time_s = np.random.default_rng(9).permutation(17) * 0.4 - 3.2
    columns = drift_columns(EIGHT_VOLTS, time_s, 0.0, 8.0)
    rates = np.array([3e-6, -8e-6])
    pitch = noisy(np.broadcast_to(parameters, (4000, 4)), seed=77) + columns @ rates
    fit = fit_tracking(EIGHT_VOLTS, pitch, NOISE_OCTAVES, extra=columns)
    own = np.sqrt(np.diagonal(fit.covariance, axis1=1, axis2=2))
    away = np.concatenate([fit.parameters - parameters, fit.extra - rates], axis=1)
    np.testing.assert_allclose((np.abs(away) <= 1.96 * own).mean(axis=0), 0.95, atol=0.0103)
