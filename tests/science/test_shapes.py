"""Which trim was turned, from the shape of what changed.

The unit and its trims are invented; sweeps of 17 points over 8 V at 0.05 cent a point, unless said otherwise. A
quarter of a turn is the least that is asked for here: 1.2 cents per octave of scale, 9 cents of base, 0.1 us of highs.
"""

from collections import Counter
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import trapezoid
from scipy.stats import chi2, multivariate_normal

from rig.science.shapes import (
    PRIOR_ASKED,
    PRIOR_NOTHING,
    Candidate,
    RailChange,
    Shape,
    which_trim,
)
from rig.science.tracking import fit_tracking
from rig.science.trims import DeadTimeTaken, ScaleAboutPivot, ScaleAtInput, Shift
from tests.science.sweeps import EIGHT_VOLTS, NOISE_OCTAVES, noisy

UNIT = np.array([np.log2(32.703), 1.009, 0.003, 2.0e-6])
QUARTER_TURN = {"scale": 0.001, "highs": 1.0e-7, "base": 0.0075}
PIVOTS = {"below": -1.0, "inside, at the bottom": 5.0, "inside": 9.0, "inside, at the top": 13.0, "above": 17.0}
EXPECTED_PIVOT, PIVOT_DOUBT = 9.0, 4.0
COVARIANCE = np.diag([(0.1 / 1200) ** 2, (0.03 / 1200) ** 2, 2e-6, (7e-9) ** 2])
"""Of a fit, in the size that a sweep gives; without correlation, for the closed forms."""


def candidates(pivot=EXPECTED_PIVOT, pivot_doubt=PIVOT_DOUBT, scale=None):
    return [
        Candidate("scale", scale or ScaleAboutPivot(pivot), 0.02, 0.0 if scale else pivot_doubt),
        Candidate("highs", DeadTimeTaken(), 1.5e-6),
        Candidate("base", Shift(), 0.15),
        Candidate("rail", None, 0.01, rail_per_amount=1.0),
        Candidate("centre", None, 0.1),
    ]


def effects(pivot):
    return {"scale": ScaleAboutPivot(pivot), "highs": DeadTimeTaken(), "base": Shift()}


def fitted(parameters, *seed):
    return fitted_once(tuple(parameters), seed)


@cache
def fitted_once(parameters, seed):
    fit = fit_tracking(EIGHT_VOLTS, noisy(np.array(parameters), seed=seed), NOISE_OCTAVES)
    return fit.parameters, fit.covariance


def sighted(turned, amount, *, pivot=EXPECTED_PIVOT, asked="scale", seed=1, known=None, rail=None):
    """The verdict after a trim was turned by an amount, from two noisy sweeps."""
    moved = effects(pivot)[turned].moved(UNIT, amount)
    return which_trim(*fitted(UNIT, seed, 0), *fitted(moved, seed, 1), known or candidates(), asked, rail=rail)


@pytest.mark.parametrize("asked", QUARTER_TURN)
@pytest.mark.parametrize("turned", QUARTER_TURN)
@pytest.mark.parametrize("pivot", PIVOTS.values(), ids=PIVOTS)
def test_a_quarter_of_a_turn_tells_the_trims_apart_wherever_the_pivot_lies(pivot, turned, asked):
    # all of 3 x 3 x 5 confusions, four sweeps each, the pivot known to 4 octaves only: none wrong, all 99 % sure
    for seed in range(4):
        seen = sighted(turned, QUARTER_TURN[turned], pivot=pivot, asked=asked, seed=seed)
        assert seen.shape is (Shape.ASKED if turned == asked else Shape.ANOTHER)
        assert seen.trim == turned
        assert seen.probability > 0.99


@pytest.mark.parametrize("asked", QUARTER_TURN)
def test_two_sweeps_with_nothing_between_them_say_that_nothing_moved(asked):
    # measured with a hundred seeds: all pairs of sweeps
    said = Counter(sighted("base", 0.0, asked=asked, seed=seed).shape for seed in range(50))
    assert said[Shape.NOTHING] >= 49
    assert said[Shape.ANOTHER] == 0


def test_above_a_twentieth_of_a_turn_no_verdict_is_wrong_and_below_a_hundredth_it_may_be():
    # sizes drawn evenly on a scale of ratios from a thousandth of a turn to four turns, pivot anywhere from six octaves
    # below the lowest note to four above the highest, known to 4 octaves only. Measured over 6000 moves with this seed:
    # all wrong verdicts are of moves below 0.052 turns; 0.5 % accuse a wrong trim, all of moves below 0.009 turns,
    # 0.07 % being 95 % sure of it; 2.3 % take for the trim asked for what was another one
    generator = np.random.default_rng(11)
    names = list(QUARTER_TURN)
    accused, believed = 0, 0
    for seed in range(300):
        turned, asked = generator.choice(names), generator.choice(names)
        turns = generator.choice([-1.0, 1.0]) * 10.0 ** generator.uniform(-3.0, 0.6)
        pivot = generator.uniform(-1.0, 17.0)
        seen = sighted(turned, 4.0 * turns * QUARTER_TURN[turned], pivot=pivot, asked=asked, seed=seed)
        if abs(turns) > 0.06:
            assert seen.trim == turned
        if seen.shape is Shape.ANOTHER and seen.trim != turned:
            assert abs(turns) < 0.01
            accused += 1
        believed += seen.shape is Shape.ASKED and seen.trim != turned
    assert accused <= 3
    assert believed <= 12


