"""A unit's full sweeps as they were fitted, with the room, and whether anything was turned between them."""

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from db.models import Move, ProductRevision, Sweep, TrackingFit, Visit, VisitCondition, VisitInstrument
from db.queries import unit_by_serial

BEFORE_MOVES = ("as_found", "verify", "study", "resumed")
AFTER_MOVES = ("as_left",)


@dataclass(frozen=True, slots=True)
class FittedSweep:
    """One full sweep, fitted: tracking terms with covariance in the order of :class:`db.models.TrackingFit`.

    Sweeps of one ``setting`` have nothing turned between them that the record knows of. ``instruments`` are those that
    filled meter, CV meter and counter.
    """

    visit_id: UUID
    taken_utc: datetime
    setting: int
    oscillator: str
    terms: tuple[float, float, float, float]
    covariance: tuple[tuple[float, ...], ...]
    ambient_c: float | None
    ambient_standard_uncertainty_k: float | None
    instruments: frozenset[UUID]
    product_toml: str


def fitted_sweeps(session: Session, serial: str) -> tuple[FittedSweep, ...]:
    """The last full sweep before and after the moves of each visit of a unit, oldest first.

    :raises NotFound: no unit with this serial was ever recorded.
    """
    unit = unit_by_serial(session, serial)
    visits = session.execute(
        select(Visit, ProductRevision.toml_text)
        .join(ProductRevision, ProductRevision.id == Visit.product_revision_id)
        .where(Visit.unit_id == unit.id)
        .order_by(Visit.started_utc, Visit.id)
    ).all()
    found: list[FittedSweep] = []
    setting = 0
    for visit, toml_text in visits:
        before = _last(session, visit, BEFORE_MOVES, "start", setting, toml_text)
        turned = session.scalar(select(func.count()).select_from(Move).where(Move.visit_id == visit.id)) or 0
        setting += bool(turned)
        found += [*before, *_last(session, visit, AFTER_MOVES, "end", setting, toml_text)]
    return tuple(found)


def _last(
    session: Session, visit: Visit, purposes: tuple[str, ...], moment: str, setting: int, toml_text: str
) -> list[FittedSweep]:
    """The last fitted sweep of each oscillator for some purposes; nothing where there is none."""
    rows = session.execute(
        select(Sweep, TrackingFit)
        .join(TrackingFit, TrackingFit.sweep_id == Sweep.id)
        .where(Sweep.visit_id == visit.id, Sweep.purpose.in_(purposes))
        .order_by(Sweep.sequence)
    ).all()
    conditions = session.scalars(
        select(VisitCondition).where(VisitCondition.visit_id == visit.id).order_by(VisitCondition.taken_utc)
    ).all()
    known = [each for each in conditions if each.ambient_c is not None]
    room = next((each for each in known if each.moment == moment), known[0] if known else None)
    instruments = frozenset(
        session.scalars(
            select(VisitInstrument.instrument_id).where(
                VisitInstrument.visit_id == visit.id, VisitInstrument.role.in_(("meter", "cv_meter", "counter"))
            )
        )
    )
    last = {sweep.controls.get("oscillator", ""): (sweep, fit) for sweep, fit in rows}
    return [
        FittedSweep(
            visit_id=visit.id,
            taken_utc=sweep.started_utc,
            setting=setting,
            oscillator=oscillator,
            terms=(fit.core_pitch_octaves, fit.slope, fit.leakage_hz, fit.dead_time_s),
            covariance=tuple(tuple(row) for row in fit.covariance),
            ambient_c=None if room is None else room.ambient_c,
            ambient_standard_uncertainty_k=None if room is None else room.ambient_standard_uncertainty_k,
            instruments=instruments,
            product_toml=toml_text,
        )
        for oscillator, (sweep, fit) in last.items()
    ]
