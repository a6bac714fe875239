"""Drift: rates, when a unit counts as steady, and how well drift is taken out of a sweep."""

import numpy as np
import pytest
from statsmodels.regression.linear_model import WLS
from statsmodels.tools import add_constant

from rig.science.drift import DriftRate, drift_columns, is_steady, rate_of, time_until_steady, warm_up_left
from rig.science.tracking import fit_tracking

from .sweeps import BOTTOM_OCTAVES, EIGHT_VOLTS, NOISE_OCTAVES


def test_a_rate_is_the_slope_of_weighted_least_squares():
    # statsmodels WLS; 1 octave per second is 72 000 cents per minute
    time_s = np.array([0.0, 9.0, 21.0, 30.0, 44.0])
    uncertainty = np.array([1.0, 2.0, 1.0, 3.0, 1.0]) * 1e-4
    pitch = 8.0 + 2e-5 * time_s + np.array([0.3, -0.8, 0.2, 1.1, -0.4]) * 1e-4
    outside = WLS(pitch, add_constant(time_s), weights=uncertainty**-2).fit()
    rate = rate_of(time_s, pitch, uncertainty)
    assert rate.rate_cents_per_minute == pytest.approx(72_000 * outside.params[1])
    assert rate.standard_uncertainty == pytest.approx(72_000 * np.sqrt(outside.normalized_cov_params[1, 1]))


def test_two_readings_make_a_rate_with_the_uncertainty_of_both():
    rate = rate_of([0.0, 60.0], [8.0, 8.0 + 1 / 1200], 0.05 / 1200)
    assert rate.rate_cents_per_minute == pytest.approx(1.0)
    assert rate.standard_uncertainty == pytest.approx(0.05 * np.sqrt(2))


def test_readings_that_scatter_more_than_they_claim_make_the_rate_less_certain():
    time_s = np.arange(0.0, 100.0, 10.0)
    scatter = np.where(np.arange(10) % 2, 1.0, -1.0) * 1e-4
    claimed = rate_of(time_s, 8.0 + 0.0 * time_s, 1e-5)
    assert rate_of(time_s, 8.0 + scatter, 1e-5).standard_uncertainty > 8 * claimed.standard_uncertainty


@pytest.mark.parametrize("time_s", [[0.0], [3.0, 3.0]])
def test_one_moment_has_no_rate(time_s):
    with pytest.raises(ValueError, match="two times"):
        rate_of(time_s, np.zeros(len(time_s)), 1e-5)


@pytest.mark.parametrize(
    ("low", "high", "steady"),
    [
        (DriftRate(0.1, 0.05), DriftRate(-0.2, 0.1), True),
        (DriftRate(0.1, 0.05), DriftRate(-0.45, 0.1), False),
        (DriftRate(0.1, 0.25), DriftRate(0.0, 0.1), False),
    ],
    ids=["inside with uncertainty", "inside but not surely, at the high CV", "too uncertain at the low CV"],
)
def test_a_unit_is_steady_when_both_ends_are_surely_inside_the_limit(low, high, steady):
    assert is_steady([low, high], 0.5) is steady


def test_without_a_rate_nothing_is_steady():
    with pytest.raises(ValueError, match="no drift rate"):
        is_steady([], 0.5)


def test_an_exponential_warm_up_is_foreseen():
    # 8 cents per minute falling with a time constant of 150 s reach 0.5 less twice 0.01 after 150 ln(8 / 0.48) = 422 s
    time_s = np.array([0.0, 30.0, 60.0, 90.0])
    rates = [DriftRate(8.0 * np.exp(-each / 150.0), 0.01) for each in time_s]
    assert time_until_steady(time_s, rates, 0.5) == pytest.approx(150.0 * np.log(8.0 / 0.48) - 90.0, rel=0.001)
    assert time_until_steady(time_s, rates, 10.0) == 0.0
    assert time_until_steady(time_s, rates[::-1], 0.5) is None


def test_a_warm_up_that_slows_down_is_foreseen_from_its_latest_part():
    # a chip within half a minute, its board within three: the quick part is over when the forecast is asked for
    time_s = np.arange(0.0, 300.0, 10.0)
    sizes = 20.0 * np.exp(-time_s / 30.0) + 3.0 * np.exp(-time_s / 180.0)
    rates = [DriftRate(each, 0.02) for each in sizes]
    truly_s = 180.0 * np.log(3.0 / 0.26) - time_s[-1]
    assert time_until_steady(time_s, rates, 0.3) == pytest.approx(truly_s, rel=0.15)
    # all of it taken together promises too much
    whole = np.polyfit(time_s, np.log(sizes), 1)[0]
    assert np.log(sizes[-1] / 0.3) / -whole < 0.8 * truly_s


def test_warm_up_lasts_until_both_ends_are_steady():
    time_s = np.arange(0.0, 90.0, 10.0)
    low = [DriftRate(0.05, 0.02)] * time_s.size
    high = [DriftRate(2.0 * np.exp(-each / 100.0), 0.01) for each in time_s]
    assert warm_up_left(time_s, [low, high], 0.3) == time_until_steady(time_s, high, 0.3)
    assert warm_up_left(time_s, [low, low], 0.3) == 0.0
    assert warm_up_left(time_s, [low, high[::-1]], 0.3) is None


def test_a_rate_too_uncertain_for_the_limit_has_no_forecast():
    rates = [DriftRate(each, 0.2) for each in (4.0, 3.0, 2.2)]
    assert time_until_steady([0.0, 10.0, 20.0], rates, 0.3) is None


def test_the_columns_have_the_rates_at_both_ends_for_coefficients():
    columns = drift_columns([0.0, 4.0, 8.0], [10.0, 10.0, 10.0], 0.0, 8.0)
    np.testing.assert_allclose(columns @ [3.0, 7.0], [30.0, 50.0, 70.0])
    with pytest.raises(ValueError, match="low and a high CV"):
        drift_columns([1.0], [0.0], 2.0, 2.0)


def test_heat_that_moves_scale_is_taken_out_by_returning_to_both_ends():
    # 300 ppm/K and half a kelvin within the sweep, pivot at the bottom: 1.44 cents at the top
    order = np.r_[0, 16, 2:16:2, 0, 16, 15:0:-2, 0, 16]
    x = EIGHT_VOLTS[order]
    time_s = np.arange(order.size, dtype=float)
    warmed_k = 0.5 * (1.0 - np.exp(-time_s / 20.0)) / (1.0 - np.exp(-time_s[-1] / 20.0))
    pitch = BOTTOM_OCTAVES + x * (1.0 + 300e-6 * warmed_k)
    middle_s = time_s - time_s.mean()
    offset_only = fit_tracking(x, pitch, NOISE_OCTAVES, extra=middle_s[:, None])
    both = fit_tracking(x, pitch, NOISE_OCTAVES, extra=drift_columns(x, middle_s, 0.0, 8.0))
    top = order == 16

    def spread_at_top_cents(fit, columns):
        return 1200 * np.ptp((pitch - columns @ fit.extra)[top])

    assert spread_at_top_cents(offset_only, middle_s[:, None]) > 0.5
    assert spread_at_top_cents(both, drift_columns(x, middle_s, 0.0, 8.0)) < 0.2
    assert 1200 * np.abs(both.residuals).max() < 0.15