def test_the_amount_comes_with_an_uncertainty_that_covers_it():
    covered = 0
    for seed in range(200):
        best = sighted("scale", -0.004, pivot=12.0, seed=seed, known=candidates()[:1]).ranked[0]
        covered += abs(best.amount + 0.004) < 1.96 * best.amount_standard_uncertainty
    # binomial, n = 200, p = 0.95: three standard deviations are 9
    assert covered >= 181


def test_the_wrong_way_shows_as_an_amount_of_the_wrong_sign():
    best = sighted("highs", -2.0e-7, asked="highs").ranked[0]
    assert best.name == "highs"
    assert best.amount == pytest.approx(-2.0e-7, abs=4.0 * best.amount_standard_uncertainty)


def test_the_distance_of_the_right_trim_follows_chi_squared_of_three():
    # theory: four terms less one amount; the pivot is known here. Kolmogorov-Smirnov bound for 300 at 0.1 %: 0.113
    known = candidates(pivot=12.0, pivot_doubt=0.0)[:1]
    squared = []
    for seed in range(300):
        seen = sighted("scale", 0.004, pivot=12.0, seed=seed, known=known)
        squared.append(seen.ranked[0].distance ** 2)
    place = chi2.cdf(np.sort(squared), 3)
    steps = np.arange(1, 301) / 300
    assert np.max(np.abs(place - steps)) < 0.113


def test_a_pivot_that_is_known_tells_more_than_one_that_is_not():
    # turned about 12 octaves, where a pivot known to lie at 5 forbids it
    about = ScaleAboutPivot(12.0).moved(UNIT, 0.002)
    before, after = fitted(UNIT, 1), fitted(about, 2)
    assert which_trim(*before, *after, candidates(), "scale").shape is Shape.ASKED
    assert which_trim(*before, *after, candidates(5.0, 0.05), "scale").shape is Shape.NO_TRIM


def test_scale_at_the_cv_input_is_told_from_base_and_highs():
    known = candidates(scale=ScaleAtInput())
    after = fitted(ScaleAtInput().moved(UNIT, 0.001), 2)
    seen = which_trim(*fitted(UNIT, 1), *after, known, "base")
    assert (seen.shape, seen.trim) == (Shape.ANOTHER, "scale")


@pytest.mark.parametrize(
    "change",
    [np.array([0.0, 0.0, 0.1, 0.0]), np.array([0.02, 0.0, 0.0, 3e-7]), np.array([-0.01, 0.004, 0.0, -4e-7])],
    ids=["a leak", "base and highs together", "three trims"],
)
def test_what_no_single_trim_does_is_called_that(change):
    seen = which_trim(*fitted(UNIT, 1), *fitted(UNIT + change, 2), candidates(), "scale")
    assert seen.shape is Shape.NO_TRIM
    assert seen.trim is None
    assert max(each.plausibility for each in seen.ranked) < 1e-6


@pytest.mark.parametrize("turned", ["rail", "centre"])
def test_rail_and_centre_leave_a_sweep_at_rest_as_it_was_and_are_not_cleared_by_it(turned):
    seen = sighted("base", 0.0, asked=turned)
    assert seen.shape is Shape.NOTHING
    assert seen.hidden == ("rail", "centre")
    assert {each.name for each in seen.ranked} == {"scale", "highs", "base"}


def test_the_rail_shows_once_it_is_read():
    moved, still = RailChange(0.0004, 2e-5), RailChange(1e-5, 2e-5)
    asked = sighted("base", 0.0, asked="rail", rail=moved)
    assert (asked.shape, asked.trim, asked.hidden) == (Shape.ASKED, "rail", ("centre",))
    another = sighted("base", 0.0, asked="scale", rail=moved)
    assert (another.shape, another.trim) == (Shape.ANOTHER, "rail")
    assert sighted("base", 0.0, asked="rail", rail=still).shape is Shape.NOTHING
    wrong = sighted("scale", 0.001, asked="rail", rail=still)
    assert (wrong.shape, wrong.trim) == (Shape.ANOTHER, "scale")
    both = sighted("scale", 0.001, asked="rail", rail=moved)
    assert both.shape is Shape.NO_TRIM


def odds_against_nothing(seen, name):
    """Bayes factor of a trim against nothing, the prior taken out."""
    probability = next(each.probability for each in seen.ranked if each.name == name)
    return probability / seen.nothing_probability * PRIOR_NOTHING / PRIOR_ASKED


