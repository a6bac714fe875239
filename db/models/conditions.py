"""Under which conditions a visit was measured: the room, how the CV was known, how each instrument was spoken to."""

from datetime import datetime
from uuid import UUID

from sqlalchemy import Index
from sqlalchemy.orm import Mapped, mapped_column

from db.column_types import Identifier, Real, UtcTime, Words
from db.models.base import STORAGE, Base, new_key, refers_to


class VisitCondition(Base, kw_only=True):
    """Conditions at a moment of a visit: 'start', 'resumed' or 'end'.

    ``ambient_by`` is 'thermometer' or 'by hand'; ``cv_by`` is 'characterisation' or 'cv meter', which was left on the
    CV and read at each point.
    """

    __tablename__ = "visit_condition"
    __table_args__ = (Index("ix_visit_condition_visit_id", "visit_id"), STORAGE)

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"))
    moment: Mapped[str] = mapped_column(Words)
    ambient_c: Mapped[float | None] = mapped_column(Real, default=None)
    ambient_standard_uncertainty_k: Mapped[float | None] = mapped_column(Real, default=None)
    ambient_by: Mapped[str | None] = mapped_column(Words, default=None)
    cv_by: Mapped[str] = mapped_column(Words)
    taken_utc: Mapped[datetime] = mapped_column(UtcTime)


class InstrumentProfile(Base, kw_only=True):
    """How an instrument is spoken to, as text that was kept once; known by its digest."""

    __tablename__ = "instrument_profile"
    __table_args__ = (STORAGE,)

    content_sha256: Mapped[str] = mapped_column(Words, primary_key=True)
    toml_text: Mapped[str] = mapped_column(Words)


class VisitInstrumentProfile(Base, kw_only=True):
    """How the instrument of a role was spoken to in a visit."""

    __tablename__ = "visit_instrument_profile"
    __table_args__ = (STORAGE,)

    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"), primary_key=True)
    role: Mapped[str] = mapped_column(Words, primary_key=True)
    content_sha256: Mapped[str] = mapped_column(Words, refers_to("instrument_profile.content_sha256"))
