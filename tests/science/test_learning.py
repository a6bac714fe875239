"""What a batch teaches of its trims: right by the closed form, and unharmed by a bad unit."""

from itertools import pairwise
from math import hypot, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from rig.science.learning import (
    BAD_SHARE,
    FEW_BATCHES,
    LARGEST_SHIFT,
    Belief,
    Expectation,
    _posterior,
    amount_moved,
    combine,
    expectation,
    gain_observation,
    learn_batch,
    next_batch,
    next_unit,
    pivot_observation,
    taken_from,
)
from rig.science.trims import DeadTimeTaken, ScaleAboutPivot, ScaleAtInput, Shift

PIVOT = Belief(9.0, 4.0)
"""As a product file might have it: octaves re 1 Hz, anywhere from below to above the played range."""
SCATTER, SEEN = 0.15, 0.05

means = st.floats(-20.0, 20.0)
widths = st.floats(0.01, 10.0)
beliefs = st.builds(Belief, means, widths)
few_units = st.lists(st.tuples(means, st.floats(0.0, 2.0)), min_size=1, max_size=12)


def units(rng, mean, count, *, scatter=SCATTER, seen=SEEN):
    """Units of a batch as they are observed, with their uncertainties."""
    return mean + scatter * rng.normal(size=count) + seen * rng.normal(size=count), np.full(count, seen)


# --- the closed form -------------------------------------------------------------------------------------------------


def normal_posterior(prior, spread, values, doubts):
    """Gelman et al., Bayesian Data Analysis, 3rd ed., eq. 2.12: precisions add, means weigh by precision."""
    weights = 1.0 / (spread**2 + np.square(doubts))
    prior_weight = prior.standard_uncertainty**-2
    total = prior_weight + np.sum(weights)
    return Belief(float((prior_weight * prior.mean + np.sum(weights * np.asarray(values))) / total), float(total**-0.5))


def with_known_spread(prior, spread, values, doubts):
    """Mean of the batch as it is learned where the spread of its units is not in doubt."""
    observed = np.asarray(values, dtype=float), np.asarray(doubts, dtype=float)
    return _posterior(Expectation(prior, spread), np.ones(1), np.zeros(1), *observed).mean


@settings(max_examples=50)
@given(beliefs, widths, few_units)
def test_units_one_after_another_teach_what_all_of_them_at_once_teach(prior, spread, seen):
    at_once = normal_posterior(prior, spread, *zip(*seen, strict=True))
    one_by_one = prior
    for value, doubt in seen:
        one_by_one = combine(one_by_one, Belief(value, hypot(spread, doubt)))
    assert one_by_one.mean == pytest.approx(at_once.mean, rel=1e-9, abs=1e-9)
    assert one_by_one.standard_uncertainty == pytest.approx(at_once.standard_uncertainty, rel=1e-9)


@pytest.mark.parametrize("count", [2, 3, 10, 40])
def test_of_good_units_the_robust_belief_is_the_closed_form_within_a_tenth_of_its_uncertainty(count):
    values = 3.0 + SCATTER * stats.norm.ppf((np.arange(count) + 0.5) / count)
    robust = with_known_spread(PIVOT, SCATTER, values, np.full(count, SEEN))
    closed = normal_posterior(PIVOT, SCATTER, values, np.full(count, SEEN))
    assert robust.mean == pytest.approx(closed.mean, abs=0.1 * closed.standard_uncertainty)
    assert robust.standard_uncertainty == pytest.approx(closed.standard_uncertainty, rel=0.1)


@settings(max_examples=50)
@given(beliefs, widths)
def test_where_nothing_was_seen_the_prior_stands(prior, spread):
    assert normal_posterior(prior, spread, [], []).mean == pytest.approx(prior.mean, abs=1e-12)
    robust = with_known_spread(prior, spread, [], [])
    assert robust.mean == pytest.approx(prior.mean, abs=1e-9 * prior.standard_uncertainty + 1e-12)
    assert robust.standard_uncertainty == pytest.approx(prior.standard_uncertainty, rel=1e-3)
    assert learn_batch(Expectation(prior, spread), [], []).next_unit == next_unit(prior, spread)


# --- the model, by another integrator --------------------------------------------------------------------------------


