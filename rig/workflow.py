"""The stages of one oscillator, in the order that the product file gives."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from enum import StrEnum
from math import log2
from typing import TYPE_CHECKING

from drivers.errors import DriverError, NoSignal
from rig.diagnosis import bound_by
from rig.errors import BenchDoubt, MaybeOff, NoDecision, UnitWasOff
from rig.product import NEEDED_TRIMS, StageName, TrimKind
from rig.recommend import RAIL_MARGIN, recommend, steps_are_stretched
from rig.records import AS_FOUND, AS_LEFT
from rig.recovery import attempt, begin_again, passes, require_sound, tell_mishaps
from rig.science.conformity import Decision
from rig.stages.base import adjust_base
from rig.stages.highs import adjust_highs
from rig.stages.knob import adjust_knob
from rig.stages.octave_steps import adjust_octave_steps
from rig.stages.rail import RailSet, adjust_rail, stood
from rig.stages.scale import adjust_scale
from rig.stages.survey import at_rest, steady_sweep, survey
from rig.stages.tracking import Tracking, is_worth_turning
from rig.stages.warm_up import expected_frequency_hz, warm_up

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from rig.acquire import Acquisition
    from rig.assess import Finding, SweepAssessment
    from rig.diagnosis import Cause
    from rig.operators.port import Operator
    from rig.product import Product
    from rig.recommend import Advice, Recommendation
    from rig.records import Recorder
    from rig.returns import CameBack
    from rig.science.learning import TrimKnowledge
    from rig.stages.survey import Survey
    from rig.stages.warm_up import WarmedUp


class Purpose(StrEnum):
    """What a visit is for."""

    ADJUST = "adjust"
    CHECK = "check"


TIMES_OFF = 3
ANOTHER_CENTS = 5.0
"""What no drift does to a pitch while a trim is turned: more, and it was another trim."""
CASE_CENTS = 1.0
"""What a pitch may move while the case is closed, however long that takes: more, and it was off, or drifts."""
PASSED = (Decision.PASS, Decision.CONDITIONAL_PASS)


def named(name: str, findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Findings that say which oscillator they are of, where there are several."""
    if not name:
        return findings
    return tuple(
        replace(each, characteristic=f"{name}.{each.characteristic}", label=f"{name}: {each.label}")
        for each in findings
    )


@dataclass(slots=True)
class Work:
    """One oscillator while its stages run; what they leave to each other."""

    acquisition: Acquisition
    operator: Operator
    recorder: Recorder
    purpose: Purpose
    known: dict[str, TrimKnowledge]
    name: str = ""
    found_before: tuple[Finding, ...] = ()
    """Findings as found that an interrupted visit has already: trims may have been turned since."""
    warmed: WarmedUp | None = None
    found: Survey | None = None
    advised: Recommendation | None = None
    tracking: Tracking | None = None
    left: Survey | None = None
    causes: list[Cause] = field(default_factory=list)
    moves: dict[str, int] = field(default_factory=dict)
    left_alone: dict[str, str] = field(default_factory=dict)
    """Trims that the operator would not turn, each with the reason: nobody is asked for them again."""
    turning: bool = False
    when_found: Callable[[], CameBack | None] = lambda: None
    """Called once the findings as found are kept: what has changed since the unit left."""
    came_back: CameBack | None = None
    kept_as_found: bool = False
    """Whether this visit has put its findings as found into the record."""


def run_stages(work: Work) -> None:
    """All stages of the product, and once more through the trims while the proof fails and a trim can help."""
    stages = work.acquisition.product.stages
    for stage in stages:
        _run(work, stage)
    for _ in range(1, work.acquisition.measuring.most_rounds):
        if not worth_another_round(work):
            return
        work.operator.tell("The proof is not inside yet: once more through the trims.")
        for stage in stages[2:]:
            _run(work, stage)


def _run(work: Work, stage: StageName) -> None:
    """One stage; begun anew after trouble of the bench, and after another warm-up when the unit may have been off.

    Nobody can tell a lead that was off from a unit that was: both are taken for a unit that has cooled.
    """
    bench, operator, name = work.acquisition.bench, work.operator, stage.value
    for tries_left in reversed(range(TIMES_OFF)):
        try:
            STAGES[stage](work)
            require_sound(bench)
        except UnitWasOff as seen:
            operator.tell(f"{seen} It warms up again; then this stage begins anew.")
            _again(work, stage, warm=stage is not StageName.WARM_UP)
            continue
        except (DriverError, BenchDoubt) as trouble:
            tell_mishaps(bench, operator)
            if not (tries_left and passes(trouble)):
                raise
            begin_again(bench, operator, f"the stage {name!r}", trouble)
            cooled = isinstance(trouble, (NoSignal, MaybeOff)) and stage is not StageName.WARM_UP
            if cooled:
                operator.tell("The unit may have been without power: its warmth is watched again first.")
            _again(work, stage, warm=cooled)
            continue
        tell_mishaps(bench, operator)
        return
    raise NoDecision(
        f"The unit was off {TIMES_OFF} times in one stage: see to its supply and its leads, then scan it again."
    )


