"""Rows of the views read out in portions, so that a million visits need no more memory than a hundred."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from db.models import Product, Unit, Visit
from db.views import View

VISITS_AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class Choice:
    """Which visits: of one batch, begun since a moment, of one product; None for all.

    The batch and the product go by their names.
    """

    batch: str | None = None
    since_utc: datetime | None = None
    product: str | None = None


def portions(
    session: Session, view: View, order: Sequence[str], choice: Choice, *, visits_at_once: int = VISITS_AT_ONCE
) -> Iterator[list[Sequence[Any]]]:
    """Rows of a view of visits, portion by portion: visits in the order of their keys, and so of their time.

    :param order: columns of the view by which the rows of a visit are ordered.
    :param visits_at_once: how many visits are in a portion.
    """
    table = view.clause()
    ordered = [table.c.visit_key, *(table.c[name] for name in order)]
    visits = (
        select(Visit.id)
        .join(Unit, Unit.id == Visit.unit_id)
        .join(Product, Product.id == Unit.product_id)
        .where(*_wanted(choice))
        .order_by(Visit.id)
        .limit(visits_at_once)
    )
    keys = list(session.scalars(visits))
    while keys:
        yield list(session.execute(select(table).where(table.c.visit_key.in_(keys)).order_by(*ordered)).all())
        keys = list(session.scalars(visits.where(Visit.id > keys[-1])))


def _wanted(choice: Choice) -> list[ColumnElement[bool]]:
    wanted: list[ColumnElement[bool]] = []
    if choice.since_utc is not None:
        wanted.append(Visit.started_utc >= choice.since_utc)
    if choice.batch is not None:
        wanted.append(Unit.batch_code == choice.batch)
    if choice.product is not None:
        wanted.append(Product.name == choice.product)
    return wanted