def posterior_by_quad(prior, spread, values, doubts, *, ratios=(1.0,), weights=(1.0,)):
    """Median and half the middle 80 % (as a standard deviation) by adaptive Gauss-Kronrod (QUADPACK)."""
    scale = np.sqrt(prior.standard_uncertainty**2 + spread**2 + np.square(doubts))
    bad = BAD_SHARE * stats.cauchy.pdf(values, prior.mean, scale)
    deviations = np.hypot(np.outer(ratios, spread), doubts)

    def normal(x, mean, deviation):
        return np.exp(-0.5 * ((x - mean) / deviation) ** 2) / (np.sqrt(2.0 * np.pi) * deviation)

    def density(mu):
        likelihood = np.dot(weights, np.prod((1 - BAD_SHARE) * normal(values, mu, deviations) + bad, axis=-1))
        return likelihood * normal(mu, prior.mean, prior.standard_uncertainty)

    low, high = prior.mean - 10 * prior.standard_uncertainty, prior.mean + 10 * prior.standard_uncertainty
    grid = np.unique(np.concatenate([np.linspace(low, high, 121), *(np.linspace(v - 1, v + 1, 41) for v in values)]))
    pieces = [integrate.quad(density, a, b, epsabs=0.0)[0] for a, b in pairwise(grid)]
    below = np.append(0.0, np.cumsum(pieces)) / np.sum(pieces)
    kept = (below > 1e-9) & (below < 1.0 - 1e-9)
    places = np.interp([-1.28155, 0.0, 1.28155], stats.norm.ppf(below[kept]), grid[kept])
    return places[1], (places[2] - places[0]) / (2 * 1.28155)


@pytest.mark.parametrize(
    "values",
    [[3.0], [3.0, 3.2], [3.0, 20.0], [3.0, 3.2, 8.0], [20.0], [-1.0, 3.1, 3.2, 2.9]],
    ids=str,
)
def test_the_belief_is_that_of_the_stated_model_by_another_integrator(values):
    doubts = np.full(len(values), 0.3)
    median, deviation = posterior_by_quad(PIVOT, 0.4, np.array(values), doubts)
    belief = with_known_spread(PIVOT, 0.4, values, doubts)
    assert belief.mean == pytest.approx(median, abs=0.02 * deviation)
    assert belief.standard_uncertainty == pytest.approx(deviation, rel=0.02)


def test_with_the_spread_in_doubt_the_belief_is_that_of_the_stated_model_by_another_integrator():
    # the spread is log-normal with deviation 0.6, tried at half-octaves from half of the given one to eight times it
    ratios = 2.0 ** np.arange(-1.0, 3.01, 0.5)
    weights = stats.lognorm.pdf(ratios, 0.6, scale=np.exp(-(0.6**2))) * ratios
    values, doubts = np.array([2.4, 3.0, 3.9]), np.array([0.2, 0.05, 0.1])
    median, deviation = posterior_by_quad(PIVOT, 0.3, values, doubts, ratios=ratios, weights=weights)
    learned = learn_batch(Expectation(PIVOT, 0.3), values, doubts)
    assert learned.mean.mean == pytest.approx(median, abs=0.02 * deviation)
    assert learned.mean.standard_uncertainty == pytest.approx(deviation, rel=0.02)


# --- one bad unit ----------------------------------------------------------------------------------------------------


@settings(max_examples=100)
@given(beliefs, st.floats(0.02, 3.0), st.floats(0.0, 2.0), st.floats(-1e6, 1e6))
def test_no_single_observation_moves_a_belief_by_more_than_the_stated_bound(prior, ratio, seen, deviations):
    spread = ratio * prior.standard_uncertainty
    doubt = seen * prior.standard_uncertainty
    far = prior.mean + deviations * hypot(prior.standard_uncertainty, hypot(spread, doubt))
    bound = LARGEST_SHIFT * prior.standard_uncertainty
    assert abs(with_known_spread(prior, spread, [far], [doubt]).mean - prior.mean) < bound
    assert abs(learn_batch(Expectation(prior, spread), [far], [doubt]).mean.mean - prior.mean) < bound


@pytest.mark.parametrize("sigmas", [30.0, 1e3, 1e6, 1e100, 1e300])
def test_a_wildly_bad_unit_is_as_good_as_not_there(sigmas):
    rng = np.random.default_rng(11)
    values, doubts = units(rng, 3.0, 5)
    without = learn_batch(Expectation(PIVOT, SCATTER), values, doubts)
    poisoned = learn_batch(Expectation(PIVOT, SCATTER), [*values, 3.0 + sigmas * SCATTER], [*doubts, SEEN])
    assert poisoned.mean.mean == pytest.approx(without.mean.mean, abs=0.05 * SCATTER)
    assert poisoned.next_unit.standard_uncertainty == pytest.approx(without.next_unit.standard_uncertainty, rel=0.1)
    assert poisoned.good[-1] < 0.01
    assert min(poisoned.good[:-1]) > 0.9


