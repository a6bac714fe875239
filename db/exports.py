"""Rows of the views read out in portions, so that a million visits need no more memory than a hundred."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from db.models import Product, Repair, Unit, UnitReturn, Visit
from db.views import Kind, View

AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class Choice:
    """Which visits: of one batch, begun since a moment, of one product; None for all.

    The batch and the product go by their names. Returns and repairs are chosen likewise, by when they were entered.
    """

    batch: str | None = None
    since_utc: datetime | None = None
    product: str | None = None


@dataclass(frozen=True, slots=True)
class _Subject:
    """What the rows of a view are of: its key, its unit and its moment."""

    key: InstrumentedAttribute[UUID]
    unit_id: InstrumentedAttribute[UUID]
    moment: InstrumentedAttribute[datetime]


_SUBJECTS = {
    "visit_key": _Subject(Visit.id, Visit.unit_id, Visit.started_utc),
    "return_key": _Subject(UnitReturn.id, UnitReturn.unit_id, UnitReturn.received_utc),
    "repair_key": _Subject(Repair.id, Repair.unit_id, Repair.done_utc),
}


def portions(
    session: Session, view: View, order: Sequence[str], choice: Choice, *, at_once: int = AT_ONCE
) -> Iterator[list[Sequence[Any]]]:
    """Rows of a view of visits, returns or repairs, portion by portion: in the order of their keys, and so of time.

    :param order: columns of the view by which the rows of a visit are ordered.
    :param at_once: how many visits, returns or repairs are in a portion.
    """
    name = next(each.name for each in view.columns if each.kind is Kind.KEY)
    subject, table = _SUBJECTS[name], view.clause()
    ordered = [table.c[name], *(table.c[each] for each in order)]
    chosen = (
        select(subject.key)
        .join(Unit, Unit.id == subject.unit_id)
        .join(Product, Product.id == Unit.product_id)
        .where(*_wanted(subject, choice))
        .order_by(subject.key)
        .limit(at_once)
    )
    keys = list(session.scalars(chosen))
    while keys:
        yield list(session.execute(select(table).where(table.c[name].in_(keys)).order_by(*ordered)).all())
        keys = list(session.scalars(chosen.where(subject.key > keys[-1])))


def _wanted(subject: _Subject, choice: Choice) -> list[ColumnElement[bool]]:
    wanted: list[ColumnElement[bool]] = []
    if choice.since_utc is not None:
        wanted.append(subject.moment >= choice.since_utc)
    if choice.batch is not None:
        wanted.append(Unit.batch_code == choice.batch)
    if choice.product is not None:
        wanted.append(Product.name == choice.product)
    return wanted
