"""What trims do to the tracking, and the reading at which to stop."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.science.tracking import predict
from rig.science.trims import (
    DeadTimeTaken,
    Pivot,
    ScaleAboutPivot,
    ScaleAtInput,
    Shift,
    learn_pivot,
    target_reading,
)

UNIT = np.array([np.log2(32.703), 1.009, 0.003, 2.0e-6])
pivots = st.floats(-1.0, 17.0)
amounts = st.floats(-0.03, 0.03)


@given(pivots, amounts)
def test_a_scale_trim_leaves_the_core_at_its_pivot_alone(pivot, amount):
    moved = ScaleAboutPivot(pivot).moved(UNIT, amount)
    x_at_pivot = (pivot - UNIT[0]) / UNIT[1]
    assert moved[0] + moved[1] * x_at_pivot == pytest.approx(pivot, abs=1e-12)


@given(pivots, st.floats(0.0, 8.0))
def test_the_target_reading_is_the_pivot_plus_the_distance_scaled_by_goal_over_slope(pivot, x):
    # y_target = y_p + (y - y_p) b_goal / b, for a unit without dead time and leakage
    ideal = np.array([5.0, 1.01, 0.0, 0.0])
    goal = 1.0
    target = target_reading(ideal, ScaleAboutPivot(pivot), goal / ideal[1] - 1.0, x)
    reading = ideal[0] + ideal[1] * x
    assert float(target) == pytest.approx(pivot + (reading - pivot) * goal / ideal[1], abs=1e-12)


def test_turning_until_the_lower_note_is_right_again_leaves_scale_wrong_which_is_why_people_chase():
    # common practice: scale moves the fundamental too; aiming at the nominal pitch of one note corrects only part
    pivot, x = 9.0, 4.0
    sharp = np.array([5.0, 1.02, 0.0, 0.0])
    nominal = 5.0 + x
    amount = ScaleAboutPivot(pivot).amount_seen(sharp, x, nominal)
    left = ScaleAboutPivot(pivot).moved(sharp, amount)[1]
    assert abs(left - 1.0) > 0.01


@pytest.mark.parametrize(
    ("effect", "amount"),
    [(ScaleAboutPivot(3.0), -0.01), (ScaleAtInput(), 0.012), (Shift(), -0.05), (DeadTimeTaken(), 1.5e-6)],
    ids=["scale at the common node", "scale at the input", "base", "highs"],
)
def test_the_amount_of_a_move_is_seen_from_the_reading_that_it_leads_to(effect, amount):
    reading = target_reading(UNIT, effect, amount, 7.0)
    assert float(effect.amount_seen(UNIT, 7.0, reading)) == pytest.approx(amount, rel=1e-6)


def test_an_input_scale_trim_turns_about_zero_volts():
    moved = ScaleAtInput().moved(UNIT, 0.02)
    assert float(predict(moved, np.array([0.0]))[0]) == pytest.approx(float(predict(UNIT, np.array([0.0]))[0]))


def test_the_highs_trim_takes_the_same_time_from_every_period():
    x = np.linspace(0.0, 8.0, 9)
    before, after = (1.0 / np.exp2(predict(each, x)) for each in (UNIT, DeadTimeTaken().moved(UNIT, 1.0e-6)))
    assert before - after == pytest.approx(1.0e-6, rel=1e-6)


def test_a_pitch_that_leakage_alone_exceeds_is_refused():
    leaky = np.array([5.0, 1.0, 40.0, 0.0])
    with pytest.raises(ValueError, match="leakage"):
        Shift().amount_seen(leaky, 0.0, 5.0)


def test_one_move_teaches_the_pivot_to_the_accuracy_of_the_sweeps():
    covariance = np.diag([(0.05 / 1200) ** 2, (0.02 / 1200) ** 2, 1e-12, 1e-20])
    truth = 12.5
    after = ScaleAboutPivot(truth).moved(UNIT, -0.008)
    learned = learn_pivot(UNIT, covariance, after, covariance, Pivot(9.0, 4.0))
    assert learned.octaves == pytest.approx(truth, abs=0.05)
    assert learned.standard_uncertainty < 0.05


def test_learning_from_noisy_moves_covers_the_truth_as_often_as_it_claims():
    generator = np.random.default_rng(7)
    covariance = np.diag([(0.1 / 1200) ** 2, (0.05 / 1200) ** 2, 1e-12, 1e-20])
    truth, prior = 12.5, Pivot(12.0, 4.0)
    after = ScaleAboutPivot(truth).moved(UNIT, -0.005)
    inside = 0
    for _ in range(400):
        noise = generator.multivariate_normal(np.zeros(4), covariance, size=2)
        learned = learn_pivot(UNIT + noise[0], covariance, after + noise[1], covariance, prior)
        inside += abs(learned.octaves - truth) < 1.96 * learned.standard_uncertainty
    # binomial, n = 400, p = 0.95: three standard deviations are 13
    assert inside == pytest.approx(380, abs=14)


def test_a_pivot_and_its_prior_combine_as_two_normal_measurements_of_one_thing():
    # conjugate normal: weights of inverse variance; the closed form is checked against a grid posterior
    covariance = np.diag([(1.0 / 1200) ** 2, (0.6 / 1200) ** 2, 1e-12, 1e-20])
    after = ScaleAboutPivot(11.0).moved(UNIT, -0.02)
    flat = learn_pivot(UNIT, covariance, after, covariance, Pivot(11.0, 1e6))
    prior = Pivot(10.6, 0.3)
    learned = learn_pivot(UNIT, covariance, after, covariance, prior)
    grid = np.linspace(5.0, 17.0, 60001)
    log_density = -0.5 * ((grid - flat.octaves) / flat.standard_uncertainty) ** 2
    log_density -= 0.5 * ((grid - prior.octaves) / prior.standard_uncertainty) ** 2
    density = np.exp(log_density - log_density.max())
    density /= density.sum()
    mean = float(density @ grid)
    assert learned.octaves == pytest.approx(mean, abs=1e-3)
    assert learned.standard_uncertainty == pytest.approx(float(np.sqrt(density @ (grid - mean) ** 2)), rel=1e-3)


def test_a_move_too_small_to_tell_teaches_nothing():
    covariance = np.diag([(0.1 / 1200) ** 2, (0.05 / 1200) ** 2, 1e-12, 1e-20])
    after = ScaleAboutPivot(12.0).moved(UNIT, 1e-6)
    prior = Pivot(9.0, 4.0)
    assert learn_pivot(UNIT, covariance, after, covariance, prior) == prior
