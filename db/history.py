"""The history of a unit, and visits that were never closed, as frozen values that outlive the session."""

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID

from sqlalchemy import ColumnElement, func, select, true
from sqlalchemy.orm import Session

from db.models import Bench, BenchRevision, Finding, Move, Point, Product, Sweep, Unit, Verdict, Visit, VisitClosing
from db.queries import unit_by_serial


@dataclass(frozen=True, slots=True)
class FindingRow:
    """A finding as it stands after all corrections; the numbers are in ``unit``."""

    phase: str
    characteristic: str
    revision: int
    value: float | None
    unit: str
    expanded_uncertainty: float | None
    coverage_probability: float | None
    lower_limit: float | None
    upper_limit: float | None
    bound_low: float | None
    bound_high: float | None
    rule: str
    decision: str
    note: str | None
    created_utc: datetime


@dataclass(frozen=True, slots=True)
class VerdictRow:
    """A verdict; ``corrects_verdict_id`` names the one that it takes the place of."""

    verdict_id: UUID
    decision: str
    causes: tuple[str, ...]
    reason: str
    corrects_verdict_id: UUID | None
    created_utc: datetime


@dataclass(frozen=True, slots=True)
class VisitRow:
    """One visit with what was found and decided; ``verdicts`` runs from the first to the one that stands."""

    visit_id: UUID
    bench: str
    operator: str
    purpose: str
    software_version: str
    started_utc: datetime
    ended_utc: datetime | None
    outcome: str | None
    ambient_c: float | None
    demonstration: bool
    seed: int | None
    verdicts: tuple[VerdictRow, ...]
    as_found: tuple[FindingRow, ...]
    as_left: tuple[FindingRow, ...]
    closed_because: str = ""
    """Why it was closed when it might have gone on, and by whom; empty for one that came to its own end."""
    moves: int = 0
    """Moves of its trims that were finished."""

    @property
    def verdict(self) -> VerdictRow | None:
        """The verdict that stands; None while there is none."""
        return self.verdicts[-1] if self.verdicts else None


@dataclass(frozen=True, slots=True)
class UnitHistory:
    """A unit and all its visits, oldest first."""

    unit_id: UUID
    serial: str
    product: str
    batch_code: str | None
    visits: tuple[VisitRow, ...]


@dataclass(frozen=True, slots=True)
class UnfinishedVisit:
    """A visit that was begun and never ended, and what it has so far: it can be resumed or closed."""

    visit_id: UUID
    serial: str
    bench: str
    operator: str
    purpose: str
    started_utc: datetime
    points: int
    moves: int


def history(session: Session, serial: str) -> UnitHistory:
    """All that is known of a unit: visits, findings as found and as left, verdicts with their corrections.

    :raises NotFound: no unit with this serial was ever recorded.
    """
    unit = unit_by_serial(session, serial)
    product = session.scalars(select(Product.name).where(Product.id == unit.product_id)).one()
    of_unit = Visit.unit_id == unit.id
    findings = _standing_findings(session, of_unit)
    verdicts = _verdicts(session, of_unit)
    moves = select(func.count()).select_from(Move).where(Move.visit_id == Visit.id)
    rows = session.execute(
        select(Visit, Bench.name, VisitClosing, moves.correlate(Visit).scalar_subquery())
        .outerjoin(VisitClosing, VisitClosing.visit_id == Visit.id)
        .join(BenchRevision, BenchRevision.id == Visit.bench_revision_id)
        .join(Bench, Bench.id == BenchRevision.bench_id)
        .where(of_unit)
        .order_by(Visit.started_utc, Visit.id)
    ).all()
    visits = tuple(
        VisitRow(
            visit_id=visit.id,
            bench=bench,
            operator=visit.operator,
            purpose=visit.purpose,
            software_version=visit.software_version,
            started_utc=visit.started_utc,
            ended_utc=visit.ended_utc,
            outcome=visit.outcome,
            ambient_c=visit.ambient_c,
            demonstration=visit.demonstration,
            seed=visit.seed,
            verdicts=_from_first_to_standing(verdicts[visit.id]),
            as_found=tuple(each for each in findings[visit.id] if each.phase == "as_found"),
            as_left=tuple(each for each in findings[visit.id] if each.phase == "as_left"),
            closed_because="" if closing is None else f"{closing.reason} ({closing.closed_by})",
            moves=moves,
        )
        for visit, bench, closing, moves in rows
    )
    return UnitHistory(unit.id, unit.serial, product, unit.batch_code, visits)


