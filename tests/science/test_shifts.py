"""EWMA and cumulative sums against a textbook's table, published run lengths, and what their definitions say."""

from __future__ import annotations

from math import exp

import numpy as np
import pytest

from rig.science.shifts import (
    DECISION,
    REFERENCE,
    cumulative_sums,
    ewma,
    first_shift,
    self_started,
)

# D. C. Montgomery, Introduction to Statistical Quality Control, table 9.1: 20 values of N(10, 1), then 10 of N(11, 1)
EXAMPLE = np.array(
    [
        *(9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08),
        *(9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52),
    ]
)
# the same, table 9.2: upper sums of periods 1 to 29 for k = 0.5
UPPER = [
    *(0.0, 0.0, 0.0, 1.16, 2.82, 2.50, 0.04, 1.00, 0.0, 0.0, 0.0, 0.97, 0.98, 0.0, 0.0),
    *(0.0, 0.12, 0.0, 0.0, 0.34, 0.74, 0.0, 1.79, 2.79, 2.89, 3.47, 3.35, 4.47, 5.28),
]


def test_cumulative_sums_are_those_of_the_table_and_date_the_shift():
    sums = cumulative_sums(EXAMPLE - 10.0, 0.5)
    np.testing.assert_allclose(sums.above[:29], UPPER, atol=0.0051)
    # the sum passes 5 at period 29, and has been above nought for seven: the shift came between 22 and 23
    assert int(np.flatnonzero(sums.above > 5.0)[0]) == 28
    assert int(sums.above_since[28]) == 22


def test_the_ewma_chart_has_the_limits_of_the_textbook_and_sees_the_same_shift():
    # the same example, weight 0.1 and 2.7 sigmas: limits settle at 9.38 and 10.62 (table 9.10; from memory)
    chart = ewma(EXAMPLE, 10.0, 1.0, weight=0.1, sigmas=2.7)
    assert chart.points[0] == pytest.approx(9.945)
    assert chart.points[1] == pytest.approx(0.1 * 7.99 + 0.9 * 9.945)
    assert (chart.lower[-1], chart.upper[-1]) == pytest.approx((9.38, 10.62), abs=0.005)
    assert int(np.flatnonzero(chart.points > chart.upper)[0]) == 28


def average_run(reference: float, decision: float, shift: float = 0.0) -> float:
    """Mean number of values until a two-sided cumulative sum speaks, by D. Siegmund's approximation (1985).

    ``shift`` of the mean, in standard deviations; 0 gives the run between false alarms.
    """
    width, drifts = decision + 1.166, (shift - reference, -shift - reference)
    runs = [
        (exp(-2.0 * drift * width) + 2.0 * drift * width - 1.0) / (2.0 * drift**2) if drift else width**2
        for drift in drifts
    ]
    return 1.0 / sum(1.0 / run for run in runs)


@pytest.mark.parametrize(
    ("decision", "shift", "published"), [(4.0, 0.0, 168), (5.0, 0.0, 465), (4.0, 1.0, 8.38), (5.0, 1.0, 10.4)]
)
def test_run_lengths_are_the_published_ones(decision: float, shift: float, published: float):
    # Montgomery, chapter 9, for k = 0.5 (after D. M. Hawkins, 1993); Siegmund's formula comes within some percent
    assert average_run(0.5, decision, shift) == pytest.approx(published, rel=0.03)


def test_a_steady_process_of_which_nothing_is_known_gives_standard_normal_deviates():
    deviations = self_started(np.random.default_rng(4).normal(50.0, 3.0, size=4000))[10:]
    assert np.mean(deviations) == pytest.approx(0.0, abs=0.06)
    assert np.std(deviations) == pytest.approx(1.0, abs=0.05)
    assert abs(np.corrcoef(deviations[:-1], deviations[1:])[0, 1]) < 0.06


def test_false_alarms_come_as_seldom_as_the_run_length_says():
    batches = np.random.default_rng(5).normal(size=(300, 200))
    share = np.mean([first_shift(each) is not None for each in batches])
    # 200 values in a mean run of about 9500: 2 %
    assert share == pytest.approx(200.0 / average_run(REFERENCE, DECISION), abs=0.025)


@pytest.mark.parametrize("first", [0.0, 0.2, 1.0])
def test_a_drift_is_seen_and_dated_even_with_a_faulty_unit_before_it(first: float):
    values = np.random.default_rng(6).normal(size=160)
    values[:3] *= first  # a start that looks too good
    values[30] += 60.0
    values[80:] -= 0.06 * np.arange(80)
    shift = first_shift(values)
    assert shift is not None
    assert not shift.upwards
    assert 75 <= shift.since <= 110
    assert shift.seen <= 130


def test_one_faulty_unit_is_no_shift():
    values = np.random.default_rng(7).normal(size=150)
    values[[20, 90]] = [80.0, -70.0]
    assert first_shift(values) is None


def test_an_ewma_needs_a_weight():
    with pytest.raises(ValueError, match="weight"):
        ewma([1.0], 0.0, 1.0, weight=0.0)
