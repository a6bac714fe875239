"""Uncertainty against the GUM's own examples, certified data and simulated counters."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import t as student

from rig.science.characterisation import straight_curve
from rig.science.pitch import CENTS_PER_OCTAVE, HertzPerVolt, VoltsPerOctave
from rig.science.uncertainty import (
    combine,
    counter_relative_uncertainty,
    coverage_factor,
    expanded,
    fit_line,
    gate_for,
    pitch_covariance_octaves2,
    welch_satterthwaite,
)

# NIST Statistical Reference Datasets, linear regression, Norris (ozone monitors), certified values
NORRIS_X = """
0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6
556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5
"""
NORRIS_Y = """
0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8
557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2
"""

# JCGM 100:2008 (GUM) H.3, table H.6: calibration of a thermometer
THERMOMETER_C = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
CORRECTION_C = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def numbers(text):
    return np.array(text.split(), dtype=float)


def test_certified_data_gives_the_certified_line():
    line = fit_line(numbers(NORRIS_X), numbers(NORRIS_Y))
    np.testing.assert_allclose(line.coefficients, [-0.262323073774029, 1.00211681802045], rtol=1e-12)
    deviations = np.sqrt(np.diag(line.covariance))
    np.testing.assert_allclose(deviations, [0.232818234301152, 0.429796848199937e-03], rtol=1e-11)
    assert line.residual_standard_deviation == pytest.approx(0.884796396144373, rel=1e-12)
    assert line.degrees_of_freedom == 34


def test_the_thermometer_of_the_gum_has_the_line_of_the_gum():
    # GUM H.3.3 and H.3.4
    line = fit_line(np.array(THERMOMETER_C) - 20.0, CORRECTION_C)
    deviations = np.sqrt(np.diag(line.covariance))
    assert line.coefficients[0] == pytest.approx(-0.1712, abs=5e-5)
    assert line.coefficients[1] == pytest.approx(0.00218, abs=5e-6)
    assert deviations[0] == pytest.approx(0.0029, abs=5e-5)
    assert deviations[1] == pytest.approx(0.00067, abs=5e-6)
    assert line.covariance[0, 1] / np.prod(deviations) == pytest.approx(-0.930, abs=5e-4)
    assert line.residual_standard_deviation == pytest.approx(0.0035, abs=5e-5)
    value, uncertainty = line.predict(10.0)
    assert value == pytest.approx(-0.1494, abs=5e-5)
    assert uncertainty == pytest.approx(0.0041, abs=5e-5)


def test_a_line_with_uncertainty_in_both_directions_is_that_of_the_most_likely_true_voltages():
    # scipy.optimize.least_squares with every true x as an unknown of its own
    generator = np.random.default_rng(3)
    programmed_v = np.linspace(-1.0, 9.0, 11)
    u_x, u_y = 4e-4, np.linspace(1e-4, 6e-4, 11)
    true_v = 0.005 + 1.0005 * programmed_v + generator.normal(0.0, u_y) + generator.normal(0.0, u_x, 11)
    line = fit_line(programmed_v, true_v, u_y, u_x)

    def misfit(unknowns):
        offset, gain, own_x = unknowns[0], unknowns[1], unknowns[2:]
        return np.r_[(true_v - offset - gain * own_x) / u_y, (programmed_v - own_x) / u_x]

    outside = least_squares(misfit, np.r_[0.0, 1.0, programmed_v], xtol=1e-14, ftol=1e-14)
    deviations = np.sqrt(np.diag(np.linalg.inv(outside.jac.T @ outside.jac)))[:2]
    np.testing.assert_allclose((line.coefficients - outside.x[:2]) / deviations, 0.0, atol=0.01)
    np.testing.assert_allclose(np.sqrt(np.diag(line.covariance)), deviations, rtol=0.01)


def test_ten_resistors_calibrated_with_one_standard_are_as_uncertain_as_it_is_ten_times_over():
    # GUM 5.2.2, example: ten of 1000 ohms, each 0.1 ohm from the same standard, in series: 1 ohm, not 0.32
    together = 0.1**2 * np.ones((10, 10))
    assert combine(np.ones(10), together) == pytest.approx(1.0)
    assert combine(np.ones(10), np.full(10, 0.1**2)) == pytest.approx(0.32, abs=0.005)


@pytest.mark.parametrize(
    ("freedom", "probability", "table"),
    [
        # GUM table G.2
        (1, 0.95, 12.71),
        (2, 0.95, 4.30),
        (10, 0.95, 2.23),
        (20, 0.95, 2.09),
        (np.inf, 0.95, 1.960),
        (16, 0.99, 2.92),
        (5, 0.6827, 1.11),
        (np.inf, 0.9973, 3.000),
    ],
)
def test_coverage_factors_are_those_of_the_table(freedom, probability, table):
    assert coverage_factor(freedom, probability) == pytest.approx(table, abs=0.006)


def test_the_end_gauge_of_the_gum_has_its_effective_degrees_of_freedom():
    # GUM H.1.6 (from memory): 16.7 from 25 nm (18), 9.7 nm (25.6), 2.9 nm (50), 16.6 nm (2); U99 = 93 nm
    freedom = welch_satterthwaite([25.0, 9.7, 2.9, 16.6], [18.0, 25.6, 50.0, 2.0])
    assert freedom == pytest.approx(16.7, abs=0.1)
    assert expanded(32.0, int(freedom), 0.99) == pytest.approx(93.0, abs=0.6)


def test_what_is_known_exactly_does_not_limit_the_degrees_of_freedom():
    assert welch_satterthwaite([1.0, 2.0], [np.inf, np.inf]) == np.inf
    assert welch_satterthwaite([1.0, 0.0], [7.0, np.inf]) == pytest.approx(7.0)
    assert welch_satterthwaite([0.0], [3.0]) == np.inf


def test_an_interval_from_a_few_readings_is_students():
    # scipy.stats.t
    assert expanded(2.0, 4, 0.95) == pytest.approx(2.0 * student.ppf(0.975, 4))
    with pytest.raises(ValueError, match="repeat the reading"):
        expanded(2.0, 0)


def test_a_counter_is_as_uncertain_as_its_simulated_edges_make_it():
    generator = np.random.default_rng(7)
    period_s, count = 1 / 261.63, 20_000
    jitter_s, resolution_s = 3e-7, 1e-6
    first = generator.normal(0.0, jitter_s, count) + generator.uniform(0.0, 1.0, count) * resolution_s
    last = 14 * period_s + generator.normal(0.0, jitter_s, count) + generator.uniform(0.0, 1.0, count) * resolution_s
    seen = np.std(14 / (last - first)) * period_s
    stated = counter_relative_uncertainty(
        13.5 * period_s,
        261.63,
        trigger_jitter_s=jitter_s,
        resolution_s=resolution_s,
        noise_at_1s=0.0,
        time_base_relative=2e-6,
    )
    assert stated.random == pytest.approx(seen, rel=0.03)
    assert stated.systematic == 2e-6
    assert stated.combined == pytest.approx(np.hypot(stated.random, 2e-6))


def test_white_frequency_noise_falls_with_the_root_of_the_gate():
    # IEEE Std 1139: Allan deviation of white FM goes with tau to the minus one half
    def at(gate_s):
        return counter_relative_uncertainty(
            gate_s, 1000.0, trigger_jitter_s=0.0, resolution_s=0.0, noise_at_1s=1e-5, time_base_relative=0.0
        ).random

    assert at(1.0) == pytest.approx(1e-5)
    assert at(0.01) == pytest.approx(10 * at(1.0))


@pytest.mark.parametrize("frequency_hz", [32.7, 440.0, 8000.0])
@pytest.mark.parametrize("wanted_cents", [0.01, 0.1, 1.0])
def test_the_gate_for_an_uncertainty_gives_it_and_no_more_than_a_period_of_waste(frequency_hz, wanted_cents):
    wanted = wanted_cents * np.log(2) / 1200
    counter = {"trigger_jitter_s": 2e-7, "resolution_s": 1e-8, "noise_at_1s": 5e-6}
    gate_s = gate_for(wanted, frequency_hz, **counter)
    reached = counter_relative_uncertainty(gate_s, frequency_hz, time_base_relative=0.0, **counter).random
    assert reached <= wanted
    assert gate_s >= 2 / frequency_hz
    if gate_s > 2 / frequency_hz:
        shorter = gate_s - 1 / frequency_hz
        less = counter_relative_uncertainty(shorter, frequency_hz, time_base_relative=0.0, **counter).random
        assert less > wanted * (1 - 1 / (gate_s * frequency_hz))


def test_a_perfect_counter_still_needs_its_periods():
    assert gate_for(1e-6, 50.0, trigger_jitter_s=0.0, resolution_s=0.0, noise_at_1s=0.0) == pytest.approx(0.04)


def test_the_cv_of_a_sweep_is_tied_together_by_the_line_of_the_source():
    # Monte Carlo (JCGM 101) of offset, gain and each voltage's own hysteresis
    generator = np.random.default_rng(8)
    cv_v = np.linspace(0.0, 8.0, 5)
    line_covariance = np.array([[4e-8, -3e-9], [-3e-9, 1e-9]])
    lines = generator.multivariate_normal([0.0, 1.0], line_covariance, size=200_000)
    draws_v = lines[:, :1] + lines[:, 1:] * cv_v + generator.normal(0.0, 1e-4, (200_000, 5))
    curve = replace(straight_curve(0.0, 1.0, line_covariance), own_standard_uncertainty_v=1e-4)
    np.testing.assert_allclose(curve.covariance_at(cv_v), np.cov(draws_v.T), rtol=0.02, atol=1e-9)


def test_a_millivolt_of_doubt_is_one_point_two_cents_of_pitch():
    # common practice: 0.8333 mV per cent at 1 V/octave; a hertz-per-volt unit has 1/(V ln 2) octaves a volt
    covariance_v2 = np.array([[1e-6]])
    variance = pitch_covariance_octaves2(VoltsPerOctave(1.0), [3.0], covariance_v2)[0, 0]
    assert CENTS_PER_OCTAVE**2 * variance == pytest.approx(1.2**2)
    variance = pitch_covariance_octaves2(HertzPerVolt(), [2.0], covariance_v2)[0, 0]
    assert CENTS_PER_OCTAVE**2 * variance == pytest.approx((1.2 / (2 * np.log(2))) ** 2)


@pytest.mark.parametrize(
    ("x", "y", "u_y", "says"),
    [
        ([1.0], [1.0], 0.1, "2 points at least"),
        ([1.0, 2.0], [1.0, 2.0], None, "3 points at least"),
        ([1.0, 1.0], [1.0, 2.0], 0.1, "different x"),
        ([1.0, np.nan], [1.0, 2.0], 0.1, "finite"),
        ([1.0, 2.0], [1.0, 2.0], 0.0, "above 0"),
    ],
)
def test_a_line_that_cannot_be_drawn_is_refused(x, y, u_y, says):
    with pytest.raises(ValueError, match=says):
        fit_line(x, y, u_y)


def test_a_gate_of_nothing_is_refused():
    with pytest.raises(ValueError, match="wanted uncertainty must be above 0"):
        gate_for(0.0, 440.0, trigger_jitter_s=0.0, resolution_s=0.0, noise_at_1s=0.0)
