"""The netlists against the simulator, against textbook formulas, and against their own stored table."""

import numpy as np
import pytest

from tests.circuit import theory
from tests.circuit.netlists import (
    SWEEP_V,
    VARIANTS,
    needs_ngspice,
    parameters_of,
    simulate,
    simulated_sweep,
    stored_sweep,
)

# Between versions of the simulator its constants of nature and its choice of steps may change; 0.01 cent is a
# fifth of the noise that the tracking fit is told of.
SAME_CENTS = 0.01


@pytest.mark.parametrize("variant", VARIANTS)
def test_the_stored_pitches_are_those_of_the_transistor_equations(variant):
    # Ebers-Moll with Early effect and bulk resistance, solved for the current by root finding (sources in
    # theory.py); absolute pitch, nothing is fitted
    part = parameters_of(variant)
    expected = np.array([theory.closed_form_pitch(part, cv_v) for cv_v in SWEEP_V])
    assert np.max(np.abs(1200 * (stored_sweep(variant) - expected))) < SAME_CENTS


@needs_ngspice
@pytest.mark.parametrize("variant", VARIANTS)
def test_the_simulator_gives_the_stored_pitches_again(variant):
    again = simulated_sweep(variant, SWEEP_V[::4])
    assert np.max(np.abs(1200 * (again - stored_sweep(variant)[::4]))) < SAME_CENTS


@needs_ngspice
@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize("cv_v", [0.0, 8.0])
def test_half_the_step_and_a_tenth_of_the_tolerance_change_nothing(variant, cv_v):
    part = parameters_of(variant)
    coarse = simulate(variant, cv=cv_v)
    fine = simulate(variant, cv=cv_v, divisions=2 * part["divisions"], tolerance=part["tolerance"] / 10)
    # measured: 0.00004 cent
    assert abs(1200 * (coarse.pitch - fine.pitch)) < 0.0005


@needs_ngspice
@pytest.mark.parametrize("variant", VARIANTS)
def test_the_time_that_is_no_ramp_is_the_computed_dead_time(variant):
    # read as from a scope trace: the period less the ramp drawn out to its whole height
    trace = simulate(variant, cv=8.0)
    assert trace.period_s - trace.ramp_s == pytest.approx(theory.dead_time_s(parameters_of(variant)), abs=0.5e-9)


@needs_ngspice
def test_a_resistor_in_series_with_the_capacitor_takes_its_time_constant_from_every_period():
    # the ramp reaches the comparator I R early, hence R C sooner, whatever the current I
    part = parameters_of("everything")
    for cv_v in (2.0, 8.0):
        before = simulate("everything", cv=cv_v)
        after = simulate("everything", cv=cv_v, r_highs=part["r_highs"] + 1000.0)
        assert before.period_s - after.period_s == pytest.approx(1000.0 * part["c_ramp"], abs=0.5e-9)


@needs_ngspice
def test_the_scale_trim_at_the_common_node_leaves_the_pitch_at_the_reference_current_alone():
    part = parameters_of("everything")
    at_reference_v = -part["v_tune"] * part["r_cv"] / part["r_tune"]
    assert theory.drive_v(part, at_reference_v) == pytest.approx(0.0, abs=1e-12)
    before = simulate("everything", cv=at_reference_v)
    after = simulate("everything", cv=at_reference_v, r_shunt=1.01 * part["r_shunt"])
    # what is left: the source resistance behind the base grows with the shunt
    more_v = (
        theory.bulk_resistance_ohm({**part, "r_shunt": 1.01 * part["r_shunt"]}) - theory.bulk_resistance_ohm(part)
    ) * theory.reference_current_a(part)
    droop_cents = 1200 * more_v / theory.thermal_v(part) / np.log(2.0)
    assert 1200 * (before.pitch - after.pitch) == pytest.approx(droop_cents, abs=0.01)
    assert droop_cents < 0.1


@needs_ngspice
def test_a_parameter_that_no_deck_has_is_refused():
    with pytest.raises(KeyError, match="no parameter r_shnut"):
        simulate("everything", r_shnut=1.0)
