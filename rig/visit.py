"""A visit, from scan to verdict: the only place that knows the order of its stages.

The product file says which stages there are and in which order; this module runs them for each oscillator of the unit.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import TYPE_CHECKING

from rig.acquire import Acquisition, TimeSpent
from rig.diagnosis import slow_warm_up, sweep_causes
from rig.errors import NoDecision, Stopped, UnitWasOff
from rig.knowledge import learned_trims
from rig.product import StageName
from rig.recommend import octave_cause, rail_plan, recommend
from rig.records import AS_FOUND, AS_LEFT, Wanted, begin_visit, bench_records
from rig.science.decision import Decision, worst_of
from rig.stages.base import adjust_base
from rig.stages.characterise_source import know_the_source
from rig.stages.highs import adjust_highs
from rig.stages.judge import Verdict, judge, life_finding
from rig.stages.knob import adjust_knob
from rig.stages.leads import meter_to_rail
from rig.stages.life import look_for_life
from rig.stages.octave_steps import adjust_octave_steps
from rig.stages.rail import adjust_rail
from rig.stages.scale import adjust_scale
from rig.stages.survey import at_rest, steady_sweep, survey
from rig.stages.tracking import Tracking
from rig.stages.warm_up import warm_up

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from uuid import UUID

    from db.engine import Database
    from rig.assess import Finding, SweepAssessment
    from rig.bench import Bench, BenchFile
    from rig.diagnosis import Cause
    from rig.operators.port import Operator
    from rig.product import Product
    from rig.recommend import Recommendation
    from rig.records import Recorder
    from rig.science.learning import TrimKnowledge
    from rig.stages.survey import Survey
    from rig.stages.warm_up import WarmedUp
    from rig.tomlfile import Loaded


class Purpose(StrEnum):
    """What a visit is for."""

    ADJUST = "adjust"
    CHECK = "check"


TIMES_OFF = 3
PASSED = (Decision.PASS, Decision.CONDITIONAL_PASS)


@dataclass(frozen=True, slots=True)
class Oscillator:
    """What came of one oscillator. ``as_left`` is missing where nothing was turned: it leaves as it was found."""

    name: str
    verdict: Verdict
    findings: tuple[Finding, ...]
    as_found: Survey | None = None
    as_left: Survey | None = None
    recommendation: Recommendation | None = None
    warmed: WarmedUp | None = None
    moves: Mapping[str, int] = field(default_factory=dict)
    found_before: tuple[Finding, ...] = ()

    @property
    def final(self) -> Survey | None:
        """The survey that the verdict rests on."""
        return self.as_left or self.as_found

    @property
    def found_findings(self) -> tuple[Finding, ...]:
        """Findings as found."""
        if self.found_before:
            return self.found_before
        return self.findings if self.as_found is None else _named(self.name, self.as_found.findings)


@dataclass(frozen=True, slots=True)
class Visit:
    """What came of a visit."""

    visit_id: UUID
    serial: str
    batch: str
    verdict: Verdict
    oscillators: tuple[Oscillator, ...]
    spent: TimeSpent = field(default_factory=TimeSpent)
    duration_s: float = 0.0

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Findings as left, of all oscillators."""
        return tuple(finding for each in self.oscillators for finding in each.findings)

    @property
    def found_findings(self) -> tuple[Finding, ...]:
        """Findings as found, of all oscillators."""
        return tuple(finding for each in self.oscillators for finding in each.found_findings)


@dataclass(frozen=True, slots=True)
class Request:
    """Who wants which unit visited, and why."""

    serial: str
    purpose: Purpose
    operator: str
    ambient_c: float | None = None
    seed: int | None = None


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
    turning: bool = False


