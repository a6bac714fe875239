"""Small linear programmes, by a library solver (HiGHS, as SciPy has it; Q. Huangfu and J. A. J. Hall, 2018)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


def least_cost(costs: Array, rows: Array, at_most: Array, lowest: Array, highest: Array) -> Array:
    """Unknowns of the least cost.

    Minimise costs . v with rows v <= at_most and lowest <= v <= highest, the bounds infinite where there are none.

    :param costs: (n,). ``rows`` is (m, n), ``at_most`` (m,), ``lowest`` and ``highest`` (n,).
    :raises ValueError: nothing satisfies the rows, or the cost falls without end.
    """
    # the same solver as behind scipy.optimize.linprog, which dresses so small a programme for longer than it is solved
    solution = milp(costs, constraints=LinearConstraint(rows, -np.inf, at_most), bounds=Bounds(lowest, highest))
    if solution.x is None:
        raise ValueError(f"the linear programme has no solution: {solution.message}")
    return np.asarray(solution.x, dtype=np.float64)
