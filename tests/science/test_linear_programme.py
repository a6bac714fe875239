"""Small linear programmes against a general solver: scipy.optimize.linprog (HiGHS)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from rig.science import linear_programme
from rig.science.linear_programme import least_cost


def worst_of(values, slopes):
    """The programme of the smallest t with |values + slopes @ a| <= t."""
    unknowns = slopes.shape[1]
    ones = np.ones((values.size, 1))
    return (
        np.array([*np.zeros(unknowns), 1.0]),
        np.vstack([np.hstack([slopes, -ones]), np.hstack([-slopes, -ones])]),
        np.concatenate([-values, values]),
        np.array([*np.full(unknowns, -np.inf), 0.0]),
        np.full(unknowns + 1, np.inf),
    )


def reference(costs, rows, at_most, lowest, highest):
    answer = linprog(costs, A_ub=rows, b_ub=at_most, bounds=np.column_stack([lowest, highest]))
    assert answer.x is not None
    return answer.fun


@given(st.integers(0, 100_000), st.integers(3, 40), st.integers(1, 4), st.floats(-4.0, 4.0), st.booleans())
def test_the_least_worst_is_that_of_a_general_solver_whatever_the_sizes(seed, rows, unknowns, decades, nothing_moves):
    generator = np.random.default_rng(seed)
    values, slopes = generator.normal(size=rows) * 10.0**decades, generator.normal(size=(rows, unknowns))
    slopes *= 10.0 ** generator.uniform(-3.0, 3.0, size=unknowns)
    if nothing_moves:
        slopes[:, 0] = 0.0
    programme = worst_of(values, slopes)
    found = least_cost(*programme)
    assert programme[0] @ found == pytest.approx(reference(*programme), rel=1e-5, abs=1e-6 * 10.0**decades)
    assert np.all(programme[1] @ found <= programme[2] + 1e-6 * 10.0**decades)


def test_two_trims_that_do_the_same_share_the_work():
    values, slope = np.array([3.0, -1.0, 2.0]), np.array([[1.0], [-1.0], [0.5]])
    alone, together = worst_of(values, slope), worst_of(values, np.hstack([slope, 2.0 * slope]))
    assert together[0] @ least_cost(*together) == pytest.approx(alone[0] @ least_cost(*alone), abs=1e-9)


@given(st.integers(0, 100_000), st.integers(3, 20))
def test_what_the_quick_method_cannot_prove_is_solved_by_the_thorough_one(seed, rows):
    generator = np.random.default_rng(seed)
    programme = worst_of(generator.normal(size=rows), generator.normal(size=(rows, 2)))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(linear_programme, "PROVED", 0.0)
        thorough = least_cost(*programme)
    assert programme[0] @ least_cost(*programme) == pytest.approx(programme[0] @ thorough, rel=1e-6, abs=1e-9)


def test_rows_that_nothing_satisfies_are_refused():
    with pytest.raises(ValueError, match="no solution"):
        least_cost(np.ones(1), np.array([[1.0], [-1.0]]), np.array([-1.0, -1.0]), np.array([-9.0]), np.array([9.0]))


def test_a_cost_that_falls_without_end_is_refused():
    with pytest.raises(ValueError, match="no solution"):
        least_cost(-np.ones(1), np.array([[-1.0]]), np.zeros(1), np.zeros(1), np.full(1, np.inf))
