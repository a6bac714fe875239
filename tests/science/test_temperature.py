"""What a room's temperature does to a unit, from two visits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.regression.linear_model import WLS
from statsmodels.tools import add_constant

from rig.science.temperature import RoomTemperature, coefficient_of, platinum_celsius

COLD, WARM = RoomTemperature(18.0, 0.3), RoomTemperature(28.0, 0.3)
COVARIANCE = np.array([[4e-8, -1e-9], [-1e-9, 1e-9]])


def test_two_rooms_give_pitch_and_scale_per_kelvin():
    # 12 cents and 3 cents per octave over 10 K
    found = coefficient_of([[5.0, 1.0], [5.01, 1.0025]], [COVARIANCE] * 2, [COLD, WARM])
    assert found.pitch.value == pytest.approx(1.2)
    assert found.scale.value == pytest.approx(0.3)
    assert found.difference_k == 10.0


def test_the_order_of_the_visits_does_not_matter():
    one = coefficient_of([[5.0, 1.0], [5.01, 1.0025]], [COVARIANCE] * 2, [COLD, WARM])
    other = coefficient_of([[5.01, 1.0025], [5.0, 1.0]], [COVARIANCE] * 2, [WARM, COLD])
    assert (one.pitch, one.scale) == (other.pitch, other.scale)


def test_the_law_of_propagation_agrees_with_a_monte_carlo():
    # JCGM 101: inputs drawn from their distributions, 200 000 times
    generator, count = np.random.default_rng(1), 200_000
    cold = generator.multivariate_normal([5.0, 1.0], COVARIANCE, count)
    warm = generator.multivariate_normal([5.01, 1.0025], COVARIANCE, count)
    difference_k = 10.0 + generator.normal(0.0, 0.3 * np.sqrt(2), count)
    outside = 1200.0 * (warm - cold) / difference_k[:, None]
    found = coefficient_of([[5.0, 1.0], [5.01, 1.0025]], [COVARIANCE] * 2, [COLD, WARM])
    np.testing.assert_allclose(
        [found.pitch.standard_uncertainty, found.scale.standard_uncertainty], outside.std(axis=0), rtol=0.02
    )
    assert found.correlation == pytest.approx(np.corrcoef(outside.T)[0, 1], abs=0.02)


@given(st.floats(-1.0, 1.0))
def test_rooms_that_are_too_alike_give_no_coefficient(difference_k):
    other = RoomTemperature(18.0 + difference_k, 0.3)
    with pytest.raises(ValueError, match="too little for a temperature coefficient"):
        coefficient_of([[5.0, 1.0], [5.0, 1.0]], [COVARIANCE] * 2, [COLD, other])


def test_a_temperature_that_was_never_taken_gives_no_coefficient():
    with pytest.raises(ValueError, match="finite"):
        coefficient_of([[5.0, 1.0], [5.0, 1.0]], [COVARIANCE] * 2, [COLD, RoomTemperature(np.nan, 0.3)])


def test_more_than_two_rooms_agree_with_a_weighted_straight_line_of_a_general_library():
    # statsmodels: weighted least squares of pitch alone on temperature, with the lines' variances
    generator = np.random.default_rng(4)
    rooms_c, sigma = np.array([18.0, 21.0, 24.0, 28.0]), np.array([1e-4, 2e-4, 1e-4, 3e-4])
    pitch = 5.0 - 2e-4 * (rooms_c - 20.0) + generator.normal(0.0, sigma)
    lines = np.column_stack([pitch, np.ones(4)])
    covariances = np.array([np.diag([each**2, 1e-10]) for each in sigma])
    found = coefficient_of(lines, covariances, [RoomTemperature(float(each), 1e-9) for each in rooms_c])
    fit = WLS(pitch, add_constant(rooms_c), weights=sigma**-2.0).fit()
    assert found.pitch.value == pytest.approx(1200.0 * fit.params[1], rel=1e-9)
    assert found.difference_k == pytest.approx(10.0)
    scatter = max(1.0, float(fit.ssr) / 4.0)
    expected = 1200.0 * np.sqrt(fit.normalized_cov_params[1, 1] * scatter)
    assert found.pitch.standard_uncertainty == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(("ohm", "celsius"), [(100.0, 0.0), (107.794, 20.0), (109.735, 25.0), (119.397, 50.0)])
def test_a_platinum_probe_reads_as_the_table_of_the_standard_says(ohm, celsius):
    # IEC 60751, table of 100 ohm (from memory)
    assert platinum_celsius(ohm, 100.0) == pytest.approx(celsius, abs=2e-3)
    assert platinum_celsius(10.0 * ohm, 1000.0) == pytest.approx(celsius, abs=2e-3)


@pytest.mark.parametrize("ohm", [-1.0, 0.0, 1e6])
def test_what_is_no_platinum_probe_is_refused(ohm):
    with pytest.raises(ValueError, match="no platinum probe"):
        platinum_celsius(ohm, 100.0)
