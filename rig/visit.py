"""A visit, from scan to verdict: the only place that knows the order of its stages."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from rig.acquire import Acquisition, TimeSpent
from rig.diagnosis import slow_warm_up, sweep_causes
from rig.errors import NoDecision, Stopped
from rig.recommend import octave_cause, rail_plan, recommend
from rig.records import begin_visit, bench_records
from rig.science.decision import Decision
from rig.stages.centre import adjust_centre
from rig.stages.characterise import know_the_cv
from rig.stages.judge import Verdict, judge, life_finding
from rig.stages.leads import meter_to_rail
from rig.stages.life import look_for_life
from rig.stages.rail import adjust_rail
from rig.stages.survey import survey
from rig.stages.tracking import adjust_tracking
from rig.stages.warm_up import warm_up

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from uuid import UUID

    from db.engine import Database
    from rig.assess import Finding
    from rig.bench import Bench, BenchFile
    from rig.diagnosis import Cause
    from rig.operators.port import Operator
    from rig.product import Product
    from rig.recommend import Recommendation
    from rig.records import Recorder
    from rig.stages.survey import Survey
    from rig.stages.warm_up import WarmedUp
    from rig.tomlfile import Loaded


class Purpose(StrEnum):
    """What a visit is for."""

    ADJUST = "adjust"
    CHECK = "check"


AS_FOUND, AS_LEFT = "as_found", "as_left"


@dataclass(frozen=True, slots=True)
class Visit:
    """What came of a visit. ``as_left`` is missing where nothing was turned: the unit leaves as it was found."""

    visit_id: UUID
    serial: str
    batch: str
    verdict: Verdict
    findings: tuple[Finding, ...]
    as_found: Survey | None = None
    as_left: Survey | None = None
    recommendation: Recommendation | None = None
    warmed: WarmedUp | None = None
    moves: Mapping[str, int] = field(default_factory=dict)
    spent: TimeSpent = field(default_factory=TimeSpent)
    duration_s: float = 0.0

    @property
    def final(self) -> Survey | None:
        """The survey that the verdict rests on."""
        return self.as_left or self.as_found


@dataclass(frozen=True, slots=True)
class Request:
    """Who wants which unit visited, and why."""

    serial: str
    purpose: Purpose
    operator: str
    ambient_c: float | None = None
    seed: int | None = None


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
    operator.connect_unit(request.serial)
    bench.source.set_voltage(0.0)
    bench.source.output_on()
    line = know_the_cv(bench, contents, operator, records)
    recorder = begin_visit(
        records,
        product,
        bench,
        line,
        serial=request.serial,
        batch=batch,
        operator=request.operator,
        purpose=request.purpose.value,
        ambient_c=request.ambient_c,
        seed=request.seed,
    )
    acquisition = Acquisition(bench, contents, line)
    with _ended(recorder):
        visit = _stages(acquisition, operator, recorder, request, batch)
        recorder.conclude(_phases(visit), visit.verdict.decision.value, visit.verdict.causes, visit.verdict.reason)
    bench.source.make_safe()
    return Visit(
        visit_id=visit.visit_id,
        serial=visit.serial,
        batch=visit.batch,
        verdict=visit.verdict,
        findings=visit.findings,
        as_found=visit.as_found,
        as_left=visit.as_left,
        recommendation=visit.recommendation,
        warmed=visit.warmed,
        moves=visit.moves,
        spent=acquisition.spent,
        duration_s=bench.clock.now() - began,
    )


@contextmanager
def _ended(recorder: Recorder) -> Iterator[None]:
    """A visit that does not come to its verdict is ended as stopped or failed; what was measured stays."""
    try:
        yield
    except (Stopped, KeyboardInterrupt):
        recorder.end("stopped")
        raise
    except BaseException:
        recorder.end("failed")
        raise


@dataclass(frozen=True, slots=True)
class Adjusted:
    """What the turning came to: the proof (None where nothing was turned), causes found, moves by trim."""

    left: Survey | None
    causes: list[Cause]
    moves: Mapping[str, int]


def _stages(
    acquisition: Acquisition, operator: Operator, recorder: Recorder, request: Request, batch: str
) -> Visit:
    doubts = acquisition.bench.overdue()
    for doubt in doubts:
        operator.tell(doubt)

    life = look_for_life(acquisition, operator)
    if life.cause is not None:
        findings: tuple[Finding, ...] = (life_finding(life),)
        return Visit(recorder.visit_id, request.serial, batch, judge(findings, [life.cause], doubts), findings)

    meter_to_rail(acquisition, operator)
    warmed = warm_up(acquisition, operator, recorder)
    try:
        found = survey(acquisition, operator, recorder, AS_FOUND, warmed)
        advised = _advise(acquisition, found)
        recorder.recommendation(found.sweep_id, advised)
        if request.purpose is Purpose.CHECK or not _worth_turning(found, warmed, advised):
            adjusted = Adjusted(None, list(advised.causes), {})
        else:
            adjusted = _adjust(acquisition, operator, recorder, found, warmed)
    except NoDecision as doubt:
        verdict = Verdict(Decision.NO_DECISION, str(doubt), ())
        return Visit(recorder.visit_id, request.serial, batch, verdict, (), warmed=warmed)
    final = adjusted.left or found
    causes = list(adjusted.causes)
    if not warmed.steady:
        causes.insert(0, slow_warm_up(warmed.faster.rate_cents_per_minute, warmed.duration_s / 60.0))
    return Visit(
        visit_id=recorder.visit_id,
        serial=request.serial,
        batch=batch,
        verdict=judge(final.findings, causes, doubts),
        findings=final.findings,
        as_found=found,
        as_left=adjusted.left,
        recommendation=advised,
        warmed=warmed,
        moves=adjusted.moves,
    )


def _advise(acquisition: Acquisition, found: Survey) -> Recommendation:
    return recommend(
        acquisition.product,
        found.assessed,
        found.findings,
        found.rail.voltage_v if found.rail is not None else None,
        found.steps_octaves,
        found.knob.centre_octaves if found.knob is not None else None,
        found.knob.middle.octaves if found.knob is not None else None,
        {},
    )


def _worth_turning(found: Survey, warmed: WarmedUp, advised: Recommendation) -> bool:
    """A unit that no trim can bring inside, or that is still drifting, goes to the fault shelf untouched."""
    return warmed.steady and found.assessed.fits and bool(advised.advice) and not advised.causes


def _adjust(
    acquisition: Acquisition, operator: Operator, recorder: Recorder, found: Survey, warmed: WarmedUp
) -> Adjusted:
    tracking = adjust_tracking(acquisition, operator, recorder, found.assessed)
    rail = adjust_rail(acquisition, operator, recorder)
    centre = adjust_centre(acquisition, operator, recorder)
    operator.tell("Hands away: the warmth of a hand leaves the board before the proof.")
    acquisition.bench.clock.sleep(acquisition.measuring.soak_s)
    left = survey(acquisition, operator, recorder, AS_LEFT, warmed)
    causes = [*tracking.causes, *(each.cause for each in (rail, centre) if each.cause is not None)]
    causes += sweep_causes(left.assessed, left.findings, acquisition.product)
    if left.rail is not None and not any(each.cause is not None for each in (rail,)):
        plan = rail_plan(acquisition.product, left.rail.voltage_v, left.steps_octaves)
        cause = octave_cause(acquisition.product, plan) if plan is not None else None
        causes += [cause] if cause is not None else []
    moves: dict[str, int] = dict(tracking.moves)
    names = {"rail": rail.moves, "centre": centre.moves}
    moves.update({name: count for name, count in names.items() if count})
    return Adjusted(left, causes, moves)


def _phases(visit: Visit) -> Mapping[str, tuple[Finding, ...]]:
    """Findings by phase; a unit that nobody turned leaves as it was found."""
    if visit.as_found is None:
        return {AS_FOUND: visit.findings, AS_LEFT: visit.findings}
    left = visit.as_left or visit.as_found
    return {AS_FOUND: visit.as_found.findings, AS_LEFT: left.findings}
