"""How small the worst of several linear quantities can be made: a bound that costs next to nothing.

Source: C. J. de la Vallée Poussin, 1911 (best approximation in the sense of Chebyshev); it is the duality of linear
programming for groups of one row more than there are unknowns.
"""

from __future__ import annotations

from functools import cache
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

MOST_UNKNOWNS = 2


def least_worst_bound(values: Array, slopes: Array) -> float:
    """Lower bound of the smallest max |values + slopes @ a| over all a; over all rows it is that smallest worst itself.

    For a group of rows whose slopes are dependent with factors w, w @ (values + slopes @ a) = w @ values for every a,
    so that the worst of the group is |w @ values| / sum |w| at least.

    :param values: (n,); ``slopes`` is (n, k) with k = 1 or 2.
    :raises ValueError: there are more unknowns than that.
    """
    unknowns = slopes.shape[1]
    if not 1 <= unknowns <= MOST_UNKNOWNS:
        raise ValueError(f"the bound is for one or two unknowns, not {unknowns}")
    groups = _groups(values.size, unknowns + 1)
    rows = slopes[groups]
    if unknowns == 1:
        factors = np.stack([rows[:, 1, 0], -rows[:, 0, 0]])
    else:
        one, two = rows[:, :, 0].T, rows[:, :, 1].T
        factors = np.stack([one[i] * two[j] - one[j] * two[i] for i, j in ((1, 2), (2, 0), (0, 1))])
    sizes = np.sum(np.abs(factors), axis=0)
    sums = np.abs(np.sum(factors * values[groups].T, axis=0))
    of_groups = np.divide(sums, sizes, out=np.zeros_like(sums), where=sizes > 0.0)
    unmoved = np.abs(values[~np.any(slopes, axis=1)])
    return float(max(np.max(of_groups, initial=0.0), np.max(unmoved, initial=0.0)))


@cache
def _groups(rows: int, size: int) -> NDArray[np.intp]:
    return np.array(list(combinations(range(rows), size)), dtype=np.intp).reshape(-1, size)
