"""The trim recommendation of a survey: what to turn, which way, how far, to which reading; what to leave alone."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import log2
from typing import TYPE_CHECKING

import numpy as np

from rig.diagnosis import Fault, dead_rail, dead_switch, octave_divider, out_of_travel, sweep_causes
from rig.operators.port import rough
from rig.product import SCALE_KINDS, TrimKind
from rig.science.characteristics import Played, TrackingLimits
from rig.science.learning import Belief, TrimKnowledge
from rig.science.pitch import note_name
from rig.science.planning import Adjuster, make_plan, worst_musical_uncertainty_cents
from rig.science.rail import plan_rail
from rig.science.tracking import SLOPE
from rig.science.trims import DeadTimeTaken, Pivot, ScaleAboutPivot, ScaleAtInput, Shift

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from db.column_types import JsonValue
    from rig.assess import Finding, SweepAssessment
    from rig.diagnosis import Cause
    from rig.product import Product, Trim
    from rig.science.planning import Plan, PlannedMove
    from rig.science.rail import RailPlan

    Array = NDArray[np.float64]

CENTS = 1200.0
GOOD_ENOUGH = 0.05
"""Share of a limit under which a trim is left alone."""
RAIL_PLAUSIBLE_SHARE = 0.3
"""A rail farther from its nominal than this is no rail, or the meter's lead is not on it."""
CURABLE = 1.0
"""Share of the limits at which the planned moves bring a unit inside after all."""
BEYOND_DOUBT = 1.5
"""Times the whole travel: more turns than that no trim has left, wherever it stands and whatever a turn does."""
COVERAGE = 2.0
DEAD_STEP_OCTAVES = 0.2
"""A switch whose positions differ by less does nothing."""
RESOLVED_DIGITS = 9
"""Significant digits of a number in the record of what was advised: they tell apart hundred-thousandths of a cent."""
RAIL_MARGIN = 0.8
"""Share of the rail's limit that averaging the octave steps may use up."""


@dataclass(frozen=True, slots=True)
class Advice:
    """One trim to turn, in the words of the screen and in numbers."""

    trim: str
    label: str
    direction: str
    turns: float
    turns_standard_uncertainty: float
    target: float
    target_unit: str
    distance: float
    distance_unit: str
    held_cv_v: float | None
    where: str

    def sentence(self) -> str:
        """What to do, for a person."""
        how = f"{self.direction}, {rough(self.turns)}"
        goal = (
            f"{self.target:.3f} Hz ({note_name(self.target)})" if self.target_unit == "Hz" else f"{self.target:.4f} V"
        )
        distance = f"{self.distance:+.1f} cents" if self.distance_unit == "cents" else f"{self.distance * 1000:+.1f} mV"
        return f"{self.label}: {how}, until {goal} with {self.where} ({distance} from now)."


@dataclass(frozen=True, slots=True)
class Recommendation:
    """Advice in order, what will remain, what to leave alone, and what no trim can cure."""

    advice: tuple[Advice, ...]
    left_alone: tuple[str, ...]
    remaining_musical_cents: float | None
    remaining_standard_uncertainty_cents: float | None
    causes: tuple[Cause, ...]
    plan: Plan | None = None
    """That of the tracking, behind its part of the advice."""

    def document(self) -> dict[str, JsonValue]:
        """As plain data, for programs."""
        return {"moves": [_named(each) for each in self.advice], **self._beside_moves()}

    def kept_document(self) -> dict[str, JsonValue]:
        """The same for the record: moves as a table, each column named once, and no digit that nothing resolves.

        A longer row would take a page of the database of its own, beside the pages that all rows share.
        """
        moves = [_named(each) for each in self.advice]
        return {
            "columns": list(moves[0]) if moves else [],
            "moves": [[_resolved(value) for value in move.values()] for move in moves],
            **{name: _resolved(value) for name, value in self._beside_moves().items()},
        }

    def _beside_moves(self) -> dict[str, JsonValue]:
        return {
            "left_alone": list(self.left_alone),
            "remaining_worst_musical_cents": self.remaining_musical_cents,
            "remaining_standard_uncertainty_cents": self.remaining_standard_uncertainty_cents,
            "no_trim_cures": [cause.sentence for cause in self.causes],
        }


def _named(advice: Advice) -> dict[str, JsonValue]:
    return {
        "trim": advice.trim,
        "direction": advice.direction,
        "turns": round(advice.turns, 3),
        "turns_standard_uncertainty": round(advice.turns_standard_uncertainty, 3),
        "target": advice.target,
        "target_unit": advice.target_unit,
        "distance": advice.distance,
        "distance_unit": advice.distance_unit,
        "held_cv_v": advice.held_cv_v,
    }


def _resolved(value: JsonValue) -> JsonValue:
    return float(f"{value:.{RESOLVED_DIGITS}g}") if isinstance(value, float) else value


