"""The reference unit against its history: normalised error, robust history, alarms."""

import numpy as np
import pytest

from rig.science.reference import (
    Measured,
    Standing,
    against_history,
    normalised_error,
    robust_history,
    worst_standing,
)


def base_pitch(value, expanded_uncertainty=0.8):
    return Measured("base_pitch", "Base pitch", value, "cents", expanded_uncertainty)


def history_of(count, seed=1, scatter=0.05):
    return 0.4 + np.random.default_rng(seed).normal(0.0, scatter, count)


def test_a_normalised_error_is_the_difference_over_both_expanded_uncertainties():
    # ISO 13528:2022, 9.7 and ISO/IEC 17043:2023, annex B (from memory): (x - X) / sqrt(U_x^2 + U_X^2)
    assert normalised_error(10.5, 0.3, 10.0, 0.4) == pytest.approx(1.0)
    assert normalised_error(9.5, 0.3, 10.0, 0.4) == pytest.approx(-1.0)
    assert normalised_error(10.0, 0.3, 10.0, 0.0) == 0.0


@pytest.mark.parametrize(
    ("numbers", "sentence"),
    [((1.0, 0.0, 2.0, 0.0), "without any"), ((1.0, -0.1, 2.0, 0.1), "not negative"), ((np.nan, 1, 1, 1), "finite")],
)
def test_a_normalised_error_needs_uncertainties(numbers, sentence):
    with pytest.raises(ValueError, match=sentence):
        normalised_error(*numbers)


def test_a_bench_within_its_uncertainty_is_outside_one_in_twenty_times():
    # with expanded uncertainties of 95 % (k = 1.96) |E_n| > 1 has a probability of 5 %
    generator = np.random.default_rng(2)
    differences = generator.normal(0.0, 1.0, 20_000)
    outside = [abs(normalised_error(each, 1.96, 0.0, 0.0)) > 1.0 for each in differences]
    assert np.mean(outside) == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / 20_000))


def test_the_robust_history_is_that_of_huber():
    # statsmodels' proposal 2 by P. J. Huber solves the same equations: location by winsorising at 1.5 scales
    from statsmodels.robust.scale import Huber

    values = np.append(history_of(40), [3.0, -2.0])
    location, scale = Huber(c=1.5, tol=1e-10, maxiter=1000)(values)
    history = robust_history(values)
    assert history.value == pytest.approx(float(location), abs=0.002)
    assert history.standard_deviation == pytest.approx(float(scale), rel=0.02)
    assert history.standard_uncertainty == pytest.approx(1.25 * history.standard_deviation / np.sqrt(42))


def test_a_history_of_normal_checks_has_their_mean_and_spread():
    history = robust_history(history_of(5000))
    assert history.value == pytest.approx(0.4, abs=3 * 0.05 / np.sqrt(5000) * 1.05)
    assert history.standard_deviation == pytest.approx(0.05, rel=0.03)


def test_one_check_in_ten_that_went_wrong_hardly_moves_a_history():
    clean = robust_history(history_of(30))
    spoilt = robust_history(np.append(history_of(27), [5.0, 5.0, 5.0]))
    assert abs(spoilt.value - clean.value) < 0.02
    assert spoilt.standard_deviation < 2.0 * clean.standard_deviation


@pytest.mark.parametrize("values", [[], [np.nan], [[1.0]]])
def test_no_checks_make_no_history(values):
    with pytest.raises(ValueError, match="one value at least"):
        robust_history(values)


def test_equal_checks_make_a_history_without_spread():
    assert robust_history([2.0, 2.0, 2.0]).standard_deviation == 0.0


def test_the_first_check_begins_a_history():
    check = against_history(base_pitch(0.4), [])
    assert check.standing is Standing.NO_HISTORY
    assert "the first of its history" in check.sentence


def test_a_short_history_alarms_only_by_the_normalised_error():
    assert against_history(base_pitch(0.7), [0.4, 0.41]).standing is Standing.STEADY
    moved = against_history(base_pitch(1.7), [0.4])
    # one earlier check is as uncertain as the present one: 1.3 / sqrt(0.8^2 + 0.8^2)
    assert moved.normalised_error == pytest.approx(1.3 / (0.8 * np.sqrt(2)))
    assert moved.standing is Standing.MOVED
    assert "above 1" in moved.sentence


def test_a_bench_that_moved_far_less_than_its_uncertainty_is_noticed_by_its_chart():
    check = against_history(base_pitch(0.9), history_of(20))
    assert abs(check.normalised_error) < 1.0
    assert check.standing is Standing.MOVED
    assert "a point beyond a control limit" in check.sentence


def test_a_bench_that_creeps_is_watched_before_it_has_moved():
    creeping = np.append(history_of(15), [0.38, 0.40, 0.42, 0.44, 0.46])
    check = against_history(base_pitch(0.48), creeping)
    assert check.standing is Standing.WATCH
    assert "each higher" in check.sentence


def test_a_steady_bench_stays_steady():
    # limits of three standard deviations, estimated from 20 checks: a few false alarms in 400 are expected
    standings = [
        against_history(base_pitch(history_of(1, seed=1000 + seed)[0]), history_of(20, seed)).standing
        for seed in range(400)
    ]
    assert standings.count(Standing.MOVED) <= 12
    assert standings.count(Standing.STEADY) > 350


def test_the_new_value_has_no_say_in_its_own_limits():
    check = against_history(base_pitch(5.0), history_of(20))
    assert check.chart.location.upper < 1.0
    assert check.chart.location.points.size == 21
    assert check.chart.spread.points[-1] > 4.0


def test_a_bench_stands_where_its_worst_characteristic_stands():
    steady, moved = against_history(base_pitch(0.4), history_of(20)), against_history(base_pitch(5.0), history_of(20))
    assert worst_standing((steady, moved)) is Standing.MOVED
    assert worst_standing((steady,)) is Standing.STEADY
    assert worst_standing(()) is Standing.NO_HISTORY
