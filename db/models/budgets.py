"""The uncertainty budgets of findings. They are never changed."""

from uuid import UUID

from sqlalchemy import CheckConstraint
from sqlalchemy.orm import Mapped, mapped_column

from db.column_types import Count, Identifier, Octets, Words
from db.models.base import STORAGE, Base, refers_to


class FindingBudgets(Base, kw_only=True):
    """Budgets of all findings of one phase of a visit, of one oscillator where the unit has several.

    ``document`` is compressed; ``version`` says how it is to be read.
    """

    __tablename__ = "finding_budgets"
    __table_args__ = (
        CheckConstraint("phase IN ('as_found', 'as_left')", name="phase"),
        CheckConstraint("version > 0", name="version"),
        STORAGE,
    )

    visit_id: Mapped[UUID] = mapped_column(Identifier, refers_to("visit.id"), primary_key=True)
    phase: Mapped[str] = mapped_column(Words, primary_key=True)
    oscillator: Mapped[str] = mapped_column(Words, primary_key=True)
    version: Mapped[int] = mapped_column(Count)
    document: Mapped[bytes] = mapped_column(Octets)
