"""What is known of a bench itself: its source's curve, checks with the reference unit, studies of its spread."""

from datetime import datetime
from uuid import UUID

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from db.column_types import Count, Identifier, Real, UtcTime, Words
from db.models.base import STORAGE, Base, new_key, refers_to


class SourceCurve(Base, kw_only=True):
    """What a characterisation says beside its coefficients: their span, and what each setting has of its own.

    The coefficients, in the row of the characterisation, are those of Legendre polynomials on this span.
    """

    __tablename__ = "source_curve"
    __table_args__ = (
        CheckConstraint("low_v < high_v", name="span"),
        CheckConstraint("own_standard_uncertainty_v >= 0", name="uncertainty"),
        STORAGE,
    )

    characterisation_id: Mapped[UUID] = mapped_column(Identifier, refers_to("characterisation.id"), primary_key=True)
    low_v: Mapped[float] = mapped_column(Real)
    high_v: Mapped[float] = mapped_column(Real)
    own_standard_uncertainty_v: Mapped[float] = mapped_column(Real)
    scatter_v: Mapped[float] = mapped_column(Real)
    roughness_v: Mapped[float] = mapped_column(Real)
    hysteresis_v: Mapped[float] = mapped_column(Real)


class BenchCheck(Base, kw_only=True):
    """The reference unit measured in a visit of its own, held against what it was before on the same bench.

    ``restart_reason`` says why the history begins anew with this check; empty where it goes on.
    """

    __tablename__ = "bench_check"
    __table_args__ = (UniqueConstraint("visit_id"), Index("ix_bench_check_taken_utc", "taken_utc"), STORAGE)

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"))
    standing: Mapped[str] = mapped_column(Words)
    restart_reason: Mapped[str] = mapped_column(Words, default="")
    taken_utc: Mapped[datetime] = mapped_column(UtcTime)


class BenchCheckValue(Base, kw_only=True):
    """One characteristic of the reference unit in one check, and how it stood against its history then."""

    __tablename__ = "bench_check_value"
    __table_args__ = (STORAGE,)

    check_id: Mapped[UUID] = mapped_column(Identifier, refers_to("bench_check.id"), primary_key=True)
    characteristic: Mapped[str] = mapped_column(Words, primary_key=True)
    label: Mapped[str] = mapped_column(Words)
    value: Mapped[float] = mapped_column(Real)
    unit: Mapped[str] = mapped_column(Words)
    expanded_uncertainty: Mapped[float] = mapped_column(Real)
    history_value: Mapped[float | None] = mapped_column(Real, default=None)
    history_count: Mapped[int] = mapped_column(Count, default=0)
    normalised_error: Mapped[float | None] = mapped_column(Real, default=None)
    standing: Mapped[str] = mapped_column(Words)


class BenchStudy(Base, kw_only=True):
    """A study of what part of the spread is the rig: units x operators x repeats on one bench."""

    __tablename__ = "bench_study"
    __table_args__ = (Index("ix_bench_study_started_utc", "started_utc"), STORAGE)

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    bench_revision_id: Mapped[UUID] = mapped_column(Identifier, refers_to("bench_revision.id"))
    product_revision_id: Mapped[UUID] = mapped_column(Identifier, refers_to("product_revision.id"))
    units: Mapped[int] = mapped_column(Count)
    operators: Mapped[int] = mapped_column(Count)
    repeats: Mapped[int] = mapped_column(Count)
    started_utc: Mapped[datetime] = mapped_column(UtcTime)


class BenchStudyReading(Base, kw_only=True):
    """One characteristic of one unit, measured once by one operator in a visit of its own."""

    __tablename__ = "bench_study_reading"
    __table_args__ = (Index("ix_bench_study_reading_visit_id", "visit_id"), STORAGE)

    study_id: Mapped[UUID] = mapped_column(Identifier, refers_to("bench_study.id"), primary_key=True)
    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"), primary_key=True)
    characteristic: Mapped[str] = mapped_column(Words, primary_key=True)
    operator: Mapped[str] = mapped_column(Words)
    repeat: Mapped[int] = mapped_column(Count)
    value: Mapped[float] = mapped_column(Real)
    unit: Mapped[str] = mapped_column(Words)