def played_of(product: Product) -> Played:
    """The product's ranges in octaves of its law."""
    law, played = product.law.law(), product.range
    return Played(
        full=(float(law.octaves(played.full.low_v)), float(law.octaves(played.full.high_v))),
        musical=(float(law.octaves(played.musical.low_v)), float(law.octaves(played.musical.high_v))),
        base_x=float(law.octaves(played.base_cv_v)),
        lowest_note_octaves=log2(played.lowest_note_hz),
    )


def tracking_limits(product: Product) -> TrackingLimits:
    """The product's limits on tracking, in cents."""
    limits = product.limits
    return TrackingLimits(
        scale=limits.scale_error_cents_per_octave,
        musical=limits.tracking_musical_cents,
        full=limits.tracking_full_cents,
        highs=limits.highs_error_cents,
        base=limits.base_pitch_cents,
    )


def adjusters_of(
    product: Product, known: Mapping[str, TrimKnowledge], stuck: frozenset[str] = frozenset()
) -> tuple[Adjuster, ...]:
    """Trims that move the tracking, in the order in which they are turned: scale, highs, base last.

    :param known: what is known of each trim: from the product file, the batch, and this unit so far.
    :param stuck: trims at their end stop, which are not moved again.
    """
    order = (*SCALE_KINDS, TrimKind.HIGHS, TrimKind.BASE)
    found = [(name, trim) for kind in order for name, trim in product.trims.items() if trim.kind is kind]
    return tuple(_adjuster(name, trim, known[name]) for name, trim in found if name not in stuck)


def expected_knowledge(product: Product) -> dict[str, TrimKnowledge]:
    """What the product file expects of each trim."""
    return {
        name: TrimKnowledge(
            Belief(trim.effect_per_turn, max(trim.effect_per_turn_spread, 0.02 * abs(trim.effect_per_turn))),
            Belief(log2(trim.pivot_hz), trim.pivot_spread_octaves)
            if trim.pivot_hz is not None and trim.pivot_spread_octaves is not None
            else None,
        )
        for name, trim in product.trims.items()
    }


def _adjuster(name: str, trim: Trim, known: TrimKnowledge) -> Adjuster:
    pivot = None if known.pivot is None else Pivot(known.pivot.mean, known.pivot.standard_uncertainty)
    effect: ScaleAboutPivot | ScaleAtInput | DeadTimeTaken | Shift
    if pivot is not None:
        effect = ScaleAboutPivot(pivot.octaves)
    elif trim.kind is TrimKind.SCALE_INPUT:
        effect = ScaleAtInput()
    elif trim.kind is TrimKind.HIGHS:
        effect = DeadTimeTaken()
    else:
        effect = Shift()
    spread = known.gain.standard_uncertainty / abs(known.gain.mean)
    reach = BEYOND_DOUBT * trim.turns
    return Adjuster(name, effect, known.gain.mean, spread, reach, reach, pivot)


def plan_tracking(
    assessed: SweepAssessment,
    product: Product,
    known: Mapping[str, TrimKnowledge],
    stuck: frozenset[str] = frozenset(),
    past: frozenset[str] = frozenset(),
) -> Plan:
    """Plan the moves of scale, highs and base from one sweep.

    Where a trim is stuck, the others make up for it only if that brings the unit inside: a half cure has to be undone
    when the stuck trim is mended. Otherwise base alone is moved, as far as that helps; and where base itself is stuck,
    what is turned before it goes where it belongs.

    :param past: trims that are turned no more; one that is not stuck is as right as it will be.
    """
    everything = adjusters_of(product, known, past - stuck)
    free = tuple(each for each in everything if each.name not in stuck)
    made = _plan_of(assessed, product, free)
    if len(free) == len(everything) or made.share_after <= CURABLE:
        return made
    if all(product.trims[each.name].kind is TrimKind.BASE for each in everything if each.name in stuck):
        whole = _plan_of(assessed, product, everything)
        return replace(made, moves=tuple(move for move in whole.moves if move.trim not in stuck))
    return _plan_of(assessed, product, tuple(each for each in free if product.trims[each.name].kind is TrimKind.BASE))


def _plan_of(assessed: SweepAssessment, product: Product, adjusters: tuple[Adjuster, ...]) -> Plan:
    return make_plan(
        assessed.parameters,
        adjusters,
        played_of(product),
        tracking_limits(product),
        good_enough=GOOD_ENOUGH,
    )


def steps_are_stretched(product: Product, plan: Plan, stuck: frozenset[str]) -> bool:
    """Whether a scale trim that stays wrong stretches the octave steps, so that no rail should be set to them."""
    scale = product.trim_of(TrimKind.SCALE_COMMON)
    return scale is not None and scale[0] in stuck and plan.share_after > CURABLE


