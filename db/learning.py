"""What visits learned of trims: written move by move, read for the units that follow as frozen values."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Literal
from uuid import UUID

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from db.errors import NotFound
from db.models import Product, ProductRevision, TrimObservation, Unit, Visit

Quantity = Literal["gain", "pivot"]
QUANTITIES: tuple[Quantity, ...] = ("gain", "pivot")


@dataclass(frozen=True, slots=True)
class ObservationRow:
    """What one move of a trim showed of one oscillator of one unit.

    A pivot is in octaves re 1 Hz; a gain is the effect of one clockwise turn in the trim's own amount.
    """

    unit_id: UUID
    visit_id: UUID
    batch_code: str | None
    oscillator: str
    trim: str
    quantity: str
    value: float
    standard_uncertainty: float
    taken_utc: datetime


def add_observation(
    session: Session,
    visit_id: UUID,
    *,
    trim: str,
    quantity: Quantity,
    value: float,
    standard_uncertainty: float,
    taken_utc: datetime,
    oscillator: str = "",
) -> None:
    """Keep what a move showed, under the visit's product revision and the batch of its unit.

    :raises NotFound: there is no such visit.
    :raises Protected: the visit has ended (when the session is written).
    """
    owner = session.execute(
        select(Visit.product_revision_id, Unit.batch_code)
        .join(Unit, Unit.id == Visit.unit_id)
        .where(Visit.id == visit_id)
    ).one_or_none()
    if owner is None:
        raise NotFound(f"There is no visit {visit_id}: look for the unit in its history.")
    session.add(
        TrimObservation(
            visit_id=visit_id,
            product_revision_id=owner.product_revision_id,
            batch_code=owner.batch_code,
            oscillator=oscillator,
            trim=trim,
            quantity=quantity,
            value=value,
            standard_uncertainty=standard_uncertainty,
            taken_utc=taken_utc,
        )
    )
    session.flush()


def revisions_of(session: Session, product_name: str) -> tuple[ProductRevision, ...]:
    """Every text that the product file of this name has had, oldest first; none for an unknown product."""
    return tuple(
        session.scalars(
            select(ProductRevision)
            .join(Product, Product.id == ProductRevision.product_id)
            .where(Product.name == product_name)
            .order_by(ProductRevision.created_utc, ProductRevision.id)
        )
    )


def latest_texts(session: Session) -> dict[str, str]:
    """Of each product that is recorded, by its name, the text that its file had last."""
    rows = session.execute(
        select(Product.name, ProductRevision.toml_text)
        .join(ProductRevision, ProductRevision.product_id == Product.id)
        .order_by(ProductRevision.created_utc, ProductRevision.id)
    )
    return {row.name: row.toml_text for row in rows}


def observations_of(
    session: Session,
    revision_ids: Iterable[UUID],
    trims: Iterable[str],
    batch_code: str | None = None,
    *,
    demonstration: bool,
    latest: int = 200,
) -> tuple[ObservationRow, ...]:
    """The latest observations of each quantity of each trim, oldest first.

    :param revision_ids: revisions of the product that count.
    :param batch_code: only this batch; None for all batches, and for units of no known batch.
    :param demonstration: whether visits of a demonstration are asked for, or those of real units: the two never mix.
    :param latest: how many are read at most, of each quantity of each trim.
    """
    revisions, names = tuple(revision_ids), tuple(trims)
    rows: list[ObservationRow] = []
    for trim in names:
        for quantity in QUANTITIES:
            found = [
                row
                for revision_id in revisions
                for row in _latest(session, _wanted(revision_id, batch_code, trim, quantity, demonstration), latest)
            ]
            found.sort(key=_age)
            rows += found[-latest:]
    return tuple(sorted(rows, key=_age))


def _age(row: ObservationRow) -> tuple[datetime, UUID]:
    return row.taken_utc, row.visit_id


def _wanted(
    revision_id: UUID, batch_code: str | None, trim: str, quantity: str, demonstration: bool
) -> tuple[ColumnElement[bool], ...]:
    of_trim = (
        TrimObservation.product_revision_id == revision_id,
        TrimObservation.trim == trim,
        TrimObservation.quantity == quantity,
        Visit.demonstration == demonstration,
    )
    return of_trim if batch_code is None else (*of_trim, TrimObservation.batch_code == batch_code)


def _latest(session: Session, wanted: tuple[ColumnElement[bool], ...], latest: int) -> tuple[ObservationRow, ...]:
    rows = session.execute(
        select(
            Visit.unit_id,
            TrimObservation.visit_id,
            TrimObservation.batch_code,
            TrimObservation.oscillator,
            TrimObservation.trim,
            TrimObservation.quantity,
            TrimObservation.value,
            TrimObservation.standard_uncertainty,
            TrimObservation.taken_utc,
        )
        .join(Visit, Visit.id == TrimObservation.visit_id)
        .where(*wanted)
        .order_by(TrimObservation.taken_utc.desc())
        .limit(latest)
    ).all()
    return tuple(ObservationRow(*row) for row in rows)
