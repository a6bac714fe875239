"""Scale, highs and base together: plan from one sweep, move one trim to its target, look again, learn."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from rig.acquire import PitchWatch
from rig.diagnosis import out_of_travel
from rig.operators.port import TurnEnd
from rig.product import TrimKind
from rig.recommend import cv_of, expected_pivot, plan_tracking
from rig.science.tracking import Prior
from rig.science.trims import LEAKAGE, Pivot, learn_pivot
from rig.stages.moves import turn_to_pitch
from rig.stages.survey import resting_controls, short_sweep

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rig.acquire import Acquisition
    from rig.assess import SweepAssessment
    from rig.diagnosis import Cause
    from rig.operators.port import Operator
    from rig.records import Recorder
    from rig.science.planning import Plan, PlannedMove
    from rig.stages.moves import Made

TOLERANCE_CENTS = 0.3
MOVES_A_TRIM = 5
CURABLE_SHARE = 1.0
BETWEEN_SWEEPS_OCTAVES = 0.1 / 1200.0
"""Warmth and wander between two sweeps, allowed for before they are compared."""


@dataclass(slots=True)
class Tracking:
    """Where the adjustment of the tracking stands."""

    assessed: SweepAssessment
    pivots: dict[str, Pivot] = field(default_factory=dict)
    stuck: set[str] = field(default_factory=set)
    causes: list[Cause] = field(default_factory=list)
    moves: Counter[str] = field(default_factory=Counter)


def adjust_tracking(
    acquisition: Acquisition, operator: Operator, recorder: Recorder, assessed: SweepAssessment
) -> Tracking:
    """Move scale, highs and base until nothing is left worth moving, or no trim can help."""
    product = acquisition.product
    state = Tracking(assessed)
    for name, trim in product.trims.items():
        if trim.kind is TrimKind.SCALE_COMMON:
            state.pivots[name] = expected_pivot(trim)
    while True:
        plan = plan_tracking(state.assessed, product, state.pivots, frozenset(state.stuck))
        move = _next(plan, state)
        if move is None:
            return state
        if move.beyond_travel:
            _give_up_on(state, move, product.trims[move.trim].label)
            continue
        made = _make(acquisition, operator, recorder, move)
        state.moves[move.trim] += 1
        _look_again(acquisition, operator, recorder, state, move)
        if made.end is TurnEnd.END_STOP:
            _note_end_stop(state, move, made, product.trims[move.trim].label)


def _next(plan: Plan, state: Tracking) -> PlannedMove | None:
    if plan.share_after > CURABLE_SHARE and not state.moves and state.causes:
        return None
    return next((move for move in plan.moves if state.moves[move.trim] < MOVES_A_TRIM), None)


def _give_up_on(state: Tracking, move: PlannedMove, label: str) -> None:
    state.stuck.add(move.trim)
    state.causes.append(out_of_travel(label, move.turns))


def _note_end_stop(state: Tracking, move: PlannedMove, made: Made, label: str) -> None:
    left = move.turns - (made.turns or 0.0)
    _give_up_on(state, move, label)
    state.causes[-1] = out_of_travel(label, left if left * move.turns > 0.0 else move.turns)


def _make(acquisition: Acquisition, operator: Operator, recorder: Recorder, move: PlannedMove) -> Made:
    watch = PitchWatch(acquisition, cv_of(acquisition.product, move.held_x), move.target_octaves, TOLERANCE_CENTS)
    controls = resting_controls(acquisition)
    return turn_to_pitch(acquisition, operator, recorder, move.trim, move.turns, watch, controls)


def _look_again(
    acquisition: Acquisition, operator: Operator, recorder: Recorder, state: Tracking, move: PlannedMove
) -> None:
    kind = acquisition.product.trims[move.trim].kind
    before = state.assessed
    acquisition.bench.clock.sleep(acquisition.measuring.settle_floor_s)
    after = short_sweep(acquisition, operator, recorder, "after_move", _kept(before, kind))
    if kind is TrimKind.SCALE_COMMON:
        wander = np.zeros((4, 4))
        wander[0, 0] = BETWEEN_SWEEPS_OCTAVES**2
        state.pivots[move.trim] = learn_pivot(
            before.parameters,
            before.covariance + wander,
            after.parameters,
            after.covariance,
            state.pivots[move.trim],
        )
    state.assessed = after


def _kept(before: SweepAssessment, kind: TrimKind) -> Prior:
    """What a move leaves as it was: leakage always, dead time unless the highs trim was turned."""
    variance = np.full(4, np.inf)
    variance[LEAKAGE] = before.covariance[LEAKAGE, LEAKAGE]
    if kind is not TrimKind.HIGHS:
        variance[3] = before.covariance[3, 3]
    return Prior(before.parameters, _diagonal(variance))


def _diagonal(variance: NDArray[np.float64]) -> NDArray[np.float64]:
    matrix = np.zeros((variance.size, variance.size))
    np.fill_diagonal(matrix, variance)
    return matrix