def rail_plan(product: Product, rail_v: float, steps_octaves: Array) -> RailPlan | None:
    """Where to set the rail for the octave steps; None where the product has no rail limit or no switch."""
    limit, switch = product.limits.rail, product.controls.octave
    if limit is None or switch is None or not steps_octaves.size:
        return None
    reach = RAIL_MARGIN * limit.plus_minus_v
    nominal = np.array(switch.octaves[1:])
    return plan_rail(steps_octaves, nominal, rail_v, limit.nominal_v - reach, limit.nominal_v + reach)


def octave_cause(product: Product, plan: RailPlan) -> Cause | None:
    """The divider resistor that no rail setting can make good, or None."""
    limit, switch = product.limits.octave_step_cents, product.controls.octave
    if limit is None or switch is None or plan.worst_after_cents <= limit:
        return None
    odd = plan.odd_position()
    return octave_divider(switch.positions[1:][odd], float(plan.errors_after_cents[odd]))


def rail_is_plausible(product: Product, rail_v: float) -> bool:
    """Whether a voltage can be the rail at all."""
    limit = product.limits.rail
    return limit is None or abs(rail_v - limit.nominal_v) <= RAIL_PLAUSIBLE_SHARE * limit.nominal_v


def rail_should_move(product: Product, plan: RailPlan, rail_v: float) -> bool:
    """Whether the rail is worth touching: it or a step is not well inside its limit."""
    limits = product.limits
    if limits.rail is None:
        return False
    off = abs(rail_v - limits.rail.nominal_v) > RAIL_MARGIN * limits.rail.plus_minus_v
    steps = limits.octave_step_cents is not None and plan.worst_now_cents > GOOD_ENOUGH * limits.octave_step_cents
    gains = plan.worst_after_cents < 0.9 * plan.worst_now_cents
    return off or (steps and gains)


def recommend(
    product: Product,
    assessed: SweepAssessment,
    findings: tuple[Finding, ...],
    rail_v: float | None,
    steps_octaves: Array,
    knob_centre_octaves: float | None,
    knob_middle_octaves: float | None,
    known: Mapping[str, TrimKnowledge],
    stuck: frozenset[str] = frozenset(),
    unstaged: frozenset[str] = frozenset(),
) -> Recommendation:
    """Everything to be turned, from one survey.

    :param stuck: trims that are not turned again, at their end stop or left alone by the operator.
    :param unstaged: trims that nobody turns, since the product has no stage for them.
    """
    causes = list(sweep_causes(assessed, findings, product))
    if not bool(np.all(assessed.fit.converged)):
        return Recommendation((), tuple(product.trims), None, None, tuple(causes))
    plan = plan_tracking(assessed, product, known, stuck, unstaged)
    curable = plan.share_after <= CURABLE and not any(move.beyond_travel for move in plan.moves)
    if curable:
        causes = [cause for cause in causes if cause.fault is not Fault.LEAKAGE]
    advice = [_tracking_advice(product, move) for move in plan.moves]
    left_alone = list(plan.left_alone)
    beyond = [move for move in plan.moves if move.beyond_travel and _of_itself(product, known, move, plan.moves)]
    causes += [out_of_travel(product.trims[move.trim].label, move.turns) for move in beyond]
    rail_trim = product.trim_of(TrimKind.RAIL)
    limit = product.limits.rail
    if rail_v is not None and limit is not None and not rail_is_plausible(product, rail_v):
        causes.append(dead_rail(rail_v, limit.nominal_v))
    elif rail_v is not None and rail_trim is not None:
        steeper = _scale_change(product, plan)
        if steps_octaves.size and float(np.max(np.abs(steps_octaves))) < DEAD_STEP_OCTAVES:
            causes.append(dead_switch())
        wanted = rail_plan(product, rail_v, steps_octaves * steeper)
        kept = rail_trim[0] in stuck | unstaged or steps_are_stretched(product, plan, stuck)
        if wanted is not None and not kept and rail_should_move(product, wanted, rail_v):
            advice.append(_rail_advice(*rail_trim, known[rail_trim[0]].gain, rail_v, wanted.target_v))
        else:
            left_alone.append(rail_trim[0])
        # with the tracking itself far off, the steps say little of the divider
        dead = any(each.fault is Fault.DEAD_RAIL for each in causes)
        cause = octave_cause(product, wanted) if wanted is not None and curable and not dead else None
        causes += [cause] if cause is not None else []
    centre_trim = product.trim_of(TrimKind.CENTRE)
    if centre_trim is not None and knob_centre_octaves is not None and knob_middle_octaves is not None:
        if centre_trim[0] not in stuck | unstaged and centre_should_move(product, knob_centre_octaves):
            advice.append(
                _centre_advice(
                    product, *centre_trim, known[centre_trim[0]].gain, knob_centre_octaves, knob_middle_octaves
                )
            )
        else:
            left_alone.append(centre_trim[0])
    return Recommendation(
        advice=tuple(advice),
        left_alone=tuple(left_alone),
        remaining_musical_cents=plan.worst_musical_cents,
        remaining_standard_uncertainty_cents=worst_musical_uncertainty_cents(
            plan, assessed.parameters, assessed.covariance, adjusters_of(product, known), played_of(product)
        ),
        causes=tuple(causes),
        plan=plan,
    )


