"""From the server to a bench: what it has to know by itself, before a visit and while the server is away.

What is fetched is covered by the bench's own chain, as taken over: the bench cannot go on with another one's.
"""

from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Table, inspect, select

from db.canonical import Key, key_of, loose_tables, owned_tables, values_of
from db.carrying import Carried, carry_rows, carry_visit
from db.chained_session import taken_over
from db.engine import Database
from db.models import Base, Person, Product, ProductRevision, ProductSignature
from db.protection import VISIT_OF_ROW

_VISITS, _UNITS = (Base.metadata.tables[name] for name in ("visit", "unit"))


def fetch_people(server: Database, spool: Database) -> int:
    """Bring people and engineers' signatures from the server to the bench, which works by them when it is alone.

    :return: how many rows were new.
    """
    rows: list[Product | ProductRevision | Person | ProductSignature] = []
    with server.reading() as there:
        people = there.query(Person).all()
        if not people:
            return 0
        signed = there.query(ProductSignature).all()
        revisions = there.query(ProductRevision).where(
            ProductRevision.id.in_([each.product_revision_id for each in signed])
        )
        rows += [*there.query(Product).all(), *revisions.all(), *people, *signed]
        there.expunge_all()
    with spool.session() as session:
        new = [row for row in rows if session.get(type(row), row.id) is None]
        session.add_all(_copy(row) for row in new)
    return len(new)


def _copy(row: Any) -> Base:
    copied: Base = type(row)(**{each.key: getattr(row, each.key) for each in inspect(row).mapper.column_attrs})
    return copied


def fetch_unit(server: Database, spool: Database, serial: str) -> int:
    """Bring what other benches recorded of a unit: ended visits with all their rows, returns, repairs.

    :return: how many visits were new.
    :raises Conflict: server and bench have different records of one visit.
    """
    with server.reading_connection() as there:
        unit_id = there.scalar(select(_UNITS.c.id).where(_UNITS.c.serial == serial))
        if unit_id is None:
            return 0
        ended = select(_VISITS.c.id).where(_VISITS.c.unit_id == unit_id, _VISITS.c.ended_utc.is_not(None))
        with spool.session() as session:
            here = session.connection()
            on_server, known = set(there.scalars(ended)), set(here.scalars(ended))
            carried = Carried()
            carry_rows(there, here, _UNITS, [(unit_id,)], spool.url_shown, carried)
            for visit_id in sorted(on_server - known):
                carry_visit(there, here, visit_id, spool.url_shown, carried)
            for table, keys in (*_beside(there, unit_id), *_added_later(there, here, on_server & known)):
                carry_rows(there, here, table, keys, spool.url_shown, carried)
            taken_over(session, on_server - known, carried.rows)
    return len(on_server - known)


def _added_later(there: Connection, here: Connection, visit_ids: set[UUID]) -> list[tuple[Table, list[Key]]]:
    """Corrections of visits that the bench has already."""
    found = []
    for name, owned in owned_tables().items():
        if name != "visit" and name not in VISIT_OF_ROW and visit_ids:
            of_visits = owned.of(visit_ids)
            known = {key_of(owned.table, row[1:]) for row in here.execute(of_visits)}
            keys = [key_of(owned.table, row[1:]) for row in there.execute(of_visits)]
            found.append((owned.table, [key for key in keys if key not in known]))
    return found


def _beside(there: Connection, unit_id: UUID) -> list[tuple[Table, list[Key]]]:
    """Rows that belong to the unit and to no visit of it."""
    found = []
    for table in loose_tables():
        for column in table.c:
            if any(key.column is _UNITS.c.id for key in column.foreign_keys):
                rows = there.execute(select(*values_of(table)).where(column == unit_id))
                found.append((table, [key_of(table, row) for row in rows]))
    return found
