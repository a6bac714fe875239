"""What scale, highs and base have in common: plan from one sweep, move one trim to its target, look again, learn."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from rig.diagnosis import out_of_travel
from rig.operators.port import TurnEnd
from rig.product import NEEDED_TRIMS, StageName, TrimKind
from rig.recommend import adjusters_of, cv_of, plan_tracking, played_of
from rig.science.learning import TrimKnowledge, amount_moved, combine, pivot_observation
from rig.science.planning import plan_move
from rig.science.shapes import Candidate, Shape, which_trim
from rig.science.tracking import CORE, DEAD_TIME, LEAKAGE, Prior, predict
from rig.stages.moves import Aim, learned_gain, moved_surely, not_at_its_end, turn_to_pitch, turned_in_vain
from rig.stages.rail import stood
from rig.stages.survey import read_rail, resting_controls, short_sweep
from rig.watch import PitchWatch

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rig.acquire import Acquisition
    from rig.assess import SweepAssessment
    from rig.diagnosis import Cause
    from rig.operators.port import Operator
    from rig.product import Product
    from rig.records import Recorder
    from rig.science.planning import Plan, PlannedMove
    from rig.stages.moves import Made

    Array = NDArray[np.float64]

TOLERANCE_CENTS = 0.25
HIGHS_TOLERANCE_CENTS = 0.1
"""A turn of a highs trim does little: a hand can be that fine, where scale moves a third of a cent a hundredth turn."""
TRACKING_STAGES = (StageName.SCALE, StageName.HIGHS, StageName.BASE)
WORTH_TURNING = 1.2
SURE = 0.95
"""Probability from which another trim is said to have been turned."""
TURNS_BY_MISTAKE = 4.0
MOVES_A_TRIM = 5
BETWEEN_SWEEPS_OCTAVES = 0.1 / 1200.0
"""Warmth and wander between two sweeps, allowed for before they are compared."""


@dataclass(slots=True)
class Tracking:
    """Where the adjustment of the tracking stands: the last sweep, and what has been learned of the trims."""

    assessed: SweepAssessment
    known: dict[str, TrimKnowledge]
    stuck: set[str] = field(default_factory=set)
    past: frozenset[str] = frozenset()
    """Trims whose stages are over, or that have none: nobody turns them any more, so no target may count on them."""
    left_alone: dict[str, str] = field(default_factory=dict)
    """Trims of the unit that the operator would not turn, each with the reason."""
    causes: list[Cause] = field(default_factory=list)
    moves: Counter[str] = field(default_factory=Counter)
    at_stop: bool = False
    """Whether the last turn was in vain, seen over the whole range. At a CV near the pivot nothing seems to move."""
    free: set[str] = field(default_factory=set)
    """Trims that were seen to move the unit."""
    _planned: tuple[SweepAssessment, dict[str, TrimKnowledge], tuple[frozenset[str], frozenset[str]], Plan] | None = (
        None
    )

    def planned(self, plan: Plan | None, stuck: frozenset[str]) -> None:
        """Take over a plan that was made from this sweep and from what is known, with these trims stuck."""
        if plan is not None:
            self._planned = (self.assessed, dict(self.known), (stuck, frozenset()), plan)

    def plan(self, product: Product) -> Plan:
        """Plan for the whole unit as it stands, made anew only when something has changed."""
        state = (self.assessed, dict(self.known), (frozenset(self.stuck), self.past))
        if self._planned is None or self._planned[0] is not state[0] or self._planned[1:3] != state[1:]:
            self._planned = (*state, plan_tracking(self.assessed, product, self.known, *state[2]))
        return self._planned[3]


def adjust(
    acquisition: Acquisition,
    operator: Operator,
    recorder: Recorder,
    state: Tracking,
    kinds: tuple[TrimKind, ...],
) -> None:
    """Move the trim of these kinds as long as the plan for the whole unit asks for it.

    The plan takes all trims together that can still be turned; only this stage's own is moved now, the others in their
    stages.
    """
    product = acquisition.product
    found = product.trim_of(*kinds)
    if found is None:
        return
    name = found[0]
    state.past = trims_past(product, kinds)
    for _ in range(MOVES_A_TRIM):
        move = _own_move(state, product, name)
        if move is None:
            return
        if move.beyond_travel:
            _give_up_on(state, product, name, move.turns, at_stop=False)
            return
        made = _move(acquisition, operator, recorder, state, move)
        state.moves[name] += 1
        if made.end is TurnEnd.SKIPPED:
            state.stuck.add(name)
            return
        left = _own_move(state, product, name) if state.at_stop else None
        if left is not None:
            _give_up_on(state, product, name, left.turns, at_stop=True)
            return


def trims_past(product: Product, kinds: tuple[TrimKind, ...]) -> frozenset[str]:
    """Trims of the tracking that no stage turns from that of these kinds on."""
    stages = [NEEDED_TRIMS[each] for each in product.stages if each in TRACKING_STAGES]
    to_come = {kind for each in stages[stages.index(kinds) :] for kind in each} if kinds in stages else set(kinds)
    of_tracking = {kind for each in TRACKING_STAGES for kind in NEEDED_TRIMS[each]}
    return frozenset(
        name for name, trim in product.trims.items() if trim.kind in of_tracking and trim.kind not in to_come
    )


def _own_move(state: Tracking, product: Product, name: str) -> PlannedMove | None:
    """What the plan for the whole unit asks of this trim; None for nothing, or for less than a hand can do."""
    own = next((move for move in state.plan(product).moves if move.trim == name), None)
    if own is not None:
        # the plan has its moves one after another in its own order; the product's may be another
        adjuster = next(each for each in adjusters_of(product, state.known) if each.name == name)
        own = plan_move(state.assessed.parameters, adjuster, own.amount, played_of(product))
    return own if own is not None and is_worth_turning(product, name, own.distance_cents) else None


def is_worth_turning(product: Product, name: str, distance_cents: float) -> bool:
    """Whether a trim of the tracking is farther from its target than a hand can set it."""
    return abs(distance_cents) > WORTH_TURNING * _tolerance(product, name)


def _tolerance(product: Product, name: str) -> float:
    return HIGHS_TOLERANCE_CENTS if product.trims[name].kind is TrimKind.HIGHS else TOLERANCE_CENTS


def _give_up_on(state: Tracking, product: Product, name: str, turns: float, *, at_stop: bool) -> None:
    """Leave a trim where it is. Beside one that was given up before, it is named only for what it lacks itself."""
    lacking = _own_lack(state, product, name, turns, at_stop=at_stop) if state.stuck else turns
    state.stuck.add(name)
    if lacking is not None:
        seen_to_move = not at_stop or name in state.free
        state.causes.append(out_of_travel(product.trims[name].label, lacking, seen_to_move=seen_to_move))


def _own_lack(state: Tracking, product: Product, name: str, turns: float, *, at_stop: bool) -> float | None:
    """Turns that a trim would lack with the others where they belong; None where it only made up for another.

    :param turns: what was asked of it to make up for the trims that were given up.
    :param at_stop: whether it stands at the stop of that direction.
    """
    whole = plan_tracking(state.assessed, product, state.known)
    own = next((move for move in whole.moves if move.trim == name), None)
    if own is None or not is_worth_turning(product, name, own.distance_cents):
        return None
    return own.turns if own.beyond_travel or (at_stop and own.turns * turns > 0.0) else None


def _move(acquisition: Acquisition, operator: Operator, recorder: Recorder, state: Tracking, move: PlannedMove) -> Made:
    """One move: to the target, a look over the whole range with the tool still in, and on where the target moved."""

    label = acquisition.product.trims[move.trim].label

    def look(made: Made) -> Aim | None:
        as_asked = _look_again(acquisition, operator, recorder, state, move, made)
        if state.at_stop and _rail_was_turned(acquisition, operator, recorder, label):
            state.at_stop = as_asked = False
        following = _own_move(state, acquisition.product, move.trim)
        if following is None or following.beyond_travel or state.at_stop:
            return None
        return _aim(acquisition, state, following, _on_with(label, made.end) if as_asked else f"Now turn {label}.")

    controls = resting_controls(acquisition)
    made = turn_to_pitch(acquisition, operator, recorder, move.trim, _aim(acquisition, state, move), controls, look)
    if made.end is TurnEnd.SKIPPED:
        state.left_alone[move.trim] = made.said
    return made


def _rail_was_turned(acquisition: Acquisition, operator: Operator, recorder: Recorder, asked: str) -> bool:
    """Whether the rail was turned in place of a trim that seems to be at its end; no sweep at rest shows that."""
    found, before_v = acquisition.product.trim_of(TrimKind.RAIL), acquisition.rail_v
    if found is None or before_v is None:
        return False
    rail = read_rail(acquisition, recorder, "rail")
    if rail is None or stood(before_v, rail.voltage_v):
        return False
    operator.tell(f"It was {found[1].label} that moved, not {asked}.")
    return True


def _on_with(label: str, end: TurnEnd) -> str:
    """Why a trim is to be turned on, after the look over the whole range."""
    if end is TurnEnd.END_STOP:
        return not_at_its_end(label)
    why = "its target has moved a little" if end is TurnEnd.REACHED else "it is not there yet"
    return f"Leave the tool in {label}: seen over the whole range, {why}."


def _aim(acquisition: Acquisition, state: Tracking, move: PlannedMove, said: str = "") -> Aim:
    cv_v = cv_of(acquisition.product, move.held_x)
    expected = float(predict(state.assessed.parameters, np.array([move.held_x]))[0])
    tolerance = _tolerance(acquisition.product, move.trim)
    watch = PitchWatch(acquisition, cv_v, move.target_octaves, tolerance, expected_octaves=expected)
    return Aim(move.turns, state.known[move.trim].gain, watch, said)


def _look_again(
    acquisition: Acquisition,
    operator: Operator,
    recorder: Recorder,
    state: Tracking,
    move: PlannedMove,
    made: Made,
) -> bool:
    """See what a turn did to the whole unit, and learn from it; whether it was the trim asked for that was turned."""
    kind = acquisition.product.trims[move.trim].kind
    before = state.assessed
    after = short_sweep(acquisition, operator, recorder, "after_move", _kept(before, kind))
    wander = np.zeros((4, 4))
    wander[CORE, CORE] = BETWEEN_SWEEPS_OCTAVES**2
    stood = before.parameters, before.covariance + wander
    other = _another_trim(acquisition, state, move.trim, stood, after.alone)
    if other is None:
        _learn(acquisition, recorder, state, move, made, stood, after.with_prior)
        state.assessed = after.with_prior
    else:
        asked, turned = acquisition.product.trims[move.trim].label, acquisition.product.trims[other].label
        operator.tell(f"It was {turned} that moved, not {asked}: the plan is made anew from where the unit stands now.")
        state.assessed, state.at_stop = after.alone, False
    return other is None


def _another_trim(
    acquisition: Acquisition, state: Tracking, asked: str, before: tuple[Array, Array], after: SweepAssessment
) -> str | None:
    """Trim that was turned in place of the one asked for, when the shape of the change leaves little doubt."""
    if not after.fit.converged:
        return None
    candidates = [
        Candidate(
            each.name,
            each.effect,
            TURNS_BY_MISTAKE * abs(each.gain),
            each.pivot.standard_uncertainty if each.pivot is not None else 0.0,
        )
        for each in adjusters_of(acquisition.product, state.known)
    ]
    seen = which_trim(*before, after.parameters, after.covariance, candidates, asked)
    return seen.trim if seen.shape is Shape.ANOTHER and seen.probability >= SURE else None


def _learn(
    acquisition: Acquisition,
    recorder: Recorder,
    state: Tracking,
    move: PlannedMove,
    made: Made,
    before: tuple[Array, Array],
    after: SweepAssessment,
) -> None:
    """What the move showed of its trim: kept for the batch, and used for this unit at once."""
    known = state.known[move.trim]
    if not after.fits:
        state.at_stop = made.end is TurnEnd.END_STOP
        return
    effect = adjusters_of(acquisition.product, state.known)
    own = next(each.effect for each in effect if each.name == move.trim)
    amount = amount_moved(own, *before, after.parameters, after.covariance)
    state.at_stop = turned_in_vain(made, amount, known.gain)
    if moved_surely(made, amount, known.gain):
        state.free.add(move.trim)
    known = learned_gain(recorder, known, amount, made)
    if known.pivot is not None:
        pivot = pivot_observation(*before, after.parameters, after.covariance)
        if pivot is not None:
            recorder.observation(move.trim, "pivot", pivot)
            known = TrimKnowledge(known.gain, combine(known.pivot, pivot))
    state.known[move.trim] = known


def _kept(before: SweepAssessment, kind: TrimKind) -> Prior:
    """What a move leaves as it was: leakage always, dead time unless the highs trim was turned."""
    variance = np.full(4, np.inf)
    variance[LEAKAGE] = before.covariance[LEAKAGE, LEAKAGE]
    if kind is not TrimKind.HIGHS:
        variance[DEAD_TIME] = before.covariance[DEAD_TIME, DEAD_TIME]
    matrix = np.zeros((4, 4))
    np.fill_diagonal(matrix, variance)
    return Prior(before.parameters, matrix)
