"""Everything that is kept of one visit, as frozen values that outlive the session: what a record is printed from."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session

from db.bench_history import CurveRow, latest_curve_where, shown
from db.errors import NotFound
from db.history import UnitHistory, VisitRow, history
from db.models import (
    BenchRevision,
    Characterisation,
    Instrument,
    Move,
    Point,
    ProductRevision,
    Sweep,
    Unit,
    Visit,
    VisitCondition,
    VisitInstrument,
)
from db.questions import connection_of
from db.returned import RepairRow, ReturnRow, repairs_of, returns_of
from db.returns import SuspicionRow, suspicions_of

LEFT_WITH = ("pass", "conditional pass")
"""Decisions with which a unit leaves."""


@dataclass(frozen=True, slots=True)
class InstrumentRow:
    """An instrument of a visit, with its calibration as it was stated then."""

    role: str
    identity: str
    calibrated_on: date | None
    calibration_due: date | None


@dataclass(frozen=True, slots=True)
class PointRow:
    """One point of a sweep."""

    index: int
    cv_programmed_v: float
    cv_v: float
    cv_standard_uncertainty_v: float
    read_back_v: float | None
    frequency_hz: float
    relative_standard_uncertainty: float
    gate_s: float
    elapsed_s: float
    readings_count: int
    revisit: bool


@dataclass(frozen=True, slots=True)
class SweepRow:
    """A sweep with its points, in the order in which they were taken."""

    purpose: str
    controls: Mapping[str, str]
    started_utc: datetime
    points: tuple[PointRow, ...]


@dataclass(frozen=True, slots=True)
class MoveRow:
    """One adjustment of one trim."""

    trim: str
    controls: Mapping[str, str]
    outcome: str


@dataclass(frozen=True, slots=True)
class ConditionRow:
    """The room and how the CV was known at a moment of the visit: 'start', 'resumed' or 'end'."""

    moment: str
    ambient_c: float | None
    ambient_standard_uncertainty_k: float | None
    ambient_by: str | None
    cv_by: str


@dataclass(frozen=True, slots=True)
class VisitRecord:
    """One visit, whole.

    ``returns`` and ``repairs`` are those since the visit before, up to the end of this one. ``curve`` is what the
    source was known by; None where it was never kept as a curve.
    """

    serial: str
    product: str
    batch_code: str | None
    product_toml: str
    bench_toml: str
    visit: VisitRow
    instruments: tuple[InstrumentRow, ...]
    sweeps: tuple[SweepRow, ...]
    moves: tuple[MoveRow, ...]
    conditions: tuple[ConditionRow, ...]
    returns: tuple[ReturnRow, ...]
    suspicions: tuple[SuspicionRow, ...]
    repairs: tuple[RepairRow, ...]
    curve: CurveRow | None

    @property
    def cv_by(self) -> str:
        """How the CV was known when the visit began or last went on; empty where that was not kept."""
        return next((each.cv_by for each in reversed(self.conditions) if each.moment != "end"), "")


def visit_record(session: Session, serial: str, visit_id: UUID | None = None) -> VisitRecord:
    """What is kept of a visit of a unit.

    :param visit_id: which one; None for the latest that came to a verdict.
    :raises NotFound: no unit has this serial, the visit is none of its visits, or none came to a verdict.
    """
    known = history(connection_of(session), serial)
    if visit_id is None:
        judged = [each for each in known.visits if each.verdict is not None]
        if not known.visits:
            raise NotFound(f"No visit of unit {serial} is recorded, though the unit is: check or work on it first.")
        if not judged:
            raise NotFound(
                f"No visit of unit {serial} came to a verdict: name one with --visit (rig history {serial} lists them)."
            )
        row = judged[-1]
    else:
        found = next((each for each in known.visits if each.visit_id == visit_id), None)
        if found is None:
            raise NotFound(
                f"The visit {visit_id} is none of unit {serial}: choose one that rig history {serial} lists."
            )
        row = found
    visit, product_toml, bench_toml = session.execute(
        select(Visit, ProductRevision.toml_text, BenchRevision.toml_text)
        .join(ProductRevision, ProductRevision.id == Visit.product_revision_id)
        .join(BenchRevision, BenchRevision.id == Visit.bench_revision_id)
        .join(Unit, Unit.id == Visit.unit_id)
        .where(Visit.id == row.visit_id)
    ).one()
    sweeps = _sweeps(session, row.visit_id)
    before = _left_before(known, row)
    connection = connection_of(session)
    returns, repairs = returns_of(connection, known.unit_id, since=before), repairs_of(connection, known.unit_id)
    return VisitRecord(
        serial=known.serial,
        product=known.product,
        batch_code=known.batch_code,
        product_toml=product_toml,
        bench_toml=bench_toml,
        visit=row,
        instruments=_instruments(session, row.visit_id),
        sweeps=sweeps,
        moves=_moves(session, row.visit_id),
        conditions=_conditions(session, row.visit_id),
        returns=tuple(each for each in returns if _between(each.received_utc, before, row.ended_utc)),
        suspicions=suspicions_of(session, row.visit_id),
        repairs=tuple(each for each in repairs if _between(each.done_utc, before, row.ended_utc)),
        curve=_curve(session, visit, max((each.started_utc for each in sweeps), default=visit.started_utc)),
    )


def _left_before(known: UnitHistory, row: VisitRow) -> datetime | None:
    """When the unit last left with a pass before a visit; None where it never did.

    What was entered since belongs to the visit, whatever was measured between: a check, or a visit that was closed.
    """
    left = [
        each.ended_utc or each.started_utc
        for each in known.visits
        if each.started_utc < row.started_utc and each.verdict is not None and each.verdict.decision in LEFT_WITH
    ]
    return max(left, default=None)


def _between(at: datetime, after: datetime | None, until: datetime | None) -> bool:
    return (after is None or at > after) and (until is None or at <= until)


def _instruments(session: Session, visit_id: UUID) -> tuple[InstrumentRow, ...]:
    rows = session.execute(
        select(VisitInstrument, Instrument)
        .join(Instrument, Instrument.id == VisitInstrument.instrument_id)
        .where(VisitInstrument.visit_id == visit_id)
        .order_by(VisitInstrument.role)
    ).all()
    return tuple(
        InstrumentRow(used.role, shown(instrument), used.calibrated_on, used.calibration_due)
        for used, instrument in rows
    )


def _sweeps(session: Session, visit_id: UUID) -> tuple[SweepRow, ...]:
    sweeps = session.scalars(select(Sweep).where(Sweep.visit_id == visit_id).order_by(Sweep.sequence)).all()
    points: dict[UUID, list[PointRow]] = {sweep.id: [] for sweep in sweeps}
    for point in session.scalars(
        select(Point).where(Point.sweep_id.in_(list(points))).order_by(Point.sweep_id, Point.index)
    ):
        points[point.sweep_id].append(
            PointRow(
                index=point.index,
                cv_programmed_v=point.cv_programmed_v,
                cv_v=point.cv_v,
                cv_standard_uncertainty_v=point.cv_standard_uncertainty_v,
                read_back_v=point.read_back_v,
                frequency_hz=point.frequency_hz,
                relative_standard_uncertainty=point.relative_standard_uncertainty,
                gate_s=point.gate_s,
                elapsed_s=point.elapsed_s,
                readings_count=point.readings_count,
                revisit=point.revisit,
            )
        )
    return tuple(
        SweepRow(sweep.purpose, dict(sweep.controls), sweep.started_utc, tuple(points[sweep.id])) for sweep in sweeps
    )


def _moves(session: Session, visit_id: UUID) -> tuple[MoveRow, ...]:
    rows = session.scalars(select(Move).where(Move.visit_id == visit_id).order_by(Move.sequence)).all()
    return tuple(MoveRow(each.trim, dict(each.controls), each.outcome) for each in rows)


def _conditions(session: Session, visit_id: UUID) -> tuple[ConditionRow, ...]:
    rows = session.scalars(
        select(VisitCondition)
        .where(VisitCondition.visit_id == visit_id)
        .order_by(VisitCondition.taken_utc, VisitCondition.id)
    ).all()
    return tuple(
        ConditionRow(each.moment, each.ambient_c, each.ambient_standard_uncertainty_k, each.ambient_by, each.cv_by)
        for each in rows
    )


def _curve(session: Session, visit: Visit, until: datetime) -> CurveRow | None:
    """The curve of the visit's source on the visit's bench as it stood at a moment."""
    sources = select(VisitInstrument.instrument_id).where(
        VisitInstrument.visit_id == visit.id, VisitInstrument.role == "source"
    )
    return latest_curve_where(
        session,
        Characterisation.source_instrument_id.in_(sources),
        Characterisation.bench_revision_id == visit.bench_revision_id,
        Characterisation.taken_utc <= until,
    )
