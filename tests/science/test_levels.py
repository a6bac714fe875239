"""Drift-free pitches: how far each reading moves them, against differences of the fit itself."""

import numpy as np
import pytest

from rig.science.drift import drift_columns
from rig.science.levels import (
    fit_sensitivities,
    level_covariance,
    level_sensitivities,
    own_covariance,
    pooled_scatter,
    terms_covariance,
)
from rig.science.tracking import Prior, fit_tracking
from tests.science.sweeps import NOISE_OCTAVES, noisy, unit

X = np.array([0.0, 8.0, 1.0, 3.0, 5.0, 7.0, 0.0, 8.0, 6.0, 4.0, 2.0, 0.0, 8.0])
TIME_S = 0.2 * np.arange(13.0) - 1.2
COLUMNS = drift_columns(X, TIME_S, 0.0, 8.0)
UNCERTAINTY = NOISE_OCTAVES * np.linspace(0.7, 1.4, 13)
PRIOR = Prior(np.zeros(4), np.diag([np.inf, np.inf, 0.02**2, (1e-6) ** 2]))


def fitted(pitch, prior=None):
    return fit_tracking(X, pitch, UNCERTAINTY, extra=COLUMNS, prior=prior)


@pytest.mark.parametrize("prior", [None, PRIOR])
def test_a_reading_moves_terms_and_levels_as_far_as_the_fit_says_when_it_is_changed(prior):
    pitch = noisy(unit(scale_cents=3.0, leakage_hz=0.02, dead_time_s=1e-6), X, seed=2)
    fit = fitted(pitch, prior)
    by_terms = fit_sensitivities(fit, X, COLUMNS, UNCERTAINTY)
    by_levels = level_sensitivities(fit, X, COLUMNS, UNCERTAINTY)
    step = 1e-5
    for place in range(X.size):
        nudge = step * (np.arange(X.size) == place)
        more, less = fitted(pitch + nudge, prior), fitted(pitch - nudge, prior)
        terms = np.r_[more.parameters - less.parameters, more.extra - less.extra] / (2.0 * step)
        size = np.sqrt(np.diag(fit.covariance)) / UNCERTAINTY[place]
        np.testing.assert_allclose(by_terms[:, place] / size, terms / size, atol=2e-3)
        moved = (2.0 * nudge - COLUMNS @ (more.extra - less.extra)) / (2.0 * step)
        np.testing.assert_allclose(by_levels[:, place], moved, atol=2e-3)


@pytest.mark.parametrize("prior", [None, PRIOR])
def test_the_readings_stated_uncertainty_gives_back_the_covariance_of_the_fit(prior):
    fit = fitted(noisy(unit(), X, seed=3), prior)
    given_back = terms_covariance(fit, X, COLUMNS, UNCERTAINTY, np.diag(UNCERTAINTY**2))
    np.testing.assert_allclose(given_back, fit.covariance[:4, :4], rtol=1e-6)


def test_drift_free_levels_scatter_over_many_sweeps_as_stated():
    truth = unit(scale_cents=3.0, leakage_hz=0.02, dead_time_s=1e-6)
    generator = np.random.default_rng(4)
    grid = 0.03 / 1200 * generator.standard_normal((20_000, 9))
    settings = np.array([0, 8, 1, 3, 5, 7, 0, 8, 6, 4, 2, 0, 8])
    pitch = noisy(truth, X, seed=5, noise=0.0) + grid[:, settings]
    pitch = pitch + generator.normal(0.0, UNCERTAINTY, pitch.shape)
    fits = fitted(pitch)
    levels = pitch - fits.extra @ COLUMNS.T
    own = own_covariance(UNCERTAINTY, np.full(13, 0.03 / 1200), settings)
    stated = level_covariance(fitted(pitch[0]), X, COLUMNS, UNCERTAINTY, own)
    seen = np.cov(levels.T)
    np.testing.assert_allclose(np.sqrt(np.diag(seen) / np.diag(stated)), 1.0, atol=0.025)
    # taking noise and drift for independent would be 20 % too much at the top
    apart = np.diag(own) + np.einsum("ij,jk,ik->i", COLUMNS, fitted(pitch[0]).covariance[4:, 4:], COLUMNS)
    assert np.sqrt(apart[1] / stated[1, 1]) > 1.2


def test_readings_of_one_setting_share_what_the_setting_is_off():
    covariance = own_covariance([1.0, 2.0, 3.0], [0.5, 0.5, 0.5], [4, 7, 4])
    np.testing.assert_allclose(covariance, [[1.25, 0.0, 0.25], [0.0, 4.25, 0.0], [0.25, 0.0, 9.25]])


def test_scatter_as_stated_leaves_the_stated_uncertainty_and_threefold_scatter_shows():
    truth, counts = unit(), range(200)
    quiet = [pooled_scatter(fitted(noisy(truth, X, seed=each, noise=UNCERTAINTY))).factor for each in counts]
    assert np.mean(np.square(quiet)) == pytest.approx(1.0, abs=0.05)
    loud = [pooled_scatter(fitted(noisy(truth, X, seed=each, noise=3.0 * UNCERTAINTY))).factor for each in counts]
    # seven degrees of freedom seen against 12.5 stated: (12.5 + 7 * 9) / 19.5
    assert np.mean(np.square(loud)) == pytest.approx(75.5 / 19.5, rel=0.05)
    assert pooled_scatter(fitted(noisy(truth, X, seed=1))).degrees_of_freedom == pytest.approx(19.5)


def test_a_sweep_without_an_answer_keeps_its_levels():
    flat = fitted(np.full(13, 8.0) + np.random.default_rng(6).normal(0.0, 1e-4, 13))
    assert not flat.converged
    np.testing.assert_array_equal(level_sensitivities(flat, X, COLUMNS, UNCERTAINTY), np.eye(13))
    own = np.diag(UNCERTAINTY**2)
    np.testing.assert_allclose(level_covariance(flat, X, COLUMNS, UNCERTAINTY, own), own)
    assert pooled_scatter(flat).factor == 1.0
