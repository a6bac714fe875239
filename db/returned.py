"""Returns and repairs of a unit, as frozen values."""

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from db.questions import Asked, ask
from db.stored_values import document, moment


@dataclass(frozen=True, slots=True)
class ReturnRow:
    """Why a unit came back."""

    reason: str
    complaint: str
    who: str
    received_utc: datetime


@dataclass(frozen=True, slots=True)
class RepairRow:
    """What was done to a unit."""

    parts: tuple[str, ...]
    note: str
    who: str
    done_utc: datetime


_RETURNS = """
SELECT reason, complaint, who, received_utc FROM unit_return WHERE unit_id = :unit_id ORDER BY received_utc, id
"""
_REPAIRS = "SELECT parts, note, who, done_utc FROM repair WHERE unit_id = :unit_id ORDER BY done_utc, id"


def returns_of(connection: Asked, unit_id: UUID, since: datetime | None = None) -> tuple[ReturnRow, ...]:
    """Returns of a unit, oldest first.

    :param since: only those received later; None for all.
    """
    found = tuple(
        ReturnRow(reason, complaint, who, moment(received))
        for reason, complaint, who, received in ask(connection, _RETURNS, unit_id=unit_id)
    )
    return found if since is None else tuple(each for each in found if each.received_utc > since)


def repairs_of(connection: Asked, unit_id: UUID) -> tuple[RepairRow, ...]:
    """Repairs of a unit, oldest first."""
    return tuple(
        RepairRow(tuple(document(parts)), note, who, moment(done))
        for parts, note, who, done in ask(connection, _REPAIRS, unit_id=unit_id)
    )