@settings(max_examples=20, deadline=None)
@given(st.floats(-4.0, 4.0), st.floats(-4.0, 4.0), st.integers(0, 1000))
def test_a_trim_with_one_known_shape_has_the_evidence_of_the_closed_form(shift, size, seed):
    # with a linear effect and a normal amount the change is normal with covariance C + spread^2 v v^T; densities by
    # scipy.stats. Scaled to standard deviations so that the densities stay within range
    deviations = np.sqrt(2.0 * np.diagonal(COVARIANCE))
    change = deviations * (size * np.array([0.6, 0.0, 0.0, 0.0]) + shift * np.array([0.0, 0.3, 0.1, -0.5]))
    change = change + 0.5 * deviations * np.random.default_rng(seed).standard_normal(4)
    spreads = {"highs": 3e-8, "base": 3e-4, "scale": 2e-4}
    known = [Candidate(name, each, spreads[name]) for name, each in effects(9.0).items()]
    for candidate in known:
        direction = candidate.effect.moved(UNIT, 1.0) - UNIT
        wide = 2.0 * COVARIANCE + candidate.spread**2 * np.outer(direction, direction)
        scale = np.outer(deviations, deviations)
        scaled = change / deviations
        expected = multivariate_normal(cov=wide / scale).pdf(scaled)
        expected /= multivariate_normal(cov=2.0 * COVARIANCE / scale).pdf(scaled)
        seen = which_trim(UNIT, COVARIANCE, UNIT + change, COVARIANCE, known, candidate.name)
        assert odds_against_nothing(seen, candidate.name) == pytest.approx(float(expected), rel=2e-3)


@pytest.mark.parametrize(("amount", "pivot"), [(0.0, 9.0), (6e-5, 9.0), (8e-5, 11.0), (-7e-5, 7.5)])
def test_a_trim_with_an_unknown_pivot_has_the_evidence_of_a_brute_integral(amount, pivot):
    # the same, with amount and pivot integrated on a fine rectangular grid
    prior_pivot, doubt, spread = 9.0, 1.5, 1e-4
    change = ScaleAboutPivot(pivot).moved(UNIT, amount) - UNIT
    known = [Candidate("scale", ScaleAboutPivot(prior_pivot), spread, doubt)]
    seen = which_trim(UNIT, COVARIANCE, UNIT + change, COVARIANCE, known, "scale")
    amounts = np.linspace(-6.0, 6.0, 1201) * spread
    pivots = prior_pivot + np.linspace(-6.0, 6.0, 601) * doubt
    e, y = np.meshgrid(amounts, pivots, indexing="ij")
    weights = 0.5 / np.diagonal(COVARIANCE)
    away_core = change[0] - e * (UNIT[0] - y)
    away_slope = change[1] - e * UNIT[1]
    squared = weights[0] * away_core**2 + weights[1] * away_slope**2
    nothing = weights[0] * change[0] ** 2 + weights[1] * change[1] ** 2
    prior = np.exp(-0.5 * (e / spread) ** 2 - 0.5 * ((y - prior_pivot) / doubt) ** 2)
    prior /= 2.0 * np.pi * spread * doubt
    expected = trapezoid(trapezoid(prior * np.exp(-0.5 * (squared - nothing)), pivots, axis=1), amounts)
    assert odds_against_nothing(seen, "scale") == pytest.approx(expected, rel=5e-3)


def test_the_probabilities_add_up():
    seen = sighted("scale", 3e-5)
    total = sum(each.probability for each in seen.ranked) + seen.nothing_probability + seen.no_trim_probability
    assert total == pytest.approx(1.0)
    assert [each.probability for each in seen.ranked] == sorted(
        (each.probability for each in seen.ranked), reverse=True
    )


def test_the_verdict_is_said_in_words():
    assert sighted("highs", 2e-7).said == "another trim: highs (over 99 % sure)"
    assert sighted("scale", 0.002).said == "the trim asked for (over 99 % sure)"


def test_what_cannot_be_compared_is_refused():
    good = (UNIT, COVARIANCE)
    with pytest.raises(ValueError, match="not one of the candidates"):
        which_trim(*good, *good, candidates(), "tempo")
    with pytest.raises(ValueError, match="same name"):
        which_trim(*good, *good, [*candidates(), *candidates()], "scale")
    with pytest.raises(ValueError, match="shape"):
        which_trim(UNIT[:3], COVARIANCE, *good, candidates(), "scale")
    with pytest.raises(ValueError, match="not determined"):
        which_trim(*good, np.full(4, np.nan), COVARIANCE, candidates(), "scale")
    with pytest.raises(ValueError, match="positive definite"):
        which_trim(UNIT, np.zeros((4, 4)), UNIT, np.zeros((4, 4)), candidates(), "scale")
    with pytest.raises(ValueError, match="spread"):
        Candidate("base", Shift(), 0.0)