def merged(there: UnitHistory | None, here: UnitHistory | None) -> UnitHistory | None:
    """One history from two records of the same unit: a visit in both counts once, as the first has it."""
    if there is None or here is None:
        return there or here
    known = {each.visit_id for each in there.visits}
    visits = (*there.visits, *(each for each in here.visits if each.visit_id not in known))
    return replace(there, visits=tuple(sorted(visits, key=lambda each: (each.started_utc, each.visit_id))))


def unfinished_visits(session: Session, bench_name: str | None = None) -> tuple[UnfinishedVisit, ...]:
    """Visits on a bench, under any of its revisions, that were begun and never ended; oldest first.

    :param bench_name: ``None`` for those of all benches.
    """
    points = (
        select(func.count())
        .select_from(Point)
        .join(Sweep, Sweep.id == Point.sweep_id)
        .where(Sweep.visit_id == Visit.id)
    )
    moves = select(func.count()).select_from(Move).where(Move.visit_id == Visit.id)
    rows = session.execute(
        select(
            Visit.id,
            Unit.serial,
            Bench.name,
            Visit.operator,
            Visit.purpose,
            Visit.started_utc,
            points.correlate(Visit).scalar_subquery(),
            moves.correlate(Visit).scalar_subquery(),
        )
        .join(Unit, Unit.id == Visit.unit_id)
        .join(BenchRevision, BenchRevision.id == Visit.bench_revision_id)
        .join(Bench, Bench.id == BenchRevision.bench_id)
        .where(Visit.ended_utc.is_(None), true() if bench_name is None else Bench.name == bench_name)
        .order_by(Visit.started_utc, Visit.id)
    ).all()
    return tuple(UnfinishedVisit(*row) for row in rows)


def _standing_findings(session: Session, of_unit: ColumnElement[bool]) -> dict[UUID, list[FindingRow]]:
    """Findings of each visit in the order in which they were first made, each as last corrected."""
    rows = session.scalars(
        select(Finding).join(Visit, Visit.id == Finding.visit_id).where(of_unit).order_by(Finding.revision)
    ).all()
    standing: dict[tuple[UUID, str, str], FindingRow] = {}
    first_made: dict[tuple[UUID, str, str], datetime] = {}
    for row in rows:
        key = (row.visit_id, row.phase, row.characteristic)
        first_made.setdefault(key, row.created_utc)
        standing[key] = FindingRow(
            phase=row.phase,
            characteristic=row.characteristic,
            revision=row.revision,
            value=row.value,
            unit=row.unit,
            expanded_uncertainty=row.expanded_uncertainty,
            coverage_probability=row.coverage_probability,
            lower_limit=row.lower_limit,
            upper_limit=row.upper_limit,
            bound_low=row.bound_low,
            bound_high=row.bound_high,
            rule=row.rule,
            decision=row.decision,
            note=row.note,
            created_utc=row.created_utc,
        )
    by_visit: defaultdict[UUID, list[FindingRow]] = defaultdict(list)
    for key in sorted(standing, key=lambda key: (first_made[key], key[1:])):
        by_visit[key[0]].append(standing[key])
    return by_visit


def _verdicts(session: Session, of_unit: ColumnElement[bool]) -> dict[UUID, list[VerdictRow]]:
    rows = session.scalars(select(Verdict).join(Visit, Visit.id == Verdict.visit_id).where(of_unit)).all()
    by_visit: defaultdict[UUID, list[VerdictRow]] = defaultdict(list)
    for row in rows:
        by_visit[row.visit_id].append(
            VerdictRow(
                verdict_id=row.id,
                decision=row.decision,
                causes=tuple(row.causes),
                reason=row.reason,
                corrects_verdict_id=row.corrects_verdict_id,
                created_utc=row.created_utc,
            )
        )
    return by_visit


def _from_first_to_standing(verdicts: list[VerdictRow]) -> tuple[VerdictRow, ...]:
    """Follow the corrections: the database allows one first verdict and one correction of each."""
    correction_of = {each.corrects_verdict_id: each for each in verdicts}
    chain: list[VerdictRow] = []
    following = correction_of.get(None)
    while following is not None and len(chain) < len(verdicts):
        chain.append(following)
        following = correction_of.get(following.verdict_id)
    return tuple(chain)
