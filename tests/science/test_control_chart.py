"""Control charts: constants against published tables and other programs' integrals, limits, and tests in words."""

import numpy as np
import pytest
from scipy.stats import studentized_range

from rig.science.control_chart import (
    RUN_TESTS,
    Chart,
    c4,
    d2,
    d3,
    factors,
    individuals_chart,
    mean_and_deviation_chart,
    mean_and_range_chart,
    signals,
)

# Factors for computing control chart lines, as ASTM E2587 and ISO 7870-2 have them; copied from a handbook's table of
# them (statistical tables A.22): n, A2, A3, c4, B3, B4, d2, d3, D3, D4
TABLE = np.loadtxt(
    """
    2  1.880 2.659 0.7979 0.000 3.267 1.128 0.853 0.000 3.267
    3  1.023 1.954 0.8862 0.000 2.568 1.693 0.888 0.000 2.574
    4  0.729 1.628 0.9213 0.000 2.266 2.059 0.880 0.000 2.282
    5  0.577 1.427 0.9400 0.000 2.089 2.326 0.864 0.000 2.114
    6  0.483 1.287 0.9515 0.030 1.970 2.534 0.848 0.000 2.004
    7  0.419 1.182 0.9594 0.118 1.882 2.704 0.833 0.076 1.924
    8  0.373 1.099 0.9650 0.185 1.815 2.847 0.820 0.136 1.864
    9  0.337 1.032 0.9693 0.239 1.761 2.970 0.808 0.184 1.816
    10 0.308 0.975 0.9727 0.284 1.716 3.078 0.797 0.223 1.777
    15 0.223 0.789 0.9823 0.428 1.572 3.472 0.756 0.347 1.653
    20 0.180 0.680 0.9869 0.510 1.490 3.735 0.729 0.415 1.585
    """.strip().splitlines()
)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"n={row[0]:.0f}")
def test_the_constants_computed_from_their_integrals_are_those_of_the_table(row):
    count, made = int(row[0]), factors(int(row[0]))
    # the tables were made from d2 and d3 rounded to three digits: their last digit is one off in places
    computed = [made.a2, made.a3, c4(count), made.b3, made.b4, d2(count), d3(count), made.d3, made.d4]
    np.testing.assert_allclose(computed, row[1:], atol=1.5e-3)
    assert d2(count) == pytest.approx(row[6], abs=5.1e-4)
    assert c4(count) == pytest.approx(row[3], abs=5.1e-5)


def test_the_range_of_two_and_of_three_is_known_in_closed_form():
    assert d2(2) == pytest.approx(2 / np.sqrt(np.pi), abs=1e-12)
    assert d3(2) == pytest.approx(np.sqrt(2 - 4 / np.pi), abs=1e-12)
    assert d2(3) == pytest.approx(3 / np.sqrt(np.pi), abs=1e-12)


@pytest.mark.parametrize("count", [5, 25])
def test_the_range_has_the_distribution_of_the_studentized_range(count):
    # scipy: with infinite degrees of freedom it is the range of standard normal values
    width, step = np.linspace(0.0, 14.0, 701, retstep=True)
    beyond = studentized_range.sf(width, count, np.inf)
    mean = step * (np.sum(beyond) - 0.5 * beyond[0])
    assert d2(count) == pytest.approx(mean, abs=1e-5)
    square = step * np.sum(2 * width * beyond)
    assert d3(count) == pytest.approx(np.sqrt(square - mean**2), abs=1e-4)


@pytest.mark.parametrize("count", [0, 1, 101])
def test_a_subgroup_of_one_has_no_range(count):
    with pytest.raises(ValueError, match="a subgroup has 2 to 100 values"):
        d2(count)


def test_single_values_get_their_limits_from_how_far_they_move():
    # 2.66 times the mean moving range (ISO 7870-2, individuals); by hand: |2|, |-1|, |3|, |-2|: mean 2
    pair = individuals_chart([10.0, 12.0, 11.0, 14.0, 12.0])
    assert pair.spread.centre == 2.0
    assert pair.location.centre == pytest.approx(11.8)
    assert pair.location.upper == pytest.approx(11.8 + 2.66 * 2, abs=0.01)
    assert pair.location.lower == pytest.approx(11.8 - 2.66 * 2, abs=0.01)
    assert (pair.spread.lower, pair.spread.upper) == (0.0, pytest.approx(3.267 * 2, abs=0.01))


def test_means_get_their_limits_from_the_spread_within():
    values = np.array([[4.0, 6.0, 5.0, 7.0], [5.0, 5.0, 6.0, 8.0], [3.0, 6.0, 4.0, 5.0]])
    ranges, deviations = mean_and_range_chart(values), mean_and_deviation_chart(values)
    assert ranges.location.upper == pytest.approx(values.mean() + 0.729 * 3.0, abs=2e-3)
    assert ranges.spread.upper == pytest.approx(2.282 * 3.0, abs=2e-3)
    mean_deviation = np.mean(np.std(values, axis=1, ddof=1))
    assert deviations.location.lower == pytest.approx(values.mean() - 1.628 * mean_deviation, abs=2e-3)
    assert deviations.spread.upper == pytest.approx(2.266 * mean_deviation, abs=2e-3)


@pytest.mark.parametrize("chart", [mean_and_range_chart, mean_and_deviation_chart])
@pytest.mark.parametrize("values", [[[1.0], [2.0]], [[1.0, 2.0]], [[1.0, np.nan], [1.0, 2.0]]])
def test_too_little_makes_no_chart(chart, values):
    with pytest.raises(ValueError, match="subgroup"):
        chart(values)


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
    runs = 6000
    points = np.random.default_rng(11).standard_normal((runs, 1500))
    flagged = np.any([RUN_TESTS[place].find(points) for place in places], axis=0)
    first = np.where(flagged.any(axis=1), np.argmax(flagged, axis=1) + 1, points.shape[1])
    # the mean of an exponential distribution that is cut off at 1500, by its rate of events (censored likelihood)
    mean = first.sum() / flagged.any(axis=1).sum()
    assert mean == pytest.approx(length, rel=4 / np.sqrt(runs))