def _again(work: Work, stage: StageName, *, warm: bool) -> None:
    """What comes before a stage that begins anew."""

    def prepare() -> None:
        if warm:
            _warm_up(work)
        _sweep_anew(work)

    attempt(work.acquisition.bench, work.operator, f"what prepares the stage {stage.value!r}", prepare)


def _sweep_anew(work: Work) -> None:
    """See where the tracking stands after an interruption, before anything is planned from it."""
    if work.tracking is None or work.warmed is None:
        return
    work.acquisition.resting = False
    at_rest(work.acquisition, work.operator)
    _, work.tracking.assessed = steady_sweep(
        work.acquisition, work.operator, work.recorder, "after_move", drift_known=work.warmed.steady
    )


def worth_another_round(work: Work) -> bool:
    """Whether a unit whose proof is no plain pass goes round again: a trim can still help, nothing is known broken."""
    if work.left is None or work.causes or (work.tracking is not None and work.tracking.causes):
        return False
    trims = work.acquisition.product.trims
    known = tuple(name for trim in work.left_alone for name in bound_by(trims[trim].kind))
    open_still = [
        each.characteristic
        for each in work.left.findings
        if each.decision is not Decision.PASS and not each.characteristic.startswith(known)
    ]
    cured = tuple(
        name
        for each in _advise(work, work.left, again=True).advice
        if _is_asked_for(work.acquisition.product, each)
        for name in bound_by(trims[each.trim].kind)
    )
    return any(each.startswith(cured) for each in open_still)


def _is_asked_for(product: Product, advice: Advice) -> bool:
    """Whether a stage turns what is advised: it has one, and the trim is farther off than a hand can set it.

    Without a stage for the octave steps the rail is set to its nominal alone.
    """
    kind, limit = product.trims[advice.trim].kind, product.limits.rail
    if advice.trim in unstaged_trims(product):
        return False
    if kind is TrimKind.RAIL and limit is not None and StageName.OCTAVE_STEPS not in product.stages:
        return abs(advice.target - advice.distance - limit.nominal_v) > RAIL_MARGIN * limit.plus_minus_v
    if kind in (TrimKind.RAIL, TrimKind.CENTRE):
        return True
    return is_worth_turning(product, advice.trim, advice.distance)


def unstaged_trims(product: Product) -> frozenset[str]:
    """Trims that no stage of the product turns."""
    staged = {kind for stage in product.stages for kind in NEEDED_TRIMS.get(stage, ())}
    return frozenset(name for name, trim in product.trims.items() if trim.kind not in staged)


def _advise(work: Work, of: Survey, *, again: bool = False) -> Recommendation:
    """What to turn.

    :param again: only what a stage would turn in another round.
    """
    return recommend(
        work.acquisition.product,
        of.assessed,
        of.findings,
        of.rail.voltage_v if of.rail is not None else None,
        of.steps_octaves,
        of.knob.centre_octaves if of.knob is not None else None,
        of.knob.middle.octaves if of.knob is not None else None,
        work.tracking.known if work.tracking is not None else work.known,
        stuck_trims(work),
        unstaged_trims(work.acquisition.product) if again else frozenset(),
    )


def stuck_trims(work: Work) -> frozenset[str]:
    """Trims that are not turned again: at their end stop, or left alone."""
    return frozenset(work.left_alone) | (frozenset() if work.tracking is None else frozenset(work.tracking.stuck))


def _warm_up(work: Work) -> None:
    work.warmed = warm_up(work.acquisition, work.operator, work.recorder)


def _as_found(work: Work) -> None:
    if work.warmed is None:
        raise NoDecision("Nothing is known of the unit's drift: let it warm up first.")
    purpose = "resumed" if work.found_before else AS_FOUND
    work.found = survey(work.acquisition, work.operator, work.recorder, purpose, work.warmed)
    if not (work.found_before or work.kept_as_found):
        work.recorder.found(named(work.name, work.found.findings))
        work.kept_as_found = True
        work.came_back = work.when_found()
    work.advised = _advise(work, work.found)
    work.recorder.recommendation(work.found.sweep_id, work.advised)
    work.turning = (
        work.purpose is Purpose.ADJUST
        and work.warmed.steady
        and work.found.assessed.fits
        and any(_is_asked_for(work.acquisition.product, each) for each in work.advised.advice)
        and not work.advised.causes
    )
    tracking = Tracking(work.found.assessed, work.known, left_alone=work.left_alone)
    tracking.planned(work.advised.plan, stuck_trims(work))
    work.tracking = tracking


