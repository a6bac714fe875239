"""What has changed between two visits, and which part that points to."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from rig.science.change import (
    PRIOR_NOTHING,
    PRIOR_ONE,
    PRIOR_UNKNOWN,
    Part,
    State,
    difference,
    suspect,
)

NAMES = ("core", "slope", "rail")
ORDINARY = {"core": 1.0, "slope": 0.1, "rail": 0.01}
UNKNOWN = {"core": 50.0, "slope": 10.0, "rail": 2.0}
PARTS = (
    Part("base", {"core": 15.0}),
    Part("scale", {"core": 30.0, "slope": 8.0}, also={"core": 20.0}),
    Part("rail", {"rail": 0.3}),
)


def changed(*values: float, deviations: tuple[float, ...] = (0.2, 0.02, 0.002)) -> State:
    return State(NAMES, np.array(values), np.diag(np.square(deviations)))


def test_the_doubt_of_a_difference_is_that_of_both_visits():
    then = State(("a", "b"), np.array([1.0, 2.0]), np.array([[4.0, 1.0], [1.0, 9.0]]))
    now = State(("b", "c", "a"), np.array([2.5, 7.0, 1.5]), np.diag([16.0, 1.0, 25.0]))
    seen = difference(then, now)
    assert seen.names == ("a", "b")
    assert seen.values == pytest.approx([0.5, 0.5])
    assert seen.covariance == pytest.approx(np.array([[29.0, 1.0], [1.0, 25.0]]))


def probability_of(part, weighed):
    """Probability that this part has changed, alone or beside another."""
    return sum(each.probability for each in weighed.suspects if part in each.parts)


def test_with_one_term_and_one_part_the_weights_are_those_of_the_normal_distribution():
    """Bayes' theorem with normal densities, written out with scipy.stats as an independent calculator."""
    value, own, ordinary, spread, unknown = 4.0, 0.5, 1.0, 10.0, 40.0
    seen = State(("core",), np.array([value]), np.array([[own**2]]))
    weighed = suspect(seen, [Part("base", {"core": spread})], {"core": ordinary}, {"core": unknown})
    sound = np.hypot(own, ordinary)
    weights = np.array(
        [
            PRIOR_NOTHING * norm.pdf(value, scale=sound),
            PRIOR_ONE * norm.pdf(value, scale=np.hypot(sound, spread)),
            PRIOR_UNKNOWN * norm.pdf(value, scale=np.hypot(sound, unknown)),
        ]
    )
    expected = weights / weights.sum()
    assert weighed.nothing_probability == pytest.approx(expected[0])
    assert probability_of("base", weighed) == pytest.approx(expected[1])
    assert weighed.unknown_probability == pytest.approx(expected[2])


def test_the_weights_of_correlated_terms_agree_with_an_independent_density():
    seen = State(("core", "slope"), np.array([20.0, 5.0]), np.array([[0.5, 0.1], [0.1, 0.3]]))
    weighed = suspect(seen, PARTS[:2], ORDINARY, UNKNOWN)
    base = seen.covariance + np.diag([1.0, 0.01])
    left = [np.zeros((2, 2)), *(part.left(("core", "slope"))[1] for part in PARTS[:2])]
    density = [multivariate_normal.pdf(seen.values, cov=base + each) for each in left]
    ratio = PRIOR_ONE / 2.0 * density[2] / (PRIOR_NOTHING * density[0])
    found = next(each for each in weighed.suspects if each.parts == ("scale",))
    assert found.probability / weighed.nothing_probability == pytest.approx(ratio)


def test_a_change_within_ordinary_life_points_to_nothing():
    weighed = suspect(changed(0.8, 0.05, -0.008), PARTS, ORDINARY, UNKNOWN)
    assert weighed.nothing_probability > 0.7


def test_a_part_is_told_by_the_shape_of_what_it_leaves():
    assert probability_of("base", suspect(changed(12.0, 0.02, 0.0), PARTS, ORDINARY, UNKNOWN)) > 0.8
    assert probability_of("scale", suspect(changed(25.0, 6.0, 0.003), PARTS, ORDINARY, UNKNOWN)) > 0.8
    assert probability_of("rail", suspect(changed(0.5, -0.05, 0.2), PARTS, ORDINARY, UNKNOWN)) > 0.8


def test_two_parts_that_changed_together_are_both_named():
    weighed = suspect(changed(12.0, 0.02, 0.25), PARTS, ORDINARY, UNKNOWN)
    assert weighed.suspects[0].parts == ("base", "rail")


def test_a_bench_that_is_known_to_have_moved_explains_a_change_of_that_size():
    bench = Part("bench", {}, also={"core": 0.5}, offset={"core": 6.0})
    assert probability_of("bench", suspect(changed(6.2, 0.0, 0.0), (*PARTS, bench), ORDINARY, UNKNOWN)) > 0.7
    assert probability_of("bench", suspect(changed(-6.2, 0.0, 0.0), (*PARTS, bench), ORDINARY, UNKNOWN)) < 0.01


def test_the_stated_probability_is_how_often_it_is_right():
    """Drawn from the hypotheses themselves: calibration of a Bayesian classifier, by definition."""
    generator = np.random.default_rng(5)
    base = np.diag(np.square([0.2, 0.02, 0.002])) + np.diag([ORDINARY[name] ** 2 for name in NAMES])
    stated, right = [], []
    for _ in range(400):
        part = PARTS[generator.integers(3)]
        values = generator.multivariate_normal(np.zeros(3), base + part.left(NAMES)[1])
        weighed = suspect(changed(*values), PARTS, ORDINARY, UNKNOWN)
        best = max(PARTS, key=lambda each: probability_of(each.name, weighed))
        stated.append(probability_of(best.name, weighed))
        right.append(best is part)
    # priors for nothing, two and unknown are part of the statement, and were not drawn: it errs towards caution
    assert np.mean(right) > np.mean(stated) - 0.03
    sure = np.array(stated) > 0.9
    assert np.mean(np.array(right)[sure]) > 0.9


@pytest.mark.parametrize(
    ("parts", "terms", "message"),
    [
        ((PARTS[0], PARTS[0]), NAMES, "same name"),
        (PARTS, (), "no term in common"),
    ],
)
def test_questions_without_an_answer_are_refused(parts, terms, message):
    seen = State(terms, np.zeros(len(terms)), np.eye(len(terms)))
    with pytest.raises(ValueError, match=message):
        suspect(seen, parts, ORDINARY, UNKNOWN)
