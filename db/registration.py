"""Units entered before they come to a bench."""

from collections.abc import Sequence
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session

from db.models import Product, Unit

AT_ONCE = 500


def recorded_units(session: Session, serials: Sequence[str]) -> dict[str, str]:
    """Those of these serials that are recorded, each with the name of its product."""
    found: dict[str, str] = {}
    for start in range(0, len(serials), AT_ONCE):
        some = serials[start : start + AT_ONCE]
        rows = session.execute(
            select(Unit.serial, Product.name).join(Product, Product.id == Unit.product_id).where(Unit.serial.in_(some))
        )
        found.update((serial, name) for serial, name in rows)
    return found


def add_units(session: Session, product_id: UUID, units: Sequence[tuple[str, str]]) -> None:
    """Enter units that are not recorded yet.

    :param units: serial and batch of each.
    """
    session.add_all(Unit(serial=serial, product_id=product_id, batch_code=batch) for serial, batch in units)
    session.flush()