def run_visit(
    bench: Bench,
    bench_file: Loaded[BenchFile],
    product: Loaded[Product],
    operator: Operator,
    database: Database,
    request: Request,
) -> Visit:
    """Run one visit; the record holds everything up to the moment at which it ends, however it ends.

    :raises SerialProblem: before anything is touched.
    :raises Stopped: the operator ended it.
    """
    contents = product.contents
    batch = contents.serial.batch_of(request.serial)
    database.require_writable()
    records = bench_records(database, bench, bench_file)
    began = bench.clock.now()
    operator.warn(contents.cautions)
    operator.connect_unit(request.serial, contents.oscillators[0])
    if request.purpose is Purpose.ADJUST and contents.checks:
        operator.warn(contents.checks)
    bench.source.set_voltage(0.0)
    bench.source.output_on()
    line = know_the_source(bench, contents, operator, records, ambient_c=request.ambient_c)
    wanted = Wanted(request.serial, batch, request.operator, request.purpose.value, request.ambient_c, request.seed)
    recorder = begin_visit(records, product, bench, line, wanted)
    if recorder.resumed:
        operator.tell(
            f"A visit of {request.serial} was interrupted after {recorder.moves} moves: it goes on; what was measured "
            "as found stays as found."
        )
    known_findings = recorder.findings_found()
    acquisition = Acquisition(bench, contents, line, ambient_c=request.ambient_c)
    with _kept_open(recorder, request.purpose):
        doubts = bench.overdue()
        for doubt in doubts:
            operator.tell(doubt)
        done: list[Oscillator] = []
        for name in contents.oscillators:
            if name != contents.oscillators[0]:
                bench.source.set_voltage(0.0)
                operator.connect_unit(request.serial, name)
            recorder.oscillator = name
            known = _known(database, product, batch, demonstration=_is_demonstration(bench, contents))
            own = tuple(each for each in known_findings if _of(name, each))
            acquisition.resting = False
            work = Work(acquisition, operator, recorder, request.purpose, known, name, own)
            done.append(_oscillator(work, name, doubts))
        visit = Visit(recorder.visit_id, request.serial, batch, _whole(done), tuple(done), acquisition.spent)
        recorder.conclude(
            visit.findings,
            visit.verdict.decision.value,
            visit.verdict.causes,
            visit.verdict.reason,
        )
    bench.source.make_safe()
    if visit.verdict.decision not in PASSED:
        causes = "; ".join(cause.sentence for cause in visit.verdict.causes) or visit.verdict.reason
        shelf = "To the fault shelf" if request.purpose is Purpose.ADJUST else "Not inside"
        operator.tell(f"{shelf}: {causes}")
    return replace(visit, duration_s=bench.clock.now() - began)


def _is_demonstration(bench: Bench, product: Product) -> bool:
    return product.product.demonstration or bench.file.bench.demonstration


def _known(
    database: Database, product: Loaded[Product], batch: str, *, demonstration: bool
) -> dict[str, TrimKnowledge]:
    """What file, other batches and the units of this batch so far say of each trim."""
    with database.reading() as session:
        learned = learned_trims(session, product, batch, demonstration=demonstration)
    return {name: each.knowledge for name, each in learned.items()}


@contextmanager
def _kept_open(recorder: Recorder, purpose: Purpose) -> Iterator[None]:
    """A visit that does not come to its verdict stays open and can go on; a mere check is ended.

    What was measured is kept either way.
    """
    try:
        yield
    except (Stopped, KeyboardInterrupt):
        if purpose is Purpose.CHECK:
            recorder.end("stopped")
        raise
    except Exception:
        if purpose is Purpose.CHECK:
            recorder.end("failed")
        raise


def _of(name: str, finding: Finding) -> bool:
    """Whether a finding is of the oscillator of this name."""
    return finding.characteristic.rpartition(".")[0] == name


def _whole(oscillators: list[Oscillator]) -> Verdict:
    """Verdict on a unit from those on its oscillators."""
    if len(oscillators) == 1:
        return oscillators[0].verdict
    return Verdict(
        worst_of([each.verdict.decision for each in oscillators]),
        " ".join(f"{each.name}: {each.verdict.reason}" for each in oscillators),
        tuple(
            replace(cause, sentence=f"{each.name}: {cause.sentence}")
            for each in oscillators
            for cause in each.verdict.causes
        ),
    )


