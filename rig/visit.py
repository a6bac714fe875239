"""A visit, from scan to verdict: the CV known, each oscillator through its stages, one verdict, one record."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING

from db.errors import Protected, VisitEnded
from db.queries import require_product
from rig.acquire import Acquisition, TimeSpent
from rig.authority import authority_of, doubt_of
from rig.beginning import Wanted, begin_visit, bench_records, require_not_measured_now
from rig.bench_lock import Locks
from rig.conditions import room_now
from rig.control_budgets import drift_budget, readings_of_a_window
from rig.counted import counted
from rig.diagnosis import BAD, left_alone, slow_warm_up, sweep_causes
from rig.errors import NoDecision, Stopped
from rig.knowledge import learned_trims
from rig.recommend import octave_cause, rail_plan
from rig.recovery import attempt
from rig.science.conformity import Decision, worst_of
from rig.stages.came_back import ask_why, enter_why, tell_what_changed
from rig.stages.characterise_source import know_the_source
from rig.stages.judge import Verdict, judge, life_finding
from rig.stages.leads import meter_to_rail
from rig.stages.life import look_for_life
from rig.stages.verify_bench import require_a_product
from rig.workflow import PASSED, Purpose, Work, named, run_stages

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from uuid import UUID

    from db.engine import Database
    from rig.assess import Finding
    from rig.bench import Bench, BenchFile
    from rig.diagnosis import Cause
    from rig.operators.port import Operator, Story
    from rig.product import Product
    from rig.recommend import Recommendation
    from rig.records import Recorder
    from rig.returns import CameBack
    from rig.science.learning import TrimKnowledge
    from rig.stages.survey import Survey
    from rig.stages.warm_up import WarmedUp
    from rig.tomlfile import Loaded

__all__ = ["PASSED", "Oscillator", "Purpose", "Request", "Visit", "run_visit"]


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
        return self.findings if self.as_found is None else named(self.name, self.as_found.findings)


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
    came_back: CameBack | None = None
    """As found against as left, where the unit left before."""

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
    story: Story | None = None
    """Why the unit came back, where that was said with the order; the operator is asked otherwise."""


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
    :raises Conflict: before that too, where the unit is one of another product.
    :raises Stopped: the operator ended it.
    """
    contents = product.contents
    batch = contents.serial.batch_of(request.serial)
    _require_a_unit_of(contents, bench, database, request.serial)
    _date_taken(bench, operator)
    if bench.remark:
        operator.tell(bench.remark)
    demonstration = _is_demonstration(bench, contents)
    standing = authority_of(
        database,
        product,
        request.operator,
        bench.clock.utc(),
        demonstration=demonstration,
        adjusts=request.purpose is Purpose.ADJUST,
    )
    records = bench_records(database, bench, bench_file)
    began = bench.clock.now()
    asked = ask_why(database, bench.clock, operator, request.serial, request.story)
    _put_on_the_bench(bench, contents, operator, request)
    room = room_now(bench, request.ambient_c)
    ambient_c = None if room is None else room.celsius
    if room is not None:
        operator.tell(room.sentence)
    line = attempt(
        bench,
        operator,
        "the characterisation of the source",
        lambda: know_the_source(bench, contents, operator, records, ambient_c=ambient_c),
    )
    wanted = Wanted(
        request.serial, batch, request.operator, request.purpose.value, ambient_c, request.seed, room, standing
    )
    recorder = begin_visit(records, product, bench, line, wanted)
    if recorder.resumed:
        operator.tell(
            f"A visit of {request.serial} was interrupted{_how_far(recorder, request.purpose)}: it goes on; what was "
            "measured as found stays as found."
        )
    enter_why(database, bench.clock, asked, request.serial, request.operator)
    known_findings = recorder.findings_found()
    acquisition = Acquisition(bench, contents, line, ambient_c=ambient_c)
    with Locks(bench_file.path) as locks, _kept_open(recorder, request.serial, request.purpose):
        locks.take_visit(recorder.visit_id, request.serial)
        doubts = (*bench.overdue(), *doubt_of(standing))
        for doubt in doubts:
            operator.tell(doubt)
        done: list[Oscillator] = []
        came_back: CameBack | None = None
        for name in contents.oscillators:
            if name != contents.oscillators[0]:
                bench.source.set_voltage(0.0)
                operator.connect_unit(request.serial, name)
            recorder.oscillator = name
            known = _known(database, product, batch, demonstration=demonstration)
            own = tuple(each for each in known_findings if _of(name, each))
            acquisition.resting = False
            work = Work(acquisition, operator, recorder, request.purpose, known, name, own)
            if asked.back:
                work.when_found = partial(tell_what_changed, recorder, operator, contents, request.serial)
            done.append(_oscillator(work, name, doubts))
            came_back = work.came_back or came_back
        whole = _whole(done)
        visit = Visit(
            recorder.visit_id, request.serial, batch, whole, tuple(done), acquisition.spent, came_back=came_back
        )
        recorder.conclude(
            visit.findings,
            visit.verdict.decision.value,
            visit.verdict.causes,
            visit.verdict.reason,
        )
    bench.source.make_safe()
    _date_taken(bench, operator)
    _tell_where_it_goes(visit, request.purpose, operator)
    return replace(visit, duration_s=bench.clock.now() - began)


