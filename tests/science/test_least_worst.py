"""How small the worst can be made: the bound of the planner against a general solver of linear programmes."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from rig.science.least_worst import least_worst_bound


def solved(values, slopes):
    """Smallest max |values + slopes @ a|, by scipy.optimize.linprog."""
    ones = np.ones((values.size, 1))
    answer = linprog(
        [*np.zeros(slopes.shape[1]), 1.0],
        A_ub=np.vstack([np.hstack([slopes, -ones]), np.hstack([-slopes, -ones])]),
        b_ub=np.concatenate([-values, values]),
        bounds=[(None, None)] * slopes.shape[1] + [(0.0, None)],
    )
    assert answer.x is not None
    return float(answer.x[-1])


def problem(seed, rows, unknowns):
    generator = np.random.default_rng(seed)
    return generator.normal(size=rows), generator.normal(size=(rows, unknowns))


@given(st.integers(0, 10_000), st.integers(3, 15), st.sampled_from([1, 2]))
def test_over_all_rows_the_bound_is_what_a_linear_programme_finds(seed, rows, unknowns):
    values, slopes = problem(seed, rows, unknowns)
    assert least_worst_bound(values, slopes) == pytest.approx(solved(values, slopes), rel=1e-6, abs=1e-9)


@given(st.integers(0, 10_000), st.sampled_from([1, 2]))
def test_over_some_rows_it_is_never_above_it(seed, unknowns):
    values, slopes = problem(seed, 30, unknowns)
    assert least_worst_bound(values[::4], slopes[::4]) <= solved(values, slopes) + 1e-9


def test_what_no_trim_moves_stays_as_it_is():
    assert least_worst_bound(np.array([3.0, -1.0]), np.array([[0.0], [1.0]])) == pytest.approx(3.0)


def test_three_unknowns_are_refused():
    with pytest.raises(ValueError, match="one or two unknowns, not 3"):
        least_worst_bound(np.zeros(5), np.zeros((5, 3)))
