"""Budgets of a past visit as they were kept, with the findings that they are of, as frozen values."""

from collections.abc import Mapping
from dataclasses import dataclass
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session

from db.models import FindingBudgets, Visit
from db.queries import findings_of_phase, unit_by_serial


@dataclass(frozen=True, slots=True)
class BudgetDocument:
    """Budgets of one oscillator, compressed."""

    oscillator: str
    version: int
    document: bytes


@dataclass(frozen=True, slots=True)
class KeptBudgets:
    """Documents of one phase of a visit, and value and unit of each of its findings as first made."""

    documents: tuple[BudgetDocument, ...]
    findings: Mapping[str, tuple[float, str]]


def documents_of(session: Session, visit_id: UUID, phase: str) -> KeptBudgets:
    """What was kept of one phase of a visit; no documents where it has none."""
    rows = session.scalars(
        select(FindingBudgets)
        .where(FindingBudgets.visit_id == visit_id, FindingBudgets.phase == phase)
        .order_by(FindingBudgets.oscillator)
    ).all()
    return KeptBudgets(
        tuple(BudgetDocument(row.oscillator, row.version, bytes(row.document)) for row in rows),
        {
            each.characteristic: (each.value, each.unit)
            for each in findings_of_phase(session, visit_id, phase)
            if each.value is not None
        },
    )


def last_judged_visit(session: Session, serial: str) -> UUID | None:
    """The last visit of a unit with budgets as left; None where there is none.

    :raises NotFound: no unit with this serial was ever recorded.
    """
    unit = unit_by_serial(session, serial)
    return session.scalar(
        select(Visit.id)
        .join(FindingBudgets, FindingBudgets.visit_id == Visit.id)
        .where(Visit.unit_id == unit.id, FindingBudgets.phase == "as_left")
        .order_by(Visit.started_utc.desc(), Visit.id.desc())
        .limit(1)
    )
