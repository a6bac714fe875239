"""Control charts: factors against published tables and another program, limits, and tests in words."""

import numpy as np
import pytest
from scipy.stats import studentized_range

from rig.science.control_chart import (
    INDIVIDUALS_FACTOR,
    MEAN_RANGE_OF_TWO,
    RANGE_FACTOR,
    RANGE_SPREAD_OF_TWO,
    RUN_TESTS,
    Chart,
    individuals_chart,
    signals,
)


def test_the_factors_are_those_of_the_tables():
    # ASTM E2587 and ISO 7870-2, a moving range of two: d2, d3, E2 (made from the rounded d2, its last digit off), D4
    factors = [MEAN_RANGE_OF_TWO, RANGE_SPREAD_OF_TWO, INDIVIDUALS_FACTOR, RANGE_FACTOR]
    np.testing.assert_allclose(factors, [1.128, 0.853, 2.660, 3.267], atol=1.5e-3)


def test_the_range_of_two_has_the_distribution_of_the_studentized_range():
    # scipy: with infinite degrees of freedom it is the range of standard normal values
    width, step = np.linspace(0.0, 14.0, 701, retstep=True)
    beyond = studentized_range.sf(width, 2, np.inf)
    mean = step * (np.sum(beyond) - 0.5 * beyond[0])
    square = step * np.sum(2 * width * beyond)
    # the trapezoids' end correction: the density of the range at nought is 1 / sqrt(pi)
    mean -= step**2 / 12 / np.sqrt(np.pi)
    assert mean == pytest.approx(MEAN_RANGE_OF_TWO, abs=1e-5)
    assert np.sqrt(square - mean**2) == pytest.approx(RANGE_SPREAD_OF_TWO, abs=1e-4)


def test_single_values_get_their_limits_from_how_far_they_move():
    # 2.66 times the mean moving range (ISO 7870-2, individuals); by hand: |2|, |-1|, |3|, |-2|: mean 2
    pair = individuals_chart([10.0, 12.0, 11.0, 14.0, 12.0])
    assert pair.spread.centre == 2.0
    assert pair.location.centre == pytest.approx(11.8)
    assert pair.location.upper == pytest.approx(11.8 + 2.66 * 2, abs=0.01)
    assert pair.location.lower == pytest.approx(11.8 - 2.66 * 2, abs=0.01)
    assert (pair.spread.lower, pair.spread.upper) == (0.0, pytest.approx(3.267 * 2, abs=0.01))


def test_two_values_make_no_chart():
    with pytest.raises(ValueError, match="three at least"):
        individuals_chart([1.0, 2.0])


# Each test of ISO 8258:1991, clause 9 (from memory), with the shortest pattern of its kind and one point short of it
PATTERNS = {
    "a point beyond a control limit": [0.1, -3.1],
    "nine points in a row on one side of the centre": [-0.5, *[0.4, 0.6] * 4, 0.5],
    "six points in a row, each higher or each lower than the one before": [1.4, 0.9, 0.6, 0.2, -0.3, -0.7],
    "fourteen points in a row going up and down in turn": [0.3, -0.3] * 7,
    "two of three points in a row farther out than two standard deviations, on one side": [2.1, 0.3, 2.5],
    "four of five points in a row farther out than one standard deviation, on one side": [-1.1, -1.5, 0.2, -1.2, -1.4],
    "fifteen points in a row within one standard deviation of the centre": [
        *[0.5, 0.5, -0.5, -0.5] * 3,
        *[0.5, 0.5, -0.5],
    ],
    "eight points in a row, none within one standard deviation of the centre": [1.3, 1.3, -1.3, -1.3] * 2,
}


def seen(points):
    """Sentences of what ends with the last point."""
    chart = Chart(np.array(points), 0.0, -3.0, 3.0)
    return [each.sentence for each in signals(chart) if each.index == len(points) - 1]


def test_every_test_has_its_pattern():
    assert [each.sentence for each in RUN_TESTS] == list(PATTERNS)


@pytest.mark.parametrize(("sentence", "points"), PATTERNS.items())
def test_a_pattern_is_seen_when_its_last_point_is_there_and_not_before(sentence, points):
    assert seen(points) == [sentence]
    assert seen(points[:-1]) == []
    assert seen([-each for each in points]) == [sentence]


def test_a_steady_bench_without_scatter_gives_no_signal():
    assert signals(individuals_chart(np.full(20, 3.0)).location) == ()


@pytest.mark.parametrize(
    ("places", "length"),
    [
        # C. W. Champ and W. H. Woodall, Technometrics 29 (1987), exact average run lengths (from memory)
        ((0,), 370.40),
        ((0, 4), 225.44),
        ((0, 5), 166.05),
    ],
    ids=["limits alone", "with two of three", "with four of five"],
)
def test_a_steady_bench_raises_a_false_alarm_as_seldom_as_published(places, length):
    runs = 3000
    points = np.random.default_rng(11).standard_normal((runs, 1500))
    flagged = np.any([RUN_TESTS[place].find(points) for place in places], axis=0)
    first = np.where(flagged.any(axis=1), np.argmax(flagged, axis=1) + 1, points.shape[1])
    # the mean of an exponential distribution that is cut off at 1500, by its rate of events (censored likelihood)
    mean = first.sum() / flagged.any(axis=1).sum()
    assert mean == pytest.approx(length, rel=4 / np.sqrt(runs))
