"""Where to set the reference rail: it feeds the octave switch, so it averages the divider's real errors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.science.linear_programme import least_cost

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

CENTS = 1200.0


@dataclass(frozen=True, slots=True)
class RailPlan:
    """Where to set the rail so that the worst octave step is smallest; errors in cents, by position."""

    target_v: float
    errors_now_cents: Array
    errors_after_cents: Array
    steps_octaves: Array
    nominal_octaves: Array

    @property
    def worst_now_cents(self) -> float:
        """Largest step error now."""
        return float(np.max(np.abs(self.errors_now_cents)))

    @property
    def worst_after_cents(self) -> float:
        """Largest step error with the rail at its target."""
        return float(np.max(np.abs(self.errors_after_cents)))

    def odd_position(self) -> int:
        """Position that fits the others least."""
        steps, nominal = self.steps_octaves, self.nominal_octaves
        if steps.size < 3:
            return int(np.argmax(np.abs(steps - nominal)))
        without = []
        for k in range(steps.size):
            others, wanted = np.delete(steps, k), np.delete(nominal, k)
            without.append(np.max(np.abs(_best_ratio(others, wanted, 0.5, 2.0) * others - wanted)))
        return int(np.argmin(without))


def plan_rail(
    steps_octaves: Array, nominal_octaves: Array, rail_v: float, lowest_v: float, highest_v: float
) -> RailPlan:
    """Rail voltage that averages the divider's real errors: every step is a share of the rail.

    Minimise t with |1200 (q step_k - nominal_k)| <= t over q = rail / rail now, inside the permitted rail.

    :param steps_octaves: measured steps from the lowest position, shape (k,), none of them zero.
    """
    ratio = _best_ratio(steps_octaves, nominal_octaves, lowest_v / rail_v, highest_v / rail_v)
    after = CENTS * (ratio * steps_octaves - nominal_octaves)
    return RailPlan(
        target_v=rail_v * ratio,
        errors_now_cents=CENTS * (steps_octaves - nominal_octaves),
        errors_after_cents=after,
        steps_octaves=steps_octaves,
        nominal_octaves=nominal_octaves,
    )


def _best_ratio(steps: Array, nominal: Array, lowest: float, highest: float) -> float:
    ones = np.ones((steps.size, 1))
    columns = np.vstack([np.hstack([steps[:, None], -ones]), np.hstack([-steps[:, None], -ones])])
    solution = least_cost(
        np.array([0.0, 1.0]),
        columns,
        np.concatenate([nominal, -nominal]),
        np.array([lowest, 0.0]),
        np.array([highest, np.inf]),
    )
    return float(solution[0])
