"""What is asked of a bench's own history, as frozen values: curves of its source, checks, studies."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from db.errors import NotFound
from db.models import (
    Bench,
    BenchCheck,
    BenchCheckValue,
    BenchRevision,
    BenchStudy,
    BenchStudyReading,
    Characterisation,
    Instrument,
    SourceCurve,
    Unit,
    Visit,
)


@dataclass(frozen=True, slots=True)
class CurveRow:
    """A characterisation of a bench's source as a curve, with when and on which source it was made."""

    characterisation_id: UUID
    bench_revision_id: UUID
    source_instrument_id: UUID
    source_shown: str
    taken_utc: datetime
    valid_until_utc: datetime
    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    low_v: float
    high_v: float
    own_standard_uncertainty_v: float
    degrees_of_freedom: int
    scatter_v: float


@dataclass(frozen=True, slots=True)
class CheckRow:
    """One characteristic of the reference unit in one check."""

    taken_utc: datetime
    characteristic: str
    label: str
    value: float
    unit: str
    expanded_uncertainty: float
    normalised_error: float | None
    standing: str
    restart_reason: str


@dataclass(frozen=True, slots=True)
class StudyReadingRow:
    """One reading of a study."""

    serial: str
    operator: str
    repeat: int
    characteristic: str
    value: float
    unit: str


def latest_curve_where(session: Session, *conditions: ColumnElement[bool]) -> CurveRow | None:
    """The latest of the curves that meet some conditions on their characterisation; None where none does."""
    found = session.execute(
        select(Characterisation, SourceCurve, Instrument)
        .join(SourceCurve, SourceCurve.characterisation_id == Characterisation.id)
        .join(Instrument, Instrument.id == Characterisation.source_instrument_id)
        .where(*conditions)
        .order_by(Characterisation.taken_utc.desc(), Characterisation.id.desc())
        .limit(1)
    ).first()
    if found is None:
        return None
    row, curve, source = found
    return _curve_row(row, curve, source)


def latest_curve(session: Session, bench_id: UUID) -> CurveRow | None:
    """The latest curve made on a bench, whichever of its revisions and sources it was; None where there is none."""
    revisions = select(BenchRevision.id).where(BenchRevision.bench_id == bench_id)
    return latest_curve_where(session, Characterisation.bench_revision_id.in_(revisions))


def _curve_row(row: Characterisation, curve: SourceCurve, source: Instrument) -> CurveRow:
    """A characterisation as a frozen value."""
    return CurveRow(
        characterisation_id=row.id,
        bench_revision_id=row.bench_revision_id,
        source_instrument_id=row.source_instrument_id,
        source_shown=shown(source),
        taken_utc=row.taken_utc,
        valid_until_utc=row.valid_until_utc,
        coefficients=tuple(row.coefficients),
        covariance=tuple(tuple(each) for each in row.covariance),
        low_v=curve.low_v,
        high_v=curve.high_v,
        own_standard_uncertainty_v=curve.own_standard_uncertainty_v,
        degrees_of_freedom=row.degrees_of_freedom,
        scatter_v=curve.scatter_v,
    )


def instrument_shown(session: Session, instrument_id: UUID) -> str:
    """Maker, model, serial and firmware of an instrument, for people.

    :raises NotFound: there is no such instrument.
    """
    found = session.get(Instrument, instrument_id)
    if found is None:
        raise NotFound(f"There is no instrument {instrument_id}: it was never on a bench of this database.")
    return shown(found)


def shown(instrument: Instrument) -> str:
    """An instrument for people."""
    parts = (instrument.maker, instrument.model, instrument.serial, instrument.firmware)
    return " ".join(part for part in parts if part)


def bench_of(session: Session, bench_revision_id: UUID) -> UUID:
    """The bench that a revision is of.

    :raises NotFound: there is no such revision.
    """
    found = session.get(BenchRevision, bench_revision_id)
    if found is None:
        raise NotFound(f"There is no bench revision {bench_revision_id}: open the bench first.")
    return found.bench_id


def checks_of(session: Session, bench_id: UUID, serial: str, *, latest: int = 1000) -> tuple[CheckRow, ...]:
    """Values of a reference unit in the latest checks on a bench, oldest first.

    :param latest: how many values are read at most.
    """
    rows = session.execute(
        select(
            BenchCheck.taken_utc,
            BenchCheckValue.characteristic,
            BenchCheckValue.label,
            BenchCheckValue.value,
            BenchCheckValue.unit,
            BenchCheckValue.expanded_uncertainty,
            BenchCheckValue.normalised_error,
            BenchCheckValue.standing,
            BenchCheck.restart_reason,
        )
        .join(BenchCheck, BenchCheck.id == BenchCheckValue.check_id)
        .join(Visit, Visit.id == BenchCheck.visit_id)
        .join(Unit, Unit.id == Visit.unit_id)
        .join(BenchRevision, BenchRevision.id == Visit.bench_revision_id)
        .where(BenchRevision.bench_id == bench_id, Unit.serial == serial)
        .order_by(BenchCheck.taken_utc.desc(), BenchCheck.id.desc(), BenchCheckValue.characteristic)
        .limit(latest)
    ).all()
    return tuple(CheckRow(*row) for row in reversed(rows))


def reference_on(session: Session, bench_name: str) -> str | None:
    """Serial of the reference unit that was checked last on a bench of this name; None where none ever was."""
    return session.scalar(
        select(Unit.serial)
        .join(Visit, Visit.unit_id == Unit.id)
        .join(BenchCheck, BenchCheck.visit_id == Visit.id)
        .join(BenchRevision, BenchRevision.id == Visit.bench_revision_id)
        .join(Bench, Bench.id == BenchRevision.bench_id)
        .where(Bench.name == bench_name)
        .order_by(BenchCheck.taken_utc.desc())
        .limit(1)
    )


def checks_with(session: Session, bench_name: str, serial: str, *, latest: int = 1000) -> tuple[CheckRow, ...]:
    """Values of one reference unit in its latest checks on a bench of this name, oldest first."""
    bench_id = session.scalar(select(Bench.id).where(Bench.name == bench_name))
    return () if bench_id is None else checks_of(session, bench_id, serial, latest=latest)


def readings_of_study(session: Session, study_id: UUID) -> tuple[StudyReadingRow, ...]:
    """Readings of a study in the order in which they were taken.

    :raises NotFound: there is no such study.
    """
    if session.get(BenchStudy, study_id) is None:
        raise NotFound(f"There is no study {study_id}: list those of the bench first.")
    rows: Sequence[tuple[str, str, int, str, float, str]] = [
        (row[0], row[1], row[2], row[3], row[4], row[5])
        for row in session.execute(
            select(
                Unit.serial,
                BenchStudyReading.operator,
                BenchStudyReading.repeat,
                BenchStudyReading.characteristic,
                BenchStudyReading.value,
                BenchStudyReading.unit,
            )
            .join(Visit, Visit.id == BenchStudyReading.visit_id)
            .join(Unit, Unit.id == Visit.unit_id)
            .where(BenchStudyReading.study_id == study_id)
            .order_by(Visit.started_utc, BenchStudyReading.characteristic)
        )
    ]
    return tuple(StudyReadingRow(*row) for row in rows)
