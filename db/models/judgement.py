"""What was found and decided. Neither is ever changed: a correction is a new row that says why."""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

from sqlalchemy import CheckConstraint, ForeignKeyConstraint, Index, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from db.column_types import Count, Document, Identifier, Real, UtcTime, Words
from db.models.base import STORAGE, Base, new_key, refers_to


class Finding(Base, kw_only=True):
    """One characteristic with its value, expanded uncertainty, limits and decision.

    ``revision`` 0 is the finding as first made; each correction is one higher, and its ``note`` says why.
    ``value``, ``expanded_uncertainty`` and bounds may be missing when no decision was possible.
    """

    __tablename__ = "finding"
    __table_args__ = (
        CheckConstraint("phase IN ('as_found', 'as_left')", name="phase"),
        CheckConstraint(
            "revision = 0 OR (revision > 0 AND note IS NOT NULL AND length(note) > 0)",
            name="correction_says_why",
        ),
        STORAGE,
    )

    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"), primary_key=True)
    phase: Mapped[str] = mapped_column(Words, primary_key=True)
    characteristic: Mapped[str] = mapped_column(Words, primary_key=True)
    revision: Mapped[int] = mapped_column(Count, primary_key=True, autoincrement=False, default=0)
    value: Mapped[float | None] = mapped_column(Real)
    unit: Mapped[str] = mapped_column(Words)
    expanded_uncertainty: Mapped[float | None] = mapped_column(Real)
    coverage_probability: Mapped[float | None] = mapped_column(Real)
    lower_limit: Mapped[float | None] = mapped_column(Real)
    upper_limit: Mapped[float | None] = mapped_column(Real)
    bound_low: Mapped[float | None] = mapped_column(Real)
    bound_high: Mapped[float | None] = mapped_column(Real)
    rule: Mapped[str] = mapped_column(Words)
    decision: Mapped[str] = mapped_column(Words)
    note: Mapped[str | None] = mapped_column(Words, default=None)
    created_utc: Mapped[datetime] = mapped_column(UtcTime)


class Verdict(Base, kw_only=True):
    """The decision on a visit. A visit has one first verdict; each may be corrected once, saying why."""

    __tablename__ = "verdict"
    __table_args__ = (
        UniqueConstraint("id", "visit_id"),
        UniqueConstraint("corrects_verdict_id"),
        ForeignKeyConstraint(
            ["corrects_verdict_id", "visit_id"],
            ["verdict.id", "verdict.visit_id"],
            deferrable=True,
            initially="DEFERRED",
        ),
        Index("ix_verdict_visit_id", "visit_id"),
        Index(
            "uq_verdict_first",
            "visit_id",
            unique=True,
            sqlite_where=text("corrects_verdict_id IS NULL"),
        ),
        CheckConstraint("corrects_verdict_id IS NULL OR length(reason) > 0", name="correction_says_why"),
        CheckConstraint("corrects_verdict_id <> id", name="not_itself"),
        STORAGE,
    )

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"))
    decision: Mapped[str] = mapped_column(Words)
    causes: Mapped[Sequence[str]] = mapped_column(Document)
    reason: Mapped[str] = mapped_column(Words)
    corrects_verdict_id: Mapped[UUID | None] = mapped_column(Identifier, default=None)
    created_utc: Mapped[datetime] = mapped_column(UtcTime)
