"""Units that came back: what is written when they do, and what was suspected. What became of them is asked in
:mod:`db.returned`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import log, sqrt
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session

from db.models import Point, ProductRevision, Repair, Suspicion, Sweep, TrackingFit, UnitReturn, Visit


@dataclass(frozen=True, slots=True)
class SuspicionRow:
    """What was suspected after an as-found sweep, most likely first within an oscillator."""

    oscillator: str
    rank: int
    shipped_visit_id: UUID
    suspect: str
    probability: float
    sentence: str


@dataclass(frozen=True, slots=True)
class FitRow:
    """The tracking of one sweep: four terms with covariance, and the noise of its points.

    ``log_noise`` is the natural logarithm of the scatter at one second of gate, relative; None without points.
    """

    sweep_id: UUID
    purpose: str
    oscillator: str
    terms: tuple[float, float, float, float]
    covariance: tuple[tuple[float, ...], ...]
    log_noise: float | None
    readings: int


def add_return(
    session: Session, unit_id: UUID, *, reason: str, complaint: str, who: str, received_utc: datetime
) -> None:
    """Enter that a unit came back."""
    row = UnitReturn(unit_id=unit_id, reason=reason, complaint=complaint, who=who, received_utc=received_utc)
    session.add(row)
    session.flush()


def product_text(session: Session, visit_id: UUID) -> str:
    """The product file by which a visit measured and judged."""
    wanted = select(ProductRevision.toml_text).join(Visit, Visit.product_revision_id == ProductRevision.id)
    return session.scalars(wanted.where(Visit.id == visit_id)).one()


def add_repair(
    session: Session, unit_id: UUID, *, parts: Sequence[str], note: str, who: str, done_utc: datetime
) -> None:
    """Enter what was done to a unit."""
    session.add(Repair(unit_id=unit_id, parts=list(parts), note=note, who=who, done_utc=done_utc))
    session.flush()


def add_suspicions(session: Session, visit_id: UUID, rows: Sequence[SuspicionRow]) -> None:
    """Keep what was suspected in a visit."""
    session.add_all(
        Suspicion(
            visit_id=visit_id,
            oscillator=each.oscillator,
            rank=each.rank,
            shipped_visit_id=each.shipped_visit_id,
            suspect=each.suspect,
            probability=each.probability,
            sentence=each.sentence,
        )
        for each in rows
    )
    session.flush()


def suspicions_of(session: Session, visit_id: UUID) -> tuple[SuspicionRow, ...]:
    """What was suspected in a visit."""
    rows = session.scalars(
        select(Suspicion).where(Suspicion.visit_id == visit_id).order_by(Suspicion.oscillator, Suspicion.rank)
    ).all()
    return tuple(
        SuspicionRow(each.oscillator, each.rank, each.shipped_visit_id, each.suspect, each.probability, each.sentence)
        for each in rows
    )


def fits_of_visit(session: Session, visit_id: UUID, purposes: Sequence[str]) -> tuple[FitRow, ...]:
    """Fits of a visit's sweeps of these purposes, in the order in which they were made."""
    rows = session.execute(
        select(Sweep, TrackingFit)
        .join(TrackingFit, TrackingFit.sweep_id == Sweep.id)
        .where(Sweep.visit_id == visit_id, Sweep.purpose.in_(purposes))
        .order_by(Sweep.sequence, TrackingFit.id)
    ).all()
    return tuple(_fit(session, sweep, fit) for sweep, fit in rows)


def _fit(session: Session, sweep: Sweep, fit: TrackingFit) -> FitRow:
    points = session.execute(
        select(Point.relative_standard_uncertainty, Point.gate_s, Point.readings_count).where(
            Point.sweep_id == sweep.id, Point.relative_standard_uncertainty > 0.0
        )
    ).all()
    # the scatter of a mean falls with the root of gate and count (white frequency noise)
    noise = [log(relative * sqrt(gate_s * count)) for relative, gate_s, count in points]
    return FitRow(
        sweep_id=sweep.id,
        purpose=sweep.purpose,
        oscillator=sweep.controls.get("oscillator", ""),
        terms=(fit.core_pitch_octaves, fit.slope, fit.leakage_hz, fit.dead_time_s),
        covariance=tuple(tuple(row) for row in fit.covariance),
        log_noise=sorted(noise)[len(noise) // 2] if noise else None,
        readings=sum(count for _, _, count in points),
    )