@settings(max_examples=40)
@given(st.integers(0, 1000), st.sampled_from([3, 5, 10, 20]), st.floats(-1e6, 1e6) | st.floats(-2.0, 2.0))
def test_beside_good_units_the_harm_of_one_falls_with_their_number(seed, count, distance):
    values, doubts = units(np.random.default_rng(seed), 3.0, count)
    without = learn_batch(Expectation(PIVOT, SCATTER), values, doubts)
    poisoned = learn_batch(Expectation(PIVOT, SCATTER), [*values, 3.0 + distance], [*doubts, SEEN])
    assert abs(poisoned.mean.mean - without.mean.mean) < 6.0 * without.unit_spread / count


def test_two_units_that_disagree_leave_the_belief_wide_and_a_third_decides():
    undecided = learn_batch(Expectation(PIVOT, SCATTER), [3.0, 12.0], [SEEN, SEEN])
    decided = learn_batch(Expectation(PIVOT, SCATTER), [3.0, 12.0, 3.1], [SEEN] * 3)
    assert undecided.mean.standard_uncertainty > 2.0
    assert decided.mean.mean == pytest.approx(3.05, abs=0.2)
    assert decided.mean.standard_uncertainty < 0.3


def test_units_that_agree_overrule_a_product_file_that_is_wrong():
    wrong = Belief(9.0, 1.0)
    one = learn_batch(Expectation(wrong, SCATTER), [15.0], [SEEN])
    five = learn_batch(Expectation(wrong, SCATTER), [15.0, 15.1, 14.9, 15.05, 14.95], [SEEN] * 5)
    assert one.mean.mean == pytest.approx(9.0, abs=0.5)
    assert five.mean.mean == pytest.approx(15.0, abs=0.3)


@settings(max_examples=30)
@given(beliefs, widths, few_units, st.randoms())
def test_the_order_of_the_units_is_without_meaning(prior, spread, seen, random):
    shuffled = list(seen)
    random.shuffle(shuffled)
    first = learn_batch(Expectation(prior, spread), *zip(*seen, strict=True))
    second = learn_batch(Expectation(prior, spread), *zip(*shuffled, strict=True))
    assert second.mean == first.mean
    assert second.unit_spread == first.unit_spread
    assert sorted(second.good) == sorted(first.good)


@settings(max_examples=30)
@given(few_units, st.floats(-50.0, 50.0), st.sampled_from([1e-9, 1e-3, -1.0, 1e3]))
def test_octaves_seconds_or_cents_from_any_zero_teach_the_same(seen, shift, factor):
    values, doubts = (np.array(each) for each in zip(*seen, strict=True))
    plain = with_known_spread(Belief(1.0, 2.0), 0.3, values, doubts)
    other = with_known_spread(
        Belief(factor * (1.0 + shift), 2.0 * abs(factor)),
        0.3 * abs(factor),
        factor * (values + shift),
        abs(factor) * doubts,
    )
    tolerance = 0.02 * plain.standard_uncertainty
    assert other.mean / factor - shift == pytest.approx(plain.mean, abs=tolerance)
    assert other.standard_uncertainty / abs(factor) == pytest.approx(plain.standard_uncertainty, abs=tolerance)


# --- what it costs, what it is good for ------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [2, 3, 10])
def test_of_good_units_nine_tenths_of_what_they_teach_is_kept(count):
    # efficiency: mean square error of the closed form, which is the best there is, over that of the robust belief
    rng = np.random.default_rng(20 + count)
    robust, closed = [], []
    for _ in range(200):
        mean = rng.normal(PIVOT.mean, 2.0)
        values, doubts = units(rng, mean, count)
        closed.append(normal_posterior(PIVOT, SCATTER, values, doubts).mean - mean)
        robust.append(with_known_spread(PIVOT, SCATTER, values, doubts).mean - mean)
    assert np.mean(np.square(closed)) / np.mean(np.square(robust)) > 0.9


