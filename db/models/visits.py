"""A visit of a unit to a bench, the instruments it used, and the characterisation of the source."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from uuid import UUID

from sqlalchemy import CheckConstraint, Index, text
from sqlalchemy.orm import Mapped, mapped_column

from db.column_types import Count, Day, Document, Flag, Identifier, Real, UtcTime, Words
from db.models.base import STORAGE, Base, new_key, refers_to


class Visit(Base, kw_only=True):
    """One unit on one bench from scan to verdict; it is ended once, and then nothing is added or changed.

    ``outcome`` is 'finished', 'stopped' or 'failed': how the visit went, not what was decided.
    """

    __tablename__ = "visit"
    __table_args__ = (
        Index("ix_visit_unit_id_started_utc", "unit_id", "started_utc"),
        Index(
            "ix_visit_unfinished",
            "bench_revision_id",
            sqlite_where=text("ended_utc IS NULL"),
        ),
        CheckConstraint("outcome IN ('finished', 'stopped', 'failed')", name="outcome"),
        CheckConstraint("(ended_utc IS NULL) = (outcome IS NULL)", name="ended_with_outcome"),
        STORAGE,
    )

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    unit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("unit.id"))
    product_revision_id: Mapped[UUID] = mapped_column(Identifier, refers_to("product_revision.id"))
    bench_revision_id: Mapped[UUID] = mapped_column(Identifier, refers_to("bench_revision.id"))
    operator: Mapped[str] = mapped_column(Words)
    purpose: Mapped[str] = mapped_column(Words)
    software_version: Mapped[str] = mapped_column(Words)
    started_utc: Mapped[datetime] = mapped_column(UtcTime)
    ended_utc: Mapped[datetime | None] = mapped_column(UtcTime, default=None)
    outcome: Mapped[str | None] = mapped_column(Words, default=None)
    ambient_c: Mapped[float | None] = mapped_column(Real, default=None)
    demonstration: Mapped[bool] = mapped_column(Flag)
    seed: Mapped[int | None] = mapped_column(Count, default=None)


class VisitClosing(Base, kw_only=True):
    """Why a visit was ended without a verdict when it might have gone on; written in the moment of its end."""

    __tablename__ = "visit_closing"
    __table_args__ = (CheckConstraint("reason <> ''", name="reason"), STORAGE)

    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"), primary_key=True)
    reason: Mapped[str] = mapped_column(Words)
    closed_by: Mapped[str] = mapped_column(Words)
    closed_utc: Mapped[datetime] = mapped_column(UtcTime)


class VisitInstrument(Base, kw_only=True):
    """Which instrument filled which role in a visit, and its calibration as it was stated then."""

    __tablename__ = "visit_instrument"
    __table_args__ = (STORAGE,)

    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"), primary_key=True)
    role: Mapped[str] = mapped_column(Words, primary_key=True)
    instrument_id: Mapped[UUID] = mapped_column(Identifier, refers_to("instrument.id"))
    calibrated_on: Mapped[date | None] = mapped_column(Day, default=None)
    calibration_due: Mapped[date | None] = mapped_column(Day, default=None)


class Characterisation(Base, kw_only=True):
    """The source measured by the meter: programmed to true voltage, with covariance, for some hours."""

    __tablename__ = "characterisation"
    __table_args__ = (
        Index("ix_characterisation_source_instrument_id_taken_utc", "source_instrument_id", "taken_utc"),
        CheckConstraint("valid_until_utc >= taken_utc", name="validity"),
        STORAGE,
    )

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    bench_revision_id: Mapped[UUID] = mapped_column(Identifier, refers_to("bench_revision.id"))
    source_instrument_id: Mapped[UUID] = mapped_column(Identifier, refers_to("instrument.id"))
    meter_instrument_id: Mapped[UUID] = mapped_column(Identifier, refers_to("instrument.id"))
    taken_utc: Mapped[datetime] = mapped_column(UtcTime)
    valid_until_utc: Mapped[datetime] = mapped_column(UtcTime)
    law: Mapped[str] = mapped_column(Words)
    coefficients: Mapped[Sequence[float]] = mapped_column(Document)
    covariance: Mapped[Sequence[Sequence[float]]] = mapped_column(Document)
    chi_squared: Mapped[float] = mapped_column(Real)
    degrees_of_freedom: Mapped[int] = mapped_column(Count)
    points: Mapped[Sequence[Mapping[str, float]]] = mapped_column(Document)