def _require_a_unit_of(product: Product, bench: Bench, database: Database, serial: str) -> None:
    """Whether this unit can be measured as one of this product, and be recorded, before anybody connects it."""
    require_a_product(serial, bench.file.reference.serial if bench.file.reference is not None else None)
    database.require_writable()
    with database.reading() as session:
        require_product(session, serial, product.product.name)
        require_not_measured_now(session, serial)


def _put_on_the_bench(bench: Bench, product: Product, operator: Operator, request: Request) -> None:
    """Cautions, the unit connected and checked, the source at 0 V with its output on."""
    operator.warn(product.cautions)
    operator.connect_unit(request.serial, product.oscillators[0])
    if request.purpose is Purpose.ADJUST and product.checks:
        operator.warn(product.checks)
    bench.source.set_voltage(0.0)
    bench.source.output_on()


def _date_taken(bench: Bench, operator: Operator) -> None:
    """Take the computer's date anew between visits, and say so where it was set."""
    said = bench.clock.take_date()
    if said:
        operator.tell(said)


def _tell_where_it_goes(visit: Visit, purpose: Purpose, operator: Operator) -> None:
    if visit.verdict.decision in PASSED:
        return
    causes = "; ".join(cause.sentence for cause in visit.verdict.causes) or visit.verdict.reason
    shelf = "To the fault shelf" if purpose is Purpose.ADJUST else "Not inside"
    operator.tell(f"{shelf}: {causes}")


def _is_demonstration(bench: Bench, product: Product) -> bool:
    return product.product.demonstration or bench.file.bench.demonstration


def _known(
    database: Database, product: Loaded[Product], batch: str, *, demonstration: bool
) -> dict[str, TrimKnowledge]:
    """What file, other batches and the units of this batch so far say of each trim."""
    learned = database.ask(lambda session: learned_trims(session, product, batch, demonstration=demonstration))
    return {name: each.knowledge for name, each in learned.items()}


@contextmanager
def _kept_open(recorder: Recorder, serial: str, purpose: Purpose) -> Iterator[None]:
    """A visit that does not come to its verdict stays open and can go on; a mere check is ended.

    What was measured is kept either way.

    :raises Stopped: besides what the block raises: somebody closed the visit while it went on.
    """
    try:
        yield
    except (Stopped, KeyboardInterrupt):
        if purpose is Purpose.CHECK:
            recorder.end("stopped")
        raise
    except Exception as error:
        closing = recorder.closed_meanwhile() if isinstance(error, Protected | VisitEnded) else None
        if closing is not None:
            raise Stopped(
                f"The visit of {serial} was closed meanwhile by {closing.closed_by}: {closing.reason.rstrip('.')}. "
                "What was measured until then is kept; scan the unit again to begin a new one."
            ) from error
        if purpose is Purpose.CHECK:
            recorder.end("failed")
        raise


