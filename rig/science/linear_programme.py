"""Small linear programmes, by library solvers.

First a dual active-set method, which is at home with a few unknowns (DAQP; D. Arnström, A. Bemporad and D. Axehill, A
dual active-set solver for embedded quadratic programming using recursive LDL^T updates, 2022), its answer proved by
duality; where it has none, or the proof does not hold, the simplex method (HiGHS, as SciPy has it; Q. Huangfu and
J. A. J. Hall, Parallelizing the dual revised simplex method, 2018).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import daqp
import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

SOLVED = 1
PROXIMITY = 1e-4
"""A linear cost has no curvature of its own: each step stays near the last one, until they are the same."""
FEASIBLE = 1e-9
"""How far a row may be overstepped, of the largest right side."""
PROVED = 1e-7
"""How nearly the costs must be balanced by the rows, and the least cost met from below, both scaled to about 1."""


def least_cost(costs: Array, rows: Array, at_most: Array, lowest: Array, highest: Array) -> Array:
    """Unknowns of the least cost.

    Minimise costs . v with rows v <= at_most and lowest <= v <= highest, the bounds infinite where there are none.

    :param costs: (n,). ``rows`` is (m, n), ``at_most`` (m,), ``lowest`` and ``highest`` (n,).
    :raises ValueError: nothing satisfies the rows, or the cost falls without end.
    """
    quick = _by_active_set(costs, rows, at_most, lowest, highest)
    return quick if quick is not None else _by_simplex(costs, rows, at_most, lowest, highest)


def _by_active_set(costs: Array, rows: Array, at_most: Array, lowest: Array, highest: Array) -> Array | None:
    """The unknowns where they are found and proved, else None. Every unknown and every row is scaled to about 1."""
    count = costs.size
    size = np.abs(rows).max(axis=0)
    size[size == 0.0] = 1.0
    reach = float(np.abs(at_most).max()) or 1.0
    scaled_costs, scaled_rows = costs / size, np.ascontiguousarray(rows / size)
    upper = np.concatenate([highest * size, at_most]) / reach
    lower = np.concatenate([lowest * size / reach, np.full(at_most.size, -np.inf)])
    unknowns, _, ended, seen = daqp.solve(
        np.zeros((count, count)),
        scaled_costs,
        scaled_rows,
        upper,
        lower,
        np.zeros(upper.size, dtype=np.int32),
        primal_tol=FEASIBLE,
        eps_prox=PROXIMITY,
    )
    if ended != SOLVED:
        return None
    prices = np.asarray(seen["lam"])
    active = prices != 0.0
    unbalanced = np.abs(scaled_costs + prices[:count] + prices[count:] @ scaled_rows).max()
    gap = abs(scaled_costs @ unknowns + prices[active] @ np.where(prices > 0.0, upper, lower)[active])
    return unknowns * (reach / size) if unbalanced < PROVED and gap < PROVED else None


def _by_simplex(costs: Array, rows: Array, at_most: Array, lowest: Array, highest: Array) -> Array:
    solution = milp(costs, constraints=LinearConstraint(rows, -np.inf, at_most), bounds=Bounds(lowest, highest))
    if solution.x is None:
        raise ValueError(f"the linear programme has no solution: {solution.message}")
    return np.asarray(solution.x, dtype=np.float64)
