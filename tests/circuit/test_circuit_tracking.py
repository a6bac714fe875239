"""The tracking fit of the circuit's pitches finds what its part values say."""

import numpy as np
import pytest

from rig.science.tracking import (
    DEAD_TIME,
    LEAKAGE,
    fit_tracking,
    lack_of_fit,
    scale_error_cents_per_octave,
)
from tests.circuit import theory
from tests.circuit.netlists import SWEEP_V, VARIANTS, parameters_of, stored_sweep

NOISE_OCTAVES = 0.05 / 1200
"""Standard uncertainty that the fit is told of: that of a good reading. The simulator errs far less."""


def fitted(variant):
    return fit_tracking(SWEEP_V, stored_sweep(variant), NOISE_OCTAVES)


@pytest.mark.parametrize("variant", VARIANTS)
def test_the_fit_finds_the_scale_error_of_the_divider_and_the_thermal_voltage(variant):
    value, uncertainty = scale_error_cents_per_octave(fitted(variant))
    truth = theory.scale_error_cents_per_octave(parameters_of(variant))
    assert uncertainty < 0.02
    assert abs(value - truth) < 2 * uncertainty


@pytest.mark.parametrize("variant", VARIANTS)
def test_the_fit_finds_dead_time_and_bulk_resistance_as_one_highs_term(variant):
    part, fit = parameters_of(variant), fitted(variant)
    truth_s = theory.dead_time_s(part) + theory.bulk_equivalent_s(part)
    uncertainty_s = fit.standard_uncertainty()[DEAD_TIME]
    # the two shapes differ in second order: that difference is a rectangular doubt (JCGM 100, 4.3.7)
    shape_s = theory.bulk_equivalent_doubt_s(part, 2.0 ** stored_sweep(variant)[-1]) / np.sqrt(3.0)
    assert uncertainty_s < 8e-9
    assert shape_s < 5e-9
    assert abs(fit.parameters[DEAD_TIME] - truth_s) < 2 * np.hypot(uncertainty_s, shape_s)


@pytest.mark.parametrize("variant", VARIANTS)
def test_the_fit_finds_the_leakage_at_the_bottom(variant):
    fit = fitted(variant)
    truth_hz = theory.leakage_hz(parameters_of(variant))
    assert abs(fit.parameters[LEAKAGE] - truth_hz) < 2 * fit.standard_uncertainty()[LEAKAGE]


def test_dead_time_alone_is_the_model_itself():
    part, fit = parameters_of("dead_time_only"), fitted("dead_time_only")
    assert fit.parameters[DEAD_TIME] == pytest.approx(theory.dead_time_s(part), abs=0.5e-9)
    value, _ = scale_error_cents_per_octave(fit)
    assert value == pytest.approx(theory.scale_error_cents_per_octave(part), abs=0.001)


def test_the_decks_hold_one_cause_of_droop_each():
    dead, bulk = parameters_of("dead_time_only"), parameters_of("bulk_resistance_only")
    assert theory.dead_time_s(dead) > 0.5e-6
    assert theory.bulk_equivalent_s(dead) < 1e-12
    assert theory.bulk_equivalent_s(bulk) > 1e-6
    assert abs(theory.dead_time_s(bulk)) < 0.1e-9


@pytest.mark.parametrize("variant", VARIANTS)
def test_bulk_resistance_looks_like_dead_time_to_within_six_hundredths_of_a_cent(variant):
    fit = fitted(variant)
    assert 1200 * np.max(np.abs(fit.residuals)) < 0.06
    assert lack_of_fit(fit, NOISE_OCTAVES, 0.0).probability > 0.5