@pytest.mark.parametrize("count", [3, 10])
@pytest.mark.parametrize("given_spread", [SCATTER, 2.0 * SCATTER])
def test_the_next_unit_of_a_batch_with_bad_units_lies_where_it_was_expected(count, given_spread):
    # one unit in twenty is bad and may have its pivot anywhere; 95 % intervals for the next good one: of 200 no fewer
    # than by three standard deviations of a binomial share
    rng = np.random.default_rng(40 + count)
    inside = []
    for _ in range(200):
        mean = rng.normal(PIVOT.mean, 2.0)
        values, doubts = units(rng, mean, count)
        bad = rng.random(count) < 0.05
        values[bad] = rng.uniform(-10.0, 28.0, size=np.count_nonzero(bad))
        expected = learn_batch(Expectation(PIVOT, given_spread), values, doubts).next_unit
        inside.append(abs(rng.normal(mean, SCATTER) - expected.mean) < 1.96 * expected.standard_uncertainty)
    assert np.mean(inside) > 0.95 - 3.0 * sqrt(0.95 * 0.05 / 200)


@pytest.mark.parametrize(("true_spread", "low", "high"), [(0.9, 0.6, 1.2), (0.05, 0.15, 0.2)])
def test_the_spread_of_units_follows_the_batch_and_has_a_floor(true_spread, low, high):
    # given as 0.3: a batch that scatters thrice as much is believed, one that hardly scatters narrows it to half
    values, doubts = units(np.random.default_rng(5), 3.0, 20, scatter=true_spread, seen=0.01)
    assert low <= learn_batch(Expectation(PIVOT, 0.3), values, doubts).unit_spread <= high


def test_the_doubt_in_the_batch_and_the_scatter_of_units_add_in_the_next_unit():
    # law of propagation for a sum (JCGM 100, eq. 10)
    assert next_unit(Belief(3.0, 0.3), 0.4) == Belief(3.0, 0.5)


# --- from the product file to the batch ------------------------------------------------------------------------------


@given(beliefs, st.none() | widths)
def test_before_the_first_unit_the_product_file_stands_as_it_is(whole, unit_spread):
    expected = expectation(whole, unit_spread)
    assert expected.unit.mean == whole.mean
    assert expected.unit.standard_uncertainty == pytest.approx(whole.standard_uncertainty)
    assert expected.unit_spread <= whole.standard_uncertainty / sqrt(2.0)


@given(beliefs, beliefs)
def test_what_was_said_beside_the_prior_is_what_was_combined_with_it(prior, said):
    posterior = combine(prior, said)
    assert combine(said, prior).mean == pytest.approx(posterior.mean, abs=1e-9)
    assert posterior.standard_uncertainty < min(prior.standard_uncertainty, said.standard_uncertainty)
    alone = taken_from(posterior, prior)
    if alone is not None and said.standard_uncertainty < 30.0 * prior.standard_uncertainty:
        assert alone.mean == pytest.approx(said.mean, abs=1e-6)
        assert alone.standard_uncertainty == pytest.approx(said.standard_uncertainty, rel=1e-6)


def test_nothing_was_said_where_the_posterior_is_the_prior():
    assert taken_from(PIVOT, PIVOT) is None
    assert taken_from(Belief(5.0, 6.0), PIVOT) is None


def test_without_other_batches_a_new_one_is_what_the_product_file_says():
    assert next_batch(PIVOT, []) == PIVOT


@settings(max_examples=30)
@given(st.lists(st.tuples(means, st.floats(0.01, 1.0)), min_size=1, max_size=FEW_BATCHES - 1))
def test_from_few_batches_a_new_one_is_never_believed_surer_than_the_file_says(seen):
    batches = [Belief(*each) for each in seen]
    assert next_batch(PIVOT, batches).standard_uncertainty >= PIVOT.standard_uncertainty


def test_many_batches_alike_make_a_new_one_surer_and_not_too_sure():
    alike = [Belief(3.0 + 0.1 * (place % 3), 0.1) for place in range(20)]
    new = next_batch(PIVOT, alike)
    assert new.mean == pytest.approx(3.1, abs=0.5)
    assert 1.0 < new.standard_uncertainty < PIVOT.standard_uncertainty


def test_batches_below_inside_and_above_the_played_range_leave_a_new_one_open():
    scattered = [Belief(mean, 0.1) for mean in (0.0, 2.0, 8.0, 13.0, 16.0, 4.0, 11.0, 15.0, 1.0, 9.0)]
    new = next_batch(PIVOT, scattered)
    assert new.standard_uncertainty > 4.0


def test_one_batch_gone_wrong_leaves_the_product_as_it_was():
    alike = [Belief(7.0 + 0.1 * (place % 3), 0.1) for place in range(6)]
    assert next_batch(PIVOT, [*alike, Belief(1e6, 0.1)]).mean == pytest.approx(next_batch(PIVOT, alike).mean, abs=0.2)


