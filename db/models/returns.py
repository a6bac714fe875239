"""Units that came back: why, what the rig makes of it, and what was done to them."""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

from sqlalchemy import CheckConstraint, Index
from sqlalchemy.orm import Mapped, mapped_column

from db.column_types import Count, Document, Identifier, Real, UtcTime, Words
from db.models.base import STORAGE, Base, new_key, refers_to


class UnitReturn(Base, kw_only=True):
    """A unit that came back: the reason, and the complaint in its owner's words."""

    __tablename__ = "unit_return"
    __table_args__ = (
        Index("ix_unit_return_unit_id_received_utc", "unit_id", "received_utc"),
        CheckConstraint("length(reason) > 0", name="reason"),
        CheckConstraint("length(who) > 0", name="who"),
        STORAGE,
    )

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    unit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("unit.id"))
    reason: Mapped[str] = mapped_column(Words)
    complaint: Mapped[str] = mapped_column(Words, default="")
    who: Mapped[str] = mapped_column(Words)
    received_utc: Mapped[datetime] = mapped_column(UtcTime)


class Suspicion(Base, kw_only=True):
    """What the rig suspects after an as-found sweep of a unit that came back; rank 0 is the most likely.

    ``shipped_visit_id`` is the visit that it was compared with. ``oscillator`` is empty where a unit has only one.
    """

    __tablename__ = "suspicion"
    __table_args__ = (
        CheckConstraint("probability >= 0 AND probability <= 1", name="probability"),
        STORAGE,
    )

    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"), primary_key=True)
    oscillator: Mapped[str] = mapped_column(Words, primary_key=True, default="")
    rank: Mapped[int] = mapped_column(Count, primary_key=True, autoincrement=False)
    shipped_visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"))
    suspect: Mapped[str] = mapped_column(Words)
    probability: Mapped[float] = mapped_column(Real)
    sentence: Mapped[str] = mapped_column(Words)


class Repair(Base, kw_only=True):
    """What somebody did to a unit: parts and notes."""

    __tablename__ = "repair"
    __table_args__ = (
        Index("ix_repair_unit_id_done_utc", "unit_id", "done_utc"),
        CheckConstraint("length(who) > 0", name="who"),
        STORAGE,
    )

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    unit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("unit.id"))
    parts: Mapped[Sequence[str]] = mapped_column(Document)
    note: Mapped[str] = mapped_column(Words)
    who: Mapped[str] = mapped_column(Words)
    done_utc: Mapped[datetime] = mapped_column(UtcTime)