def _of_itself(
    product: Product, known: Mapping[str, TrimKnowledge], move: PlannedMove, moves: Sequence[PlannedMove]
) -> bool:
    """Whether a move beyond the travel is asked for by the trim's own part, and not by that of the scale.

    A scale that is far beyond its travel shifts every pitch by as much as its pivot is in doubt, and base makes up for
    that in the plan: such turns say nothing of the parts around base.
    """
    scale = next((each for each in moves if product.trims[each.trim].kind in SCALE_KINDS), None)
    if scale is None or scale.trim == move.trim or not scale.beyond_travel:
        return True
    pivot = known[scale.trim].pivot
    if pivot is None or product.trims[move.trim].kind is not TrimKind.BASE:
        return True
    doubt = COVERAGE * pivot.standard_uncertainty * abs(scale.amount / known[move.trim].gain.mean)
    return abs(move.turns) - doubt > BEYOND_DOUBT * product.trims[move.trim].turns


def centre_should_move(product: Product, centre_octaves: float) -> bool:
    """Whether the centre trim is worth touching, given how well a hand repeats the middle."""
    limit, knob = product.limits.knob_centre_cents, product.controls.knob
    if limit is None or knob is None:
        return False
    return abs(CENTS * centre_octaves) > max(GOOD_ENOUGH * limit, 2.0 * knob.repeatability_cents)


def _tracking_advice(product: Product, move: PlannedMove) -> Advice:
    trim = product.trims[move.trim]
    held_v = cv_of(product, move.held_x)
    return Advice(
        trim=move.trim,
        label=trim.label,
        direction=_direction(move.turns),
        turns=move.turns,
        turns_standard_uncertainty=move.turns_standard_uncertainty,
        target=2.0**move.target_octaves,
        target_unit="Hz",
        distance=move.distance_cents,
        distance_unit="cents",
        held_cv_v=held_v,
        where=f"the CV held at {held_v:.2f} V",
    )


def _rail_advice(name: str, trim: Trim, gain: Belief, rail_v: float, target_v: float) -> Advice:
    turns = (target_v / rail_v - 1.0) / gain.mean
    return Advice(
        trim=name,
        label=trim.label,
        direction=_direction(turns),
        turns=turns,
        turns_standard_uncertainty=abs(turns * gain.standard_uncertainty / gain.mean),
        target=target_v,
        target_unit="V",
        distance=target_v - rail_v,
        distance_unit="V",
        held_cv_v=None,
        where="the meter on the rail",
    )


def _centre_advice(
    product: Product, name: str, trim: Trim, gain: Belief, centre_octaves: float, middle_octaves: float
) -> Advice:
    turns = -centre_octaves / gain.mean
    held_v = product.controls.knob.read_at_cv_v if product.controls.knob is not None else 0.0
    return Advice(
        trim=name,
        label=trim.label,
        direction=_direction(turns),
        turns=turns,
        turns_standard_uncertainty=abs(turns * gain.standard_uncertainty / gain.mean),
        target=2.0 ** (middle_octaves - centre_octaves),
        target_unit="Hz",
        distance=-CENTS * centre_octaves,
        distance_unit="cents",
        held_cv_v=held_v,
        where=f"the knob at its middle and the CV held at {held_v:.2f} V",
    )


def common_stretch(product: Product, before: Array, after: Array) -> float:
    """How much scale at the common node has stretched what switch and knob add, between two fits."""
    if product.trim_of(TrimKind.SCALE_COMMON) is None:
        return 1.0
    return float(after[SLOPE] / before[SLOPE])


def _scale_change(product: Product, plan: Plan) -> float:
    """How much steeper the common node, and with it the octave steps, will be after the planned moves."""
    scale = product.trim_of(TrimKind.SCALE_COMMON)
    if scale is None:
        return 1.0
    return 1.0 + sum(move.amount for move in plan.moves if move.trim == scale[0])


def _direction(turns: float) -> str:
    return "clockwise" if turns > 0.0 else "counter-clockwise"


def cv_of(product: Product, x: float) -> float:
    """Control voltage at which the law has ``x`` octaves, held inside the full range."""
    full = product.range.full
    return min(max(float(product.law.law().cv_v(x)), full.low_v), full.high_v)