# --- what one move shows ---------------------------------------------------------------------------------------------

BEFORE = np.array([5.0, 1.01, 0.003, 2.0e-6])
DOUBT = np.diag([1e-5, 2e-5, 1e-4, 5e-9]) ** 2


@pytest.mark.parametrize(
    ("effect", "amount"),
    [
        (ScaleAboutPivot(9.0), -0.01),
        (ScaleAboutPivot(1.0), 0.02),
        (ScaleAtInput(), -0.004),
        (Shift(), 0.05),
        (DeadTimeTaken(), 4e-7),
    ],
    ids=["pivot above", "pivot below", "at the input", "base", "highs"],
)
def test_the_amount_of_a_move_is_seen_from_the_tracking_before_and_after(effect, amount):
    after = effect.moved(BEFORE, amount)
    seen = amount_moved(effect, BEFORE, DOUBT, after, DOUBT)
    assert seen.mean == pytest.approx(amount, rel=1e-9)
    # JCGM 101: the same by drawing from both fits
    rng = np.random.default_rng(1)
    fits = [rng.multivariate_normal(each, DOUBT, size=4000, method="cholesky") for each in (BEFORE, after)]
    drawn = [amount_moved(effect, one, DOUBT, other, DOUBT).mean for one, other in zip(*fits, strict=True)]
    assert seen.standard_uncertainty == pytest.approx(np.std(drawn), rel=0.05)


def test_the_gain_is_the_amount_over_the_turns_and_doubts_both():
    gain = gain_observation(Belief(0.0082, 0.0002), 2.0)
    assert gain is not None
    assert gain.mean == pytest.approx(0.0041)
    rng = np.random.default_rng(2)
    turns = 2.0 + hypot(0.15 * 2.0, 0.05) * rng.normal(size=200_000)
    drawn = rng.normal(0.0082, 0.0002, size=turns.size) / 0.0041 - turns
    assert gain.standard_uncertainty == pytest.approx(0.0041 * np.std(drawn) / 2.0, rel=0.02)


def test_a_turn_the_other_way_with_an_effect_the_other_way_is_the_same_gain():
    assert gain_observation(Belief(-0.01, 1e-4), -2.0) == gain_observation(Belief(0.01, 1e-4), 2.0)


@pytest.mark.parametrize(
    ("amount", "turns"),
    [
        (Belief(0.01, 1e-4), None),
        (Belief(0.01, 1e-4), float("nan")),
        (Belief(0.01, 1e-4), 0.0),
        (Belief(0.0005, 1e-6), 0.1),
        (Belief(0.0002, 1e-4), 3.0),
    ],
    ids=["no turns reported", "not a number", "not turned", "too small to count", "at its end stop"],
)
def test_a_move_that_cannot_be_told_teaches_no_gain(amount, turns):
    assert gain_observation(amount, turns) is None


def test_one_move_shows_the_pivot_without_any_prior():
    seen = pivot_observation(BEFORE, DOUBT, ScaleAboutPivot(9.0).moved(BEFORE, -0.01), DOUBT)
    assert seen is not None
    assert seen.mean == pytest.approx(9.0, abs=1e-9)
    assert 0.0 < seen.standard_uncertainty < 0.1


def test_a_move_too_small_to_tell_shows_no_pivot():
    assert pivot_observation(BEFORE, DOUBT, ScaleAboutPivot(9.0).moved(BEFORE, 2e-5), DOUBT) is None


# --- what is no observation ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "doubts"),
    [([1.0], []), ([[1.0]], [[0.1]]), ([float("nan")], [0.1]), ([1.0], [float("inf")]), ([1.0], [-0.1])],
)
def test_what_is_no_observation_is_refused(values, doubts):
    with pytest.raises(ValueError, match="observation"):
        learn_batch(Expectation(PIVOT, SCATTER), values, doubts)


@pytest.mark.parametrize(("mean", "doubt"), [(float("nan"), 1.0), (0.0, 0.0), (0.0, -1.0), (0.0, float("inf"))])
def test_what_is_no_belief_is_refused(mean, doubt):
    with pytest.raises(ValueError, match="belief"):
        Belief(mean, doubt)


@pytest.mark.parametrize("spread", [0.0, -1.0, float("nan")])
def test_a_spread_must_be_positive(spread):
    with pytest.raises(ValueError, match="spread of units"):
        learn_batch(Expectation(PIVOT, spread), [3.0], [0.1])