def _how_far(recorder: Recorder, purpose: Purpose) -> str:
    """How far an interrupted visit came: a move is written when the tool leaves the trim."""
    if purpose is Purpose.CHECK:
        return ""
    moves = counted(recorder.moves, "finished move")
    return f" after {moves} (one may have been under way)"


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


def _oscillator(work: Work, name: str, doubts: tuple[str, ...]) -> Oscillator:
    acquisition, operator = work.acquisition, work.operator
    bench = acquisition.bench
    life = attempt(bench, operator, "the first look at the unit", lambda: look_for_life(acquisition, operator))
    if life.cause is not None:
        findings: tuple[Finding, ...] = (life_finding(life),)
        if not work.found_before:
            work.recorder.found(named(name, findings))
        return Oscillator(name, judge(findings, [life.cause], doubts), named(name, findings))
    attempt(bench, operator, "the look at the rail", lambda: meter_to_rail(acquisition, operator))
    try:
        run_stages(work)
    except NoDecision as doubt:
        return Oscillator(name, Verdict(Decision.NO_DECISION, str(doubt), ()), (), warmed=work.warmed)
    return concluded(work, name, doubts)


def concluded(work: Work, name: str, doubts: tuple[str, ...]) -> Oscillator:
    final = work.left or work.found
    if final is None:
        return Oscillator(name, Verdict(Decision.NO_DECISION, "Nothing was measured.", ()), ())
    causes = [*work.causes]
    if work.tracking is not None:
        causes += work.tracking.causes
    if work.warmed is not None and not work.warmed.steady:
        causes.insert(0, _restless(work.warmed, work.acquisition.product))
    refused = [left_alone(work.acquisition.product.trims[trim].label, why) for trim, why in work.left_alone.items()]
    causes += [*refused, *_survey_causes(work, final)]
    unknown = "" if final.assessed.fit.converged else "The tracking could not be fitted by any oscillator of this kind."
    untrimmed = work.left is None and work.advised is not None and bool(work.advised.advice)
    verdict = judge(final.findings, causes, doubts, untrimmed=untrimmed, unknown=unknown)
    if verdict.decision not in BAD:
        verdict = replace(verdict, reason=" ".join((verdict.reason, *(each.sentence for each in refused))))
    return Oscillator(
        name=name,
        verdict=verdict,
        findings=named(name, final.findings),
        as_found=work.found,
        as_left=work.left,
        recommendation=work.advised,
        warmed=work.warmed,
        moves=dict(work.moves),
        found_before=work.found_before,
    )


def _restless(warmed: WarmedUp, product: Product) -> Cause:
    faster, minutes = warmed.faster, warmed.duration_s / 60.0
    limit = product.limits.drift_cents_per_minute
    expanded = drift_budget("faster", faster, readings_of_a_window(product)).combine().expanded_uncertainty
    return slow_warm_up(faster.rate_cents_per_minute, expanded, limit, minutes)


def _survey_causes(work: Work, final: Survey) -> list[Cause]:
    product = work.acquisition.product
    causes = list(sweep_causes(final.assessed, final.findings, product))
    if work.left is None and work.advised is not None:
        return list(work.advised.causes)
    off = any(each.characteristic in ("scale_error", "highs_error") and each.decision in BAD for each in final.findings)
    if final.rail is not None and not off:
        plan = rail_plan(product, final.rail.voltage_v, final.steps_octaves)
        cause = octave_cause(product, plan) if plan is not None else None
        causes += [cause] if cause is not None else []
    return causes
