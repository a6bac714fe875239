"""What was measured and turned: sweeps and their points, single readings, fits, recommendations, moves."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from uuid import UUID

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from db.column_types import Count, Document, Flag, Identifier, JsonValue, Real, UtcTime, Words
from db.models.base import STORAGE, Base, new_key, refers_to


class Sweep(Base, kw_only=True):
    """Points taken one after another with the controls at rest (purpose: as_found, after_move, as_left)."""

    __tablename__ = "sweep"
    __table_args__ = (UniqueConstraint("visit_id", "sequence"), STORAGE)

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"))
    purpose: Mapped[str] = mapped_column(Words)
    sequence: Mapped[int] = mapped_column(Count)
    started_utc: Mapped[datetime] = mapped_column(UtcTime)
    controls: Mapped[Mapping[str, str]] = mapped_column(Document)
    note: Mapped[str | None] = mapped_column(Words, default=None)


class Point(Base, kw_only=True):
    """One frequency at one control voltage; stored beside its neighbours of the same sweep."""

    __tablename__ = "point"
    __table_args__ = (STORAGE,)

    sweep_id: Mapped[UUID] = mapped_column(Identifier, refers_to("sweep.id"), primary_key=True)
    index: Mapped[int] = mapped_column("point_index", Count, primary_key=True, autoincrement=False)
    cv_programmed_v: Mapped[float] = mapped_column(Real)
    cv_v: Mapped[float] = mapped_column(Real)
    cv_standard_uncertainty_v: Mapped[float] = mapped_column(Real)
    read_back_v: Mapped[float | None] = mapped_column(Real, default=None)
    frequency_hz: Mapped[float] = mapped_column(Real)
    relative_standard_uncertainty: Mapped[float] = mapped_column(Real)
    gate_s: Mapped[float] = mapped_column(Real)
    elapsed_s: Mapped[float] = mapped_column(Real)
    taken_utc: Mapped[datetime] = mapped_column(UtcTime)
    readings_count: Mapped[int] = mapped_column(Count)
    revisit: Mapped[bool] = mapped_column(Flag)


class Reading(Base, kw_only=True):
    """One quantity read on its own: the rail, an octave position, a knob's end."""

    __tablename__ = "reading"
    __table_args__ = (Index("ix_reading_visit_id", "visit_id"), STORAGE)

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"))
    purpose: Mapped[str] = mapped_column(Words)
    quantity: Mapped[str] = mapped_column(Words)
    controls: Mapped[Mapping[str, str]] = mapped_column(Document)
    value: Mapped[float] = mapped_column(Real)
    unit: Mapped[str] = mapped_column(Words)
    standard_uncertainty: Mapped[float] = mapped_column(Real)
    taken_utc: Mapped[datetime] = mapped_column(UtcTime)


class TrackingFit(Base, kw_only=True):
    """The tracking model fitted to a sweep; covariance in the order of the four terms below."""

    __tablename__ = "tracking_fit"
    __table_args__ = (Index("ix_tracking_fit_sweep_id", "sweep_id"), STORAGE)

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    sweep_id: Mapped[UUID] = mapped_column(Identifier, refers_to("sweep.id"))
    core_pitch_octaves: Mapped[float] = mapped_column(Real)
    slope: Mapped[float] = mapped_column(Real)
    leakage_hz: Mapped[float] = mapped_column(Real)
    dead_time_s: Mapped[float] = mapped_column(Real)
    covariance: Mapped[Sequence[Sequence[float]]] = mapped_column(Document)
    drift_low_cents_per_minute: Mapped[float | None] = mapped_column(Real, default=None)
    drift_high_cents_per_minute: Mapped[float | None] = mapped_column(Real, default=None)
    chi_squared: Mapped[float] = mapped_column(Real)
    degrees_of_freedom: Mapped[int] = mapped_column(Count)
    lack_of_fit_probability: Mapped[float | None] = mapped_column(Real, default=None)


class Recommendation(Base, kw_only=True):
    """What was advised after a sweep, as one document.

    ``moves`` is a table with ``columns``; in older rows each move names its columns itself.
    """

    __tablename__ = "recommendation"
    __table_args__ = (Index("ix_recommendation_visit_id", "visit_id"), STORAGE)

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"))
    sweep_id: Mapped[UUID] = mapped_column(Identifier, refers_to("sweep.id"))
    document: Mapped[Mapping[str, JsonValue]] = mapped_column(Document)


class Move(Base, kw_only=True):
    """One adjustment of one trim, recorded when it has ended."""

    __tablename__ = "move"
    __table_args__ = (CheckConstraint("ended_utc >= started_utc", name="order"), STORAGE)

    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"), primary_key=True)
    sequence: Mapped[int] = mapped_column(Count, primary_key=True, autoincrement=False)
    trim: Mapped[str] = mapped_column(Words)
    target_value: Mapped[float] = mapped_column(Real)
    target_unit: Mapped[str] = mapped_column(Words)
    held_cv_v: Mapped[float | None] = mapped_column(Real, default=None)
    controls: Mapped[Mapping[str, str]] = mapped_column(Document)
    turns_estimate: Mapped[float | None] = mapped_column(Real, default=None)
    reading_before: Mapped[float | None] = mapped_column(Real, default=None)
    reading_after: Mapped[float | None] = mapped_column(Real, default=None)
    outcome: Mapped[str] = mapped_column(Words)
    started_utc: Mapped[datetime] = mapped_column(UtcTime)
    ended_utc: Mapped[datetime] = mapped_column(UtcTime)
