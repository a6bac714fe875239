"""What the tracking fit does with units that are no good and sweeps that went wrong."""

import numpy as np
import pytest

from rig.science.tracking import Prior, fit_tracking, lack_of_fit, predict

from .sweeps import BOTTOM_OCTAVES, EIGHT_VOLTS, NOISE_OCTAVES, noisy, unit

ALLOWANCE_OCTAVES = 0.5 / 1200
RIGHT = BOTTOM_OCTAVES + EIGHT_VOLTS

FAULTS = {
    "one pitch at every CV": np.full(17, 8.0),
    "one pitch at every CV, with noise": np.full(17, 8.0),
    "clipped at the top": np.minimum(RIGHT, 10.0),
    "dead below the middle": np.maximum(RIGHT, 9.0),
    "half an octave of step in the middle": RIGHT + 0.5 * (EIGHT_VOLTS > 4.0),
    "ripple": RIGHT + 0.01 * np.sin(3.0 * EIGHT_VOLTS),
    "no order at all": np.random.default_rng(4).uniform(3.0, 13.0, 17),
    "a reading out of this world": np.where(EIGHT_VOLTS == 4.0, 300.0, RIGHT),
    "a reading far below": np.where(EIGHT_VOLTS == 4.0, -900.0, RIGHT),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_unit_that_is_no_oscillator_of_this_kind_is_found_out(fault):
    noise = 0.0 if fault == "one pitch at every CV" else NOISE_OCTAVES
    pitch = FAULTS[fault] + np.random.default_rng(8).normal(0.0, noise, 17)
    fit = fit_tracking(EIGHT_VOLTS, pitch, NOISE_OCTAVES)
    misfit = lack_of_fit(fit, NOISE_OCTAVES, ALLOWANCE_OCTAVES)
    assert misfit.probability < 1e-6


def test_a_unit_that_does_not_follow_its_cv_is_not_taken_for_a_fit():
    fit = fit_tracking(EIGHT_VOLTS, 8.0 + np.random.default_rng(1).normal(0.0, NOISE_OCTAVES, 17), NOISE_OCTAVES)
    assert not fit.converged


@pytest.mark.parametrize(
    "parameters",
    [
        unit(0.0, -30.0, 1e-6),
        unit(0.0, 30.0, -20e-6),
        unit(0.0, 0.0, -100e-6),
        unit(0.0, 0.0, 1e-3),
        unit(-1080.0),
        unit(1200.0),
        unit(-2400.0),
    ],
    ids=[
        "leakage that nearly stops it",
        "much leakage, highs over-compensated",
        "highs raised by more than an octave",
        "half the top octaves gone",
        "a tenth of an octave per volt",
        "two octaves per volt",
        "upside down",
    ],
)
def test_a_unit_far_from_right_is_still_measured(parameters):
    pitch = noisy(parameters, seed=12)
    assert np.isfinite(pitch).all()
    fit = fit_tracking(EIGHT_VOLTS, pitch, NOISE_OCTAVES)
    assert fit.converged
    np.testing.assert_array_less(np.abs(fit.parameters - parameters), 4.0 * fit.standard_uncertainty())


def test_bad_sweeps_in_a_stack_do_not_spoil_the_others():
    good = noisy(np.broadcast_to(unit(2.0, 0.01, 1e-6), (6, 4)), seed=5)
    stack = good.copy()
    stack[1] = 8.0
    stack[2] = np.nan
    stack[3] = np.random.default_rng(4).uniform(3.0, 13.0, 17)
    stack[4, 7] = np.nan
    uncertainty = np.full((6, 17), NOISE_OCTAVES)
    uncertainty[5, 3:] = np.inf
    fit = fit_tracking(EIGHT_VOLTS, stack, uncertainty)
    np.testing.assert_array_equal(fit.converged, [True, False, False, False, False, False])
    np.testing.assert_allclose(fit.parameters[0], fit_tracking(EIGHT_VOLTS, good[0], NOISE_OCTAVES).parameters)
    np.testing.assert_array_equal(np.isnan(fit.parameters).all(axis=1), [False, False, True, False, True, True])
    assert (lack_of_fit(fit, uncertainty, ALLOWANCE_OCTAVES).probability[1:] == 0.0).all()


def test_a_large_stack_is_worked_in_pieces_that_do_not_show():
    stack = noisy(np.broadcast_to(unit(2.0, 0.01, 1e-6), (1300, 4)), seed=5)
    fit = fit_tracking(EIGHT_VOLTS, stack, NOISE_OCTAVES)
    for place in (0, 511, 512, 1299):
        alone = fit_tracking(EIGHT_VOLTS, stack[place], NOISE_OCTAVES)
        np.testing.assert_allclose(fit.parameters[place], alone.parameters, rtol=1e-9)


def test_a_stack_without_sweeps_and_columns_without_a_column_are_no_special_case():
    assert fit_tracking(EIGHT_VOLTS, np.zeros((0, 17)), NOISE_OCTAVES).parameters.shape == (0, 4)
    pitch = noisy(unit(), seed=1)
    without = fit_tracking(EIGHT_VOLTS, pitch, NOISE_OCTAVES, extra=np.zeros((17, 0)))
    np.testing.assert_array_equal(without.parameters, fit_tracking(EIGHT_VOLTS, pitch, NOISE_OCTAVES).parameters)


@pytest.mark.parametrize("columns", [np.zeros((17, 1)), EIGHT_VOLTS[:, None]], ids=["noughts", "the CV again"])
def test_a_column_that_the_sweep_cannot_tell_leaves_nothing_determined(columns):
    fit = fit_tracking(EIGHT_VOLTS, noisy(unit(), seed=1), NOISE_OCTAVES, extra=columns)
    assert not fit.converged
    assert np.isinf(fit.standard_uncertainty()).all()


def test_no_sweep_however_wild_is_believed_or_stops_the_others():
    generator = np.random.default_rng(15)
    spread = 10.0 ** generator.uniform(-15.0, 3.0, (1000, 1))
    stack = generator.uniform(2.0, 14.0, (1000, 1)) + generator.normal(0.0, 1.0, (1000, 17)) * spread
    stack[0] = noisy(unit(), seed=1)
    fit = fit_tracking(EIGHT_VOLTS, stack, NOISE_OCTAVES)
    believed = lack_of_fit(fit, NOISE_OCTAVES, ALLOWANCE_OCTAVES).probability > 1e-4
    assert np.flatnonzero(believed).tolist() == [0]


def test_a_sweep_at_one_cv_tells_nothing():
    fit = fit_tracking(np.full(9, 3.0), np.full(9, 8.0), NOISE_OCTAVES)
    assert not fit.converged
    assert np.isinf(fit.standard_uncertainty()).all()


def test_too_few_readings_are_refused_with_the_number_that_is_missing():
    with pytest.raises(ValueError, match=r"3 readings are 1 too few"):
        fit_tracking([0.0, 1.0, 2.0], [5.0, 6.0, 7.0], NOISE_OCTAVES)


def test_a_reading_that_failed_is_refused_with_its_place():
    pitch = RIGHT.copy()
    pitch[6] = np.nan
    with pytest.raises(ValueError, match=r"point 6; give an infinite uncertainty"):
        fit_tracking(EIGHT_VOLTS, pitch, NOISE_OCTAVES)


@pytest.mark.parametrize("uncertainty", [0.0, -1e-5, np.nan])
def test_an_uncertainty_that_cannot_be_is_refused(uncertainty):
    with pytest.raises(ValueError, match="standard uncertainty must be above 0"):
        fit_tracking(EIGHT_VOLTS, RIGHT, uncertainty)


def test_arrays_that_do_not_go_together_are_refused():
    with pytest.raises(ValueError, match="do not go together"):
        fit_tracking(EIGHT_VOLTS, RIGHT[:-1], NOISE_OCTAVES)
    with pytest.raises(ValueError, match="extra columns have shape"):
        fit_tracking(EIGHT_VOLTS, RIGHT, NOISE_OCTAVES, extra=np.zeros((5, 2)))


def test_a_prior_that_is_no_distribution_is_refused():
    crossed = np.diag([1.0, 1.0, 1.0, 1.0])
    crossed[0, 1] = crossed[1, 0] = 2.0
    with pytest.raises(ValueError, match="not positive definite"):
        fit_tracking(EIGHT_VOLTS, RIGHT, NOISE_OCTAVES, prior=Prior(unit(), crossed))
    with pytest.raises(ValueError, match="mean must be finite"):
        fit_tracking(EIGHT_VOLTS, RIGHT, NOISE_OCTAVES, prior=Prior(np.full(4, np.nan), np.eye(4)))


def test_an_oscillator_that_cannot_be_has_no_pitch():
    assert np.isnan(predict(unit(0.0, -40.0), EIGHT_VOLTS)[0])
    assert np.isnan(predict(unit(0.0, 0.0, -1e-3), EIGHT_VOLTS)[-1])
