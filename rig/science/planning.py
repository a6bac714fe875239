"""Which trims to move, in which order, and to which readings.

The plan is the one whose worst characteristic, as a share of its limit, is smallest (a minimax problem, solved by
linear programming on the linearised characteristics, a few rounds); among plans that reach the goal, the one that
touches the fewest trims.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import combinations
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np

from rig.science.characteristics import GRID, KIND_COUNT, KINDS, characteristics, grids_of, shares_of
from rig.science.least_worst import MOST_UNKNOWNS, least_worst_bound
from rig.science.linear_programme import least_cost
from rig.science.tracking import predict
from rig.science.trims import Pivot, ScaleAboutPivot, ScaleAtInput, Shift, core_pitch, target_reading

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from rig.science.characteristics import Characteristics, Played, TrackingLimits
    from rig.science.trims import Effect

    Array = NDArray[np.float64]

CENTS = 1200.0
COARSE = 5
"""Every so many points of the grid are enough to see that trims cannot help."""
ROUNDS = 4
AS_FORESEEN = 5e-4
"""Share of a limit: a round whose every characteristic comes out this near to its programme is the last one.

A further one would move a trim by less than a thousandth of a turn, which no hand can.
"""
HOPELESS = 1.2
WORTH_A_TRIM = 0.9
"""A trim more is worth touching where the worst share falls below this part of what it was."""
SLOWEST_WATCHED_HZ = 60.0
"""Below this a counter cannot show eight readings a second that each average a few periods."""


@dataclass(frozen=True, slots=True)
class Adjuster:
    """A trim as the planner sees it.

    ``gain`` is the amount per clockwise turn; ``turns_clockwise`` and ``turns_counterclockwise`` are what may be
    left of its travel each way.
    """

    name: str
    effect: Effect
    gain: float
    gain_relative_spread: float
    turns_clockwise: float
    turns_counterclockwise: float
    pivot: Pivot | None = None


@dataclass(frozen=True, slots=True)
class PlannedMove:
    """One trim to one target: pitches in octaves re 1 Hz at the held x."""

    trim: str
    amount: float
    turns: float
    turns_standard_uncertainty: float
    held_x: float
    reading_octaves: float
    target_octaves: float
    beyond_travel: bool

    @property
    def distance_cents(self) -> float:
        """From the present reading to the target, cents."""
        return CENTS * (self.target_octaves - self.reading_octaves)


@dataclass(frozen=True, slots=True)
class Plan:
    """Moves in order, and what will remain after them."""

    moves: tuple[PlannedMove, ...]
    left_alone: tuple[str, ...]
    now: Characteristics
    remaining: Characteristics
    share_now: float
    share_after: float
    worst_musical_cents: float


def make_plan(
    parameters: Array,
    adjusters: Sequence[Adjuster],
    played: Played,
    limits: TrackingLimits,
    *,
    good_enough: float = 0.4,
) -> Plan:
    """Plan the moves from one fit.

    :param parameters: tracking parameters (4,).
    :param adjusters: the trims that may be moved, in the order in which they are to be turned.
    :param good_enough: share of the limits under which a trim is left alone.
    """
    now = characteristics(parameters, played)
    share_now = float(now.worst_share(limits))
    amounts = {} if share_now <= good_enough else _choose(parameters, adjusters, played, limits, good_enough, share_now)
    touched = [each for each in adjusters if each.name in amounts]
    moves: list[PlannedMove] = []
    state = parameters
    for adjuster in touched:
        move = plan_move(state, adjuster, amounts[adjuster.name], played)
        moves.append(move)
        state = adjuster.effect.moved(state, amounts[adjuster.name])
    remaining = characteristics(state, played)
    return Plan(
        moves=tuple(moves),
        left_alone=tuple(each.name for each in adjusters if each.name not in amounts),
        now=now,
        remaining=remaining,
        share_now=share_now,
        share_after=float(remaining.worst_share(limits)),
        worst_musical_cents=float(remaining.musical),
    )


def worst_musical_uncertainty_cents(
    plan: Plan,
    parameters: Array,
    covariance: Array,
    adjusters: Sequence[Adjuster],
    played: Played,
    *,
    draws: int = 256,
    seed: int = 1,
) -> float:
    """Standard uncertainty of the worst error over the musical range that will remain after a plan, cents.

    Fit and pivots are in doubt (Monte Carlo, JCGM 101).

    :param parameters: tracking parameters (4,) with covariance (4, 4) that the plan was made from.
    :param adjusters: all the trims that it moves, and perhaps others.
    """
    spread = _remaining_draws(parameters, covariance, adjusters, plan.moves, played, draws, seed)
    return float(np.sqrt(np.mean((spread.musical - plan.worst_musical_cents) ** 2)))


def plan_move(parameters: Array, adjuster: Adjuster, amount: float, played: Played) -> PlannedMove:
    """One move of one trim: where to hold the CV and at which pitch to stop."""
    held_x = held_position(parameters, adjuster, played)
    turns = amount / adjuster.gain
    travel = adjuster.turns_clockwise if turns > 0.0 else adjuster.turns_counterclockwise
    return PlannedMove(
        trim=adjuster.name,
        amount=amount,
        turns=turns,
        turns_standard_uncertainty=abs(turns) * adjuster.gain_relative_spread,
        held_x=held_x,
        reading_octaves=float(predict(parameters, np.array([held_x]))[0]),
        target_octaves=float(target_reading(parameters, adjuster.effect, amount, held_x)),
        beyond_travel=abs(turns) > travel,
    )


def held_position(parameters: Array, adjuster: Adjuster, played: Played) -> float:
    """CV (in octaves of the law) at which to watch a trim: where it bites most and the counter is quick.

    Scale: farthest from its pivot. Highs: the top. Base: the middle of the musical range, where leakage and dead
    time bend least.
    """
    _, high = played.full
    grid = grids_of(played).full
    quick = grid[predict(parameters, grid) >= np.log2(SLOWEST_WATCHED_HZ)]
    watched = quick if quick.size else grid[-1:]
    if isinstance(adjuster.effect, ScaleAboutPivot):
        pivot = float(np.mean(adjuster.effect.pivot_octaves))
        return float(watched[int(np.argmax(np.abs(core_pitch(parameters, watched) - pivot)))])
    if isinstance(adjuster.effect, ScaleAtInput):
        return float(watched[int(np.argmax(np.abs(watched)))])
    if isinstance(adjuster.effect, Shift):
        middle = sum(played.musical) / 2.0
        return float(watched[int(np.argmin(np.abs(watched - middle)))])
    return high


@dataclass(frozen=True, slots=True)
class _Linear:
    """Shares of the limits at one state, (n,), in the order of ``KINDS``, and their derivatives by turns, by trim."""

    here: Array
    slopes: Mapping[str, Array]

    def columns(self, adjusters: Sequence[Adjuster]) -> Array:
        """Derivatives by the turns of these trims, (n, trims)."""
        return np.stack([self.slopes[each.name] for each in adjusters], axis=1)

    def possible(self) -> bool:
        """Whether an oscillator could be like that."""
        return all(bool(np.isfinite(each).all()) for each in (self.here, *self.slopes.values()))


FEW = np.flatnonzero(np.concatenate([[True], *[np.arange(GRID) % COARSE == 0] * 2, [True, True]]))


def _linearised(
    state: Array,
    here: Array,
    adjusters: Sequence[Adjuster],
    played: Played,
    limits: TrackingLimits,
) -> _Linear:
    little = 1e-3
    moved = np.stack([each.effect.moved(state, little * abs(each.gain)) for each in adjusters])
    slopes = (shares_of(moved, played, limits) - here) / little
    return _Linear(here, {each.name: slope for each, slope in zip(adjusters, slopes, strict=True)})


def _choose(
    parameters: Array,
    adjusters: Sequence[Adjuster],
    played: Played,
    limits: TrackingLimits,
    good_enough: float,
    share_now: float,
) -> Mapping[str, float]:
    """The fewest trims that reach the goal, or that come as near to it as all together; none where none help."""
    if not adjusters:
        return {}
    start = _linearised(parameters, shares_of(parameters, played, limits), adjusters, played, limits)
    best, best_share = minimax(parameters, adjusters, played, limits, start=start)
    goal = max(good_enough, best_share / WORTH_A_TRIM)
    if best_share >= WORTH_A_TRIM * share_now:
        return {}
    for size in range(1, len(adjusters)):
        tried = [
            minimax(parameters, chosen, played, limits, hopeless=HOPELESS * goal, start=start)
            for chosen in combinations(adjusters, size)
            if size > MOST_UNKNOWNS or least_worst_bound(start.here[FEW], start.columns(chosen)[FEW]) <= HOPELESS * goal
        ]
        amounts, share = min(tried, key=lambda each: each[1], default=(best, float("inf")))
        if share <= goal:
            return amounts
    return best


def minimax(
    parameters: Array,
    adjusters: Sequence[Adjuster],
    played: Played,
    limits: TrackingLimits,
    *,
    hopeless: float = float("inf"),
    start: _Linear | None = None,
) -> tuple[Mapping[str, float], float]:
    """Amounts of the given trims for which the worst share of the limits is smallest, and that share.

    Each round solves a linear programme in the linearised characteristics: minimise t with |share| <= t_kind <= t,
    plus a small price on every t_kind so that nothing is left wrong behind the worst one.

    :param hopeless: a share above which, after a round, these trims are not followed any further.
    :param start: the characteristics linearised at ``parameters``, where they are known already.
    """
    steps = np.array([abs(each.gain) for each in adjusters])
    amounts = np.zeros(len(adjusters))
    share = float("inf")
    linear = start or _linearised(parameters, shares_of(parameters, played, limits), adjusters, played, limits)
    for _ in range(ROUNDS):
        if not linear.possible():
            # there is nothing to plan
            return {}, float("inf")
        columns = linear.columns(adjusters)
        change = _linear_programme(linear.here, columns)
        amounts = amounts + change
        state = _moved(parameters, adjusters, amounts * steps)
        shares = shares_of(state, played, limits)
        share = float(np.abs(shares).max())
        if not isfinite(share):
            return {}, float("inf")
        foreseen = linear.here + columns @ change
        if np.abs(shares - foreseen).max() < AS_FORESEEN or share > hopeless:
            break
        linear = _linearised(state, shares, adjusters, played, limits)
    return {each.name: float(value) for each, value in zip(adjusters, amounts * steps, strict=True)}, share


def _moved(parameters: Array, adjusters: Sequence[Adjuster], amounts: Array) -> Array:
    state = parameters
    for adjuster, amount in zip(adjusters, amounts, strict=True):
        state = adjuster.effect.moved(state, float(amount))
    return state


@cache
def _skeleton() -> tuple[NDArray[np.intp], Array, Array]:
    """What all programmes have in common: which row stands where, with which sign, and the columns of the worsts."""
    by_kind = [np.flatnonzero(kind == KINDS) for kind in range(KIND_COUNT)]
    which = np.concatenate([rows for each in by_kind for rows in (each, each)])
    sign = np.concatenate([np.full(each.size, sign) for each in by_kind for sign in (1.0, -1.0)])
    own = np.zeros((which.size, KIND_COUNT + 1))
    own[np.arange(which.size), KINDS[which]] = -1.0
    below_worst = np.hstack([np.eye(KIND_COUNT), -np.ones((KIND_COUNT, 1))])
    return which, sign, np.vstack([own, below_worst])


def _linear_programme(here: Array, columns: Array) -> Array:
    trims = columns.shape[1]
    which, sign, worsts = _skeleton()
    moved = np.vstack([sign[:, None] * columns[which], np.zeros((KIND_COUNT, trims))])
    worst_count = KIND_COUNT + 1
    solution = least_cost(
        np.concatenate([np.zeros(trims), np.full(KIND_COUNT, 0.02), [1.0]]),
        np.hstack([moved, worsts]),
        np.concatenate([-sign * here[which], np.zeros(KIND_COUNT)]),
        np.concatenate([np.full(trims, -np.inf), np.zeros(worst_count)]),
        np.full(trims + worst_count, np.inf),
    )
    return solution[:trims]


def _remaining_draws(
    parameters: Array,
    covariance: Array,
    adjusters: Sequence[Adjuster],
    moves: Sequence[PlannedMove],
    played: Played,
    draws: int,
    seed: int,
) -> Characteristics:
    generator = np.random.default_rng(seed)
    states = generator.multivariate_normal(parameters, covariance, size=draws, method="svd")
    named = {each.name: each for each in adjusters}
    for move in moves:
        adjuster = named[move.trim]
        effect = adjuster.effect
        if adjuster.pivot is not None:
            effect = ScaleAboutPivot(
                generator.normal(adjuster.pivot.octaves, adjuster.pivot.standard_uncertainty, size=draws)
            )
        held = predict(states, np.array([move.held_x]))[..., 0]
        seen = effect.amount_seen(states, move.held_x, held + move.target_octaves - move.reading_octaves)
        # a pivot drawn near the held CV would ask for endless turns; no hand goes past twice the plan
        amount = np.clip(seen, -2.0 * abs(move.amount), 2.0 * abs(move.amount))
        states = effect.moved(states, amount)
    return characteristics(states, played)
