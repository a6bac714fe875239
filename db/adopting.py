"""Taking into the chain what was recorded without it: an older database, or visits that another program loaded."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, exists, select
from sqlalchemy.orm import Session

from db.canonical import key_of, key_written, loose_tables, values_of
from db.chained_session import AT_ONCE, ChainedSession, cover_visits, single_digest
from db.models import Base, RecordChange
from db.people import Signer, people, require_engineer

_LINKS, _VISITS = (Base.metadata.tables[name] for name in ("record_link", "visit"))


@dataclass(frozen=True, slots=True)
class Adopted:
    """How much was adopted: visits, and rows beside visits."""

    visits: int
    rows: int


def adopt(session: Session, *, who: str, why: str, signer: Signer | None = None) -> Adopted:
    """Cover every ended visit and every row beside visits that no link covers, as they stand now.

    What was altered before is covered as it is: trust in it begins now, and the record says so.

    :param signer: the engineer who does it, where roles are in use.
    :raises NotAuthorised: roles are in use, and no engineer does it.
    """
    assert isinstance(session, ChainedSession)
    now = datetime.now(UTC)
    require_engineer(people(session), who, signer, at=now)
    connection = session.connection()
    session.add(RecordChange(what="adopted", who=who, reason=why, made_utc=now))
    head = session.keeper.head(connection)
    visits = rows = 0
    for digests in _loose_digests(connection):
        rows += sum(map(len, digests.values()))
        head = session.keeper.add(connection, head, "rows", [(None, digests)])
    while visit_ids := _uncovered(connection):
        head = cover_visits(session.keeper, connection, head, "adopted", visit_ids)
        visits += len(visit_ids)
    session.changes.head = head
    return Adopted(visits, rows)


def _uncovered(connection: Connection) -> list[UUID]:
    return list(
        connection.scalars(
            select(_VISITS.c.id)
            .where(_VISITS.c.ended_utc.is_not(None), ~exists().where(_LINKS.c.visit_id == _VISITS.c.id))
            .order_by(_VISITS.c.id)
            .limit(AT_ONCE)
        )
    )


def _loose_digests(connection: Connection) -> Iterator[dict[str, list[list[str | int]]]]:
    covered = _covered(connection)
    for table in loose_tables():
        waiting: list[list[str | int]] = []
        known = covered.get(table.name, set())
        for row in connection.execute(select(*values_of(table))).all():
            if tuple(key_written(key_of(table, row))) not in known:
                waiting.append(single_digest(table, row))
        for first in range(0, len(waiting), AT_ONCE):
            yield {table.name: waiting[first : first + AT_ONCE]}


def _covered(connection: Connection) -> dict[str, set[tuple[Any, ...]]]:
    covered: dict[str, set[tuple[Any, ...]]] = {}
    for digests in connection.scalars(select(_LINKS.c.digests).where(_LINKS.c.subject == "rows")):
        for name, rows in digests.items():
            covered.setdefault(name, set()).update(tuple(row[:-2]) for row in rows)
    return covered
