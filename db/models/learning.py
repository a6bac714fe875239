"""What visits learned of trims, kept for the units that follow."""

from datetime import datetime
from uuid import UUID

from sqlalchemy import CheckConstraint, Index
from sqlalchemy.orm import Mapped, mapped_column

from db.column_types import Identifier, Real, UtcTime, Words
from db.models.base import STORAGE, Base, new_key, refers_to


class TrimObservation(Base, kw_only=True):
    """One number that one move of a trim showed: its pivot or its gain.

    Product revision and batch are those of the visit and its unit, repeated here so that what a batch taught is
    found without reading its visits. ``oscillator`` names one of several in a unit, and is empty where there is one.
    """

    __tablename__ = "trim_observation"
    __table_args__ = (
        Index(
            "ix_trim_observation_of_batch",
            "batch_code",
            "product_revision_id",
            "trim",
            "quantity",
            "taken_utc",
        ),
        Index("ix_trim_observation_of_trim", "product_revision_id", "trim", "quantity", "taken_utc"),
        Index("ix_trim_observation_visit_id", "visit_id"),
        CheckConstraint("quantity IN ('gain', 'pivot')", name="quantity"),
        CheckConstraint("standard_uncertainty > 0", name="uncertainty"),
        STORAGE,
    )

    id: Mapped[UUID] = mapped_column(Identifier, primary_key=True, default_factory=new_key)
    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"))
    product_revision_id: Mapped[UUID] = mapped_column(Identifier, refers_to("product_revision.id"))
    batch_code: Mapped[str | None] = mapped_column(Words)
    oscillator: Mapped[str] = mapped_column(Words, default="")
    trim: Mapped[str] = mapped_column(Words)
    quantity: Mapped[str] = mapped_column(Words)
    value: Mapped[float] = mapped_column(Real)
    standard_uncertainty: Mapped[float] = mapped_column(Real)
    taken_utc: Mapped[datetime] = mapped_column(UtcTime)