def _named(name: str, findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Findings that say which oscillator they are of, where there are several."""
    if not name:
        return findings
    return tuple(
        replace(each, characteristic=f"{name}.{each.characteristic}", label=f"{name}: {each.label}")
        for each in findings
    )


def _oscillator(work: Work, name: str, doubts: tuple[str, ...]) -> Oscillator:
    life = look_for_life(work.acquisition, work.operator)
    if life.cause is not None:
        findings: tuple[Finding, ...] = (life_finding(life),)
        if not work.found_before:
            work.recorder.found(_named(name, findings))
        return Oscillator(name, judge(findings, [life.cause], doubts), _named(name, findings))
    meter_to_rail(work.acquisition, work.operator)
    try:
        _run_stages(work)
    except NoDecision as doubt:
        return Oscillator(name, Verdict(Decision.NO_DECISION, str(doubt), ()), (), warmed=work.warmed)
    return _concluded(work, name, doubts)


def _run_stages(work: Work) -> None:
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
    """One stage; begun anew, after another warm-up, when the unit lost its power in it."""
    for _ in range(TIMES_OFF):
        try:
            STAGES[stage](work)
        except UnitWasOff as seen:
            work.operator.tell(f"{seen} It warms up again; then this stage begins anew.")
            if stage is not StageName.WARM_UP:
                _warm_up(work)
            _sweep_anew(work)
            continue
        return
    raise NoDecision(
        f"The unit was off {TIMES_OFF} times in one stage: see to its supply and its leads, then scan it again."
    )


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
    """A unit whose proof failed goes round again as long as a trim can still help and nothing is known to be broken."""
    if work.left is None or work.causes or (work.tracking is not None and work.tracking.causes):
        return False
    failed = worst_of([each.decision for each in work.left.findings]) not in PASSED
    return failed and bool(_advise(work, work.left).advice)


def _concluded(work: Work, name: str, doubts: tuple[str, ...]) -> Oscillator:
    final = work.left or work.found
    if final is None:
        return Oscillator(name, Verdict(Decision.NO_DECISION, "Nothing was measured.", ()), ())
    causes = [*work.causes]
    if work.tracking is not None:
        causes += work.tracking.causes
    if work.warmed is not None and not work.warmed.steady:
        causes.insert(0, slow_warm_up(work.warmed.faster.rate_cents_per_minute, work.warmed.duration_s / 60.0))
    causes += _survey_causes(work, final)
    if not final.assessed.fit.converged:
        doubts = (*doubts, "The tracking could not be fitted by any oscillator of this kind.")
    untrimmed = work.left is None and work.advised is not None and bool(work.advised.advice)
    return Oscillator(
        name=name,
        verdict=judge(final.findings, causes, doubts, untrimmed=untrimmed),
        findings=_named(name, final.findings),
        as_found=work.found,
        as_left=work.left,
        recommendation=work.advised,
        warmed=work.warmed,
        moves=dict(work.moves),
        found_before=work.found_before,
    )


def _survey_causes(work: Work, final: Survey) -> list[Cause]:
    product = work.acquisition.product
    causes = list(sweep_causes(final.assessed, final.findings, product))
    if work.left is None and work.advised is not None:
        return list(work.advised.causes)
    if final.rail is not None:
        plan = rail_plan(product, final.rail.voltage_v, final.steps_octaves)
        cause = octave_cause(product, plan) if plan is not None else None
        causes += [cause] if cause is not None else []
    return causes


def _advise(work: Work, of: Survey) -> Recommendation:
    return recommend(
        work.acquisition.product,
        of.assessed,
        of.findings,
        of.rail.voltage_v if of.rail is not None else None,
        of.steps_octaves,
        of.knob.centre_octaves if of.knob is not None else None,
        of.knob.middle.octaves if of.knob is not None else None,
        work.tracking.known if work.tracking is not None else work.known,
    )


def _warm_up(work: Work) -> None:
    work.warmed = warm_up(work.acquisition, work.operator, work.recorder)


def _as_found(work: Work) -> None:
    if work.warmed is None:
        raise NoDecision("Nothing is known of the unit's drift: let it warm up first.")
    purpose = "resumed" if work.found_before else AS_FOUND
    work.found = survey(work.acquisition, work.operator, work.recorder, purpose, work.warmed)
    if not work.found_before:
        work.recorder.found(_named(work.name, work.found.findings))
    work.advised = _advise(work, work.found)
    work.recorder.recommendation(work.found.sweep_id, work.advised)
    work.turning = (
        work.purpose is Purpose.ADJUST
        and work.warmed.steady
        and work.found.assessed.fits
        and bool(work.advised.advice)
        and not work.advised.causes
    )
    work.tracking = Tracking(work.found.assessed, work.known)


def _tracking_stage(
    adjust: Callable[[Acquisition, Operator, Recorder, Tracking], None],
) -> Callable[[Work], None]:
    def run(work: Work) -> None:
        if work.turning and work.tracking is not None:
            adjust(work.acquisition, work.operator, work.recorder, work.tracking)
            work.moves.update(work.tracking.moves)

    return run


def _rail(work: Work) -> None:
    if work.turning:
        made = adjust_rail(work.acquisition, work.operator, work.recorder, work.known)
        _count(work, "rail", made.moves, made.cause)


def _last_seen(work: Work) -> tuple[Survey, SweepAssessment]:
    """The last survey, and the tracking as it stands since then."""
    seen = work.left or work.found
    if seen is None or work.tracking is None:
        raise NoDecision("Nothing was measured yet, so nothing can be turned.")
    return seen, work.tracking.assessed


def _octave_steps(work: Work) -> None:
    if work.turning:
        seen, now = _last_seen(work)
        made = adjust_octave_steps(work.acquisition, work.operator, work.recorder, work.known, seen, now)
        _count(work, "rail", made.moves, made.cause)


def _knob(work: Work) -> None:
    if work.turning:
        seen, now = _last_seen(work)
        made = adjust_knob(work.acquisition, work.operator, work.recorder, work.known, seen, now)
        _count(work, "centre", made.moves, made.cause)


def _count(work: Work, trim: str, moves: int, cause: Cause | None) -> None:
    if moves:
        work.moves[trim] = work.moves.get(trim, 0) + moves
    if cause is not None:
        work.causes.append(cause)


def _close_case(work: Work) -> None:
    if work.turning:
        work.operator.close_case()


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