def _tracking_stage(
    adjust: Callable[[Acquisition, Operator, Recorder, Tracking], None],
) -> Callable[[Work], None]:
    def run(work: Work) -> None:
        if work.turning and work.tracking is not None:
            adjust(work.acquisition, work.operator, work.recorder, work.tracking)
            # a trim that was left alone was asked for once more than it was turned
            work.moves.update(work.tracking.moves - Counter(list(work.left_alone)))

    return run


def _rail(work: Work) -> None:
    if work.turning:
        before_cents, before_v = _pitch_cents(work), work.acquisition.rail_v
        made = adjust_rail(work.acquisition, work.operator, work.recorder, work.known, work.left_alone)
        _count_rail(work, made, before_cents, before_v)


def _count_rail(work: Work, made: RailSet, before_cents: float, before_v: float | None) -> None:
    """Count what came of the rail; an end stop is believed only where no other trim was turned in its place.

    :param before_cents: pitch before the rail was to be turned.  before_v: the rail then; where it has stood still, so
        has the pitch.
    """
    cause, moved_cents, now_v = made.cause, 0.0, work.acquisition.rail_v
    unmoved = before_v is not None and now_v is not None and stood(before_v, now_v)
    if cause is not None and made.moves and unmoved:
        moved_cents = _pitch_cents(work) - before_cents
    if abs(moved_cents) > ANOTHER_CENTS:
        work.operator.tell(
            f"The rail stood still and the pitch moved by {moved_cents:+.1f} cents: another trim was turned in its "
            "place. The plan is made anew from where the unit stands now."
        )
        _sweep_anew(work)
        cause = None
    _count(work, "rail", made.moves, cause)


def _last_seen(work: Work) -> tuple[Survey, SweepAssessment]:
    """The last survey, and the tracking as it stands since then."""
    seen = work.left or work.found
    if seen is None or work.tracking is None:
        raise NoDecision("Nothing was measured yet, so nothing can be turned.")
    return seen, work.tracking.assessed


def _octave_steps(work: Work) -> None:
    if work.turning:
        seen, now = _last_seen(work)
        product, stuck = work.acquisition.product, stuck_trims(work)
        if work.tracking is not None and steps_are_stretched(product, work.tracking.plan(product), stuck):
            return
        before_cents, before_v = _pitch_cents(work), work.acquisition.rail_v
        made = adjust_octave_steps(
            work.acquisition, work.operator, work.recorder, work.known, seen, now, work.left_alone
        )
        _count_rail(work, made, before_cents, before_v)


def _knob(work: Work) -> None:
    if work.turning:
        seen, now = _last_seen(work)
        made = adjust_knob(work.acquisition, work.operator, work.recorder, work.known, seen, now, work.left_alone)
        _count(work, "centre", made.moves, made.cause)


def _count(work: Work, trim: str, moves: int, cause: Cause | None) -> None:
    if moves:
        work.moves[trim] = work.moves.get(trim, 0) + moves
    if cause is not None:
        work.causes.append(cause)


def _close_case(work: Work) -> None:
    """Have the case closed; whoever closes it may take the power away, and a closed case warms otherwise."""
    if not work.turning:
        return
    at_rest(work.acquisition, work.operator)
    before = _pitch_cents(work)
    work.operator.close_case()
    moved_cents = _pitch_cents(work) - before
    if abs(moved_cents) > CASE_CENTS:
        work.operator.tell(f"The pitch moved by {moved_cents:+.1f} cents as the case was closed: it warms up again.")
        _warm_up(work)


def _pitch_cents(work: Work) -> float:
    cv_v = work.acquisition.product.range.musical.high_v
    expected_hz = expected_frequency_hz(work.acquisition, cv_v)
    return 1200.0 * log2(work.acquisition.measure(cv_v, expected_hz, CASE_CENTS / 10.0)[1].frequency_hz)


def _proof(work: Work) -> None:
    if not work.turning or work.warmed is None:
        return
    work.operator.tell("Hands off the board: their warmth leaves it before the last sweep.")
    soak_s = work.acquisition.measuring.soak_s
    work.left = survey(work.acquisition, work.operator, work.recorder, AS_LEFT, work.warmed, soak_s=soak_s)
    if work.tracking is not None:
        work.tracking.assessed = work.left.assessed


STAGES: Mapping[StageName, Callable[[Work], None]] = {
    StageName.WARM_UP: _warm_up,
    StageName.AS_FOUND: _as_found,
    StageName.RAIL: _rail,
    StageName.SCALE: _tracking_stage(adjust_scale),
    StageName.HIGHS: _tracking_stage(adjust_highs),
    StageName.OCTAVE_STEPS: _octave_steps,
    StageName.BASE: _tracking_stage(adjust_base),
    StageName.KNOB: _knob,
    StageName.CLOSE_CASE: _close_case,
    StageName.PROOF: _proof,
}
