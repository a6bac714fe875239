"""What is asked of a batch: its units, their visits with what was found and decided, and what was turned."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session

from db.errors import NotFound
from db.models import Bench, BenchRevision, Finding, Move, Product, Unit, Verdict, Visit

NEAREST_SHOWN = 3
LEFT_ALONE = "left alone"
"""How the outcome of a move begins that nobody would make: it is no move of that trim."""


@dataclass(frozen=True, slots=True)
class BatchLine:
    """One batch of one product in a list of batches."""

    batch_code: str
    product: str
    units: int
    visits: int
    first_utc: datetime | None
    last_utc: datetime | None
    demonstration: bool


@dataclass(frozen=True, slots=True)
class Found:
    """One finding of a visit as it stands after all corrections."""

    phase: str
    characteristic: str
    value: float | None
    unit: str
    expanded_uncertainty: float | None
    lower_limit: float | None
    upper_limit: float | None
    bound_low: float | None
    bound_high: float | None
    rule: str
    decision: str


@dataclass(frozen=True, slots=True)
class BatchVisit:
    """One visit of a unit of the batch; ``decision`` is that of the verdict that stands, None while there is none."""

    visit_id: UUID
    serial: str
    product: str
    product_revision_id: UUID
    bench: str
    bench_revision_id: UUID
    purpose: str
    started_utc: datetime
    ended_utc: datetime | None
    outcome: str | None
    demonstration: bool
    decision: str | None
    causes: tuple[str, ...]
    moves: dict[str, int]
    findings: tuple[Found, ...]


@dataclass(frozen=True, slots=True)
class BatchRecord:
    """All that is recorded of a batch: serials by product, and visits in the order in which they began."""

    batch_code: str
    serials: dict[str, tuple[str, ...]]
    visits: tuple[BatchVisit, ...]


def batch_lines(session: Session, *, latest: int | None = None) -> tuple[BatchLine, ...]:
    """Batches, the one visited last first; one line for each product in a batch.

    :param latest: how many at most; None for all.
    """
    last = func.max(Visit.started_utc)
    wanted = (
        select(
            Unit.batch_code,
            Product.name,
            func.count(Unit.id.distinct()),
            func.count(Visit.id),
            func.min(Visit.started_utc),
            last,
            # a truth value is not summed on every database
            func.count(Visit.id).filter(Visit.demonstration),
        )
        .join(Product, Product.id == Unit.product_id)
        .outerjoin(Visit, Visit.unit_id == Unit.id)
        .where(Unit.batch_code.is_not(None))
        .group_by(Unit.batch_code, Product.name)
        .order_by(last.desc().nulls_last(), Unit.batch_code)
    )
    rows = session.execute(wanted if latest is None else wanted.limit(latest)).all()
    return tuple(
        BatchLine(str(code), product, units, visits, first_utc, last_utc, bool(demonstrations))
        for code, product, units, visits, first_utc, last_utc, demonstrations in rows
    )


def batch_record(session: Session, batch_code: str) -> BatchRecord:
    """Units of a batch with their visits.

    :raises NotFound: no unit of this batch was ever recorded.
    """
    units = session.execute(
        select(Unit.id, Unit.serial, Product.name)
        .join(Product, Product.id == Unit.product_id)
        .where(Unit.batch_code == batch_code)
        .order_by(Unit.serial)
    ).all()
    if not units:
        raise NotFound(_unknown(session, batch_code))
    serials: defaultdict[str, list[str]] = defaultdict(list)
    for _, serial, product in units:
        serials[product].append(serial)
    of_batch = Unit.batch_code == batch_code
    names = {unit_id: (serial, product) for unit_id, serial, product in units}
    visits = session.execute(
        select(
            Visit.id,
            Visit.unit_id,
            Visit.product_revision_id,
            Bench.name,
            Visit.bench_revision_id,
            Visit.purpose,
            Visit.started_utc,
            Visit.ended_utc,
            Visit.outcome,
            Visit.demonstration,
        )
        .join(Unit, Unit.id == Visit.unit_id)
        .join(BenchRevision, BenchRevision.id == Visit.bench_revision_id)
        .join(Bench, Bench.id == BenchRevision.bench_id)
        .where(of_batch)
        .order_by(Visit.started_utc, Visit.id)
    ).all()
    decisions = _standing_verdicts(session, of_batch)
    moves = _moves(session, of_batch)
    findings = _standing_findings(session, of_batch)
    recorded = []
    for row in visits:
        serial, product = names[row.unit_id]
        decision, causes = decisions.get(row.id, (None, ()))
        recorded.append(
            BatchVisit(
                visit_id=row.id,
                serial=serial,
                product=product,
                product_revision_id=row.product_revision_id,
                bench=row.name,
                bench_revision_id=row.bench_revision_id,
                purpose=row.purpose,
                started_utc=row.started_utc,
                ended_utc=row.ended_utc,
                outcome=row.outcome,
                demonstration=row.demonstration,
                decision=decision,
                causes=causes,
                moves=moves.get(row.id, {}),
                findings=tuple(findings.get(row.id, ())),
            )
        )
    return BatchRecord(batch_code, {product: tuple(each) for product, each in serials.items()}, tuple(recorded))


def _unknown(session: Session, batch_code: str) -> str:
    """A sentence on a batch that is not there, with a few that are."""
    there = [line.batch_code for line in batch_lines(session, latest=NEAREST_SHOWN)]
    known = f"the last ones are {', '.join(there)}" if there else "no batch is recorded at all"
    return f"No unit of batch {batch_code} is recorded ({known}): check the code, and which database is used."


def _standing_verdicts(session: Session, of_batch: ColumnElement[bool]) -> dict[UUID, tuple[str, tuple[str, ...]]]:
    rows = session.execute(
        select(Verdict.id, Verdict.visit_id, Verdict.corrects_verdict_id, Verdict.decision, Verdict.causes)
        .join(Visit, Visit.id == Verdict.visit_id)
        .join(Unit, Unit.id == Visit.unit_id)
        .where(of_batch)
    ).all()
    corrected = {corrects for _, _, corrects, _, _ in rows if corrects is not None}
    return {visit_id: (decision, tuple(causes)) for own, visit_id, _, decision, causes in rows if own not in corrected}


def _moves(session: Session, of_batch: ColumnElement[bool]) -> dict[UUID, dict[str, int]]:
    rows = session.execute(
        select(Move.visit_id, Move.trim, func.count())
        .join(Visit, Visit.id == Move.visit_id)
        .join(Unit, Unit.id == Visit.unit_id)
        .where(of_batch, Move.outcome.not_like(f"{LEFT_ALONE}%"))
        .group_by(Move.visit_id, Move.trim)
    ).all()
    moves: defaultdict[UUID, dict[str, int]] = defaultdict(dict)
    for visit_id, trim, count in rows:
        moves[visit_id][trim] = count
    return moves


def _standing_findings(session: Session, of_batch: ColumnElement[bool]) -> dict[UUID, list[Found]]:
    rows = session.execute(
        select(
            Finding.visit_id,
            Finding.phase,
            Finding.characteristic,
            Finding.value,
            Finding.unit,
            Finding.expanded_uncertainty,
            Finding.lower_limit,
            Finding.upper_limit,
            Finding.bound_low,
            Finding.bound_high,
            Finding.rule,
            Finding.decision,
        )
        .join(Visit, Visit.id == Finding.visit_id)
        .join(Unit, Unit.id == Visit.unit_id)
        .where(of_batch)
        .order_by(Finding.visit_id, Finding.revision, Finding.created_utc, Finding.characteristic)
    ).all()
    # a correction comes later and takes the place of what it corrects, which keeps its place in the order
    standing: defaultdict[UUID, dict[tuple[str, str], Found]] = defaultdict(dict)
    for visit_id, *rest in rows:
        found = Found(*rest)
        standing[visit_id][found.phase, found.characteristic] = found
    return {visit_id: list(each.values()) for visit_id, each in standing.items()}


def units_of_characteristics(session: Session, visit_id: UUID) -> dict[str, str]:
    """Unit in which each characteristic of a visit is counted."""
    rows = session.execute(
        select(Finding.characteristic, Finding.unit).where(Finding.visit_id == visit_id).distinct()
    ).all()
    return {row[0]: row[1] for row in rows}
