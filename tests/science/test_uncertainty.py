"""Uncertainty against the GUM's own examples, certified data and simulated counters."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import t as student

from rig.science.pitch import CENTS_PER_OCTAVE, HertzPerVolt, VoltsPerOctave
from rig.science.uncertainty import (
    counter_relative_uncertainty,
    coverage_factor,
    gate_for,
    pitch_covariance_octaves2,
    welch_satterthwaite,
)
from tests.straight import straight_curve


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
    assert 32.0 * coverage_factor(int(freedom), 0.99) == pytest.approx(93.0, abs=0.6)


def test_what_is_known_exactly_does_not_limit_the_degrees_of_freedom():
    assert welch_satterthwaite([1.0, 2.0], [np.inf, np.inf]) == np.inf
    assert welch_satterthwaite([1.0, 0.0], [7.0, np.inf]) == pytest.approx(7.0)
    assert welch_satterthwaite([0.0], [3.0]) == np.inf


def test_an_interval_from_a_few_readings_is_students():
    # scipy.stats.t
    assert coverage_factor(4, 0.95) == pytest.approx(student.ppf(0.975, 4))
    with pytest.raises(ValueError, match="repeat the reading"):
        coverage_factor(0)


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
    )
    assert stated == pytest.approx(seen, rel=0.03)


def test_white_frequency_noise_falls_with_the_root_of_the_gate():
    # IEEE Std 1139: Allan deviation of white FM goes with tau to the minus one half
    def at(gate_s):
        return counter_relative_uncertainty(gate_s, 1000.0, trigger_jitter_s=0.0, resolution_s=0.0, noise_at_1s=1e-5)

    assert at(1.0) == pytest.approx(1e-5)
    assert at(0.01) == pytest.approx(10 * at(1.0))


@pytest.mark.parametrize("frequency_hz", [32.7, 440.0, 8000.0])
@pytest.mark.parametrize("wanted_cents", [0.01, 0.1, 1.0])
def test_the_gate_for_an_uncertainty_gives_it_and_no_more_than_a_period_of_waste(frequency_hz, wanted_cents):
    wanted = wanted_cents * np.log(2) / 1200
    counter = {"trigger_jitter_s": 2e-7, "resolution_s": 1e-8, "noise_at_1s": 5e-6}
    gate_s = gate_for(wanted, frequency_hz, **counter)
    reached = counter_relative_uncertainty(gate_s, frequency_hz, **counter)
    assert reached <= wanted
    assert gate_s >= 2 / frequency_hz
    if gate_s > 2 / frequency_hz:
        shorter = gate_s - 1 / frequency_hz
        less = counter_relative_uncertainty(shorter, frequency_hz, **counter)
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


def test_a_gate_of_nothing_is_refused():
    with pytest.raises(ValueError, match="wanted uncertainty must be above 0"):
        gate_for(0.0, 440.0, trigger_jitter_s=0.0, resolution_s=0.0, noise_at_1s=0.0)
