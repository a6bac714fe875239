"""Sessions whose transactions cover what they write with links of the chain, just before they commit."""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from sqlalchemy import ColumnElement, Connection, Engine, Table, event, inspect, select, tuple_
from sqlalchemy.orm import Session, UOWTransaction

from db.canonical import (
    NOT_COVERED,
    Key,
    digest_of,
    key_columns,
    key_of,
    key_written,
    owned_tables,
    row_digest,
    rows_of_visits,
    values_of,
)
from db.chain import ChainKeeper, Digests, Head, visit_digests
from db.models import Base, Visit
from db.protection import FILLED_ONCE, VISIT_OF_ROW

AT_ONCE = 200


@dataclass(slots=True)
class Changes:
    """What a transaction has written so far, as far as links are due for it."""

    ended: set[UUID] = field(default_factory=set)
    adopted: set[UUID] = field(default_factory=set)
    single: defaultdict[str, set[Key]] = field(default_factory=lambda: defaultdict(set))
    head: Head | None = None


class ChainedSession(Session):
    """A session that adds the links that are due in the transaction that it commits."""

    def __init__(self, bind: Engine, keeper: ChainKeeper) -> None:
        super().__init__(bind, expire_on_commit=False)
        self.keeper = keeper
        self.changes = Changes()


def visit_ended(session: Session, visit_id: UUID) -> None:
    """Say that a visit ends in this transaction, by whatever statement."""
    if isinstance(session, ChainedSession):
        session.changes.ended.add(visit_id)


def taken_over(session: Session, visit_ids: Collection[UUID], rows: Mapping[str, Collection[Key]]) -> None:
    """Say that visits, and single rows by their keys, came from another database in this transaction."""
    if isinstance(session, ChainedSession):
        session.changes.adopted.update(visit_ids)
        for name, keys in rows.items():
            if keys and name not in VISIT_OF_ROW and name != "visit":
                session.changes.single[name].update(keys)


@event.listens_for(ChainedSession, "after_flush")
def _note(session: ChainedSession, _context: UOWTransaction) -> None:
    changes = session.changes
    for row in session.new:
        _note_row(row, changes)
    for row in session.dirty:
        if getattr(row, "__tablename__", "") in FILLED_ONCE:
            _note_row(row, changes)


def _note_row(row: object, changes: Changes) -> None:
    if isinstance(row, Visit):
        if row.ended_utc is not None:
            changes.ended.add(row.id)
    elif isinstance(row, Base) and row.__tablename__ not in VISIT_OF_ROW and row.__tablename__ not in NOT_COVERED:
        # what belongs to the course of a visit cannot be added to one that has ended
        changes.single[row.__tablename__].add(inspect(row).mapper.primary_key_from_instance(row))


@event.listens_for(ChainedSession, "before_commit")
def _cover(session: ChainedSession) -> None:
    session.flush()
    changes = session.changes
    if not (changes.ended or changes.adopted or changes.single):
        return
    connection = session.connection()
    single = single_digests(connection, changes)
    if not (changes.ended or changes.adopted or single):
        return
    head = session.keeper.head(connection)
    if single:
        head = session.keeper.add(connection, head, "rows", [(None, single)])
    head = cover_visits(session.keeper, connection, head, "adopted", sorted(changes.adopted))
    changes.head = cover_visits(session.keeper, connection, head, "visit", sorted(changes.ended))


@event.listens_for(ChainedSession, "after_commit")
def _remember(session: ChainedSession) -> None:
    if session.changes.head is not None:
        session.keeper.remember(session.changes.head)
    session.changes = Changes()


def cover_visits(
    keeper: ChainKeeper, connection: Connection, head: Head, subject: str, visit_ids: Sequence[UUID]
) -> Head:
    """Add a link for each visit, over all its rows as they are."""
    for first in range(0, len(visit_ids), AT_ONCE):
        found = rows_of_visits(connection, visit_ids[first : first + AT_ONCE])
        head = keeper.add(
            connection,
            head,
            subject,
            [
                (
                    visit_id,
                    visit_digests({name: digest_of(Base.metadata.tables[name], rows) for name, rows in tables.items()}),
                )
                for visit_id, tables in found.items()
            ],
        )
    return head


def single_digests(connection: Connection, changes: Changes) -> Digests:
    """Digests of rows that belong to no visit, or were added to one that ended in an earlier transaction."""
    digests = {}
    for name, keys in changes.single.items():
        table = Base.metadata.tables[name]
        rows = list(_rows_with_keys(connection, table, sorted(keys, key=str), changes.ended | changes.adopted))
        if rows:
            digests[name] = [single_digest(table, row) for row in rows]
    return digests


def single_digest(table: Table, row: Sequence[Any]) -> list[str | int]:
    """One row as a link keeps it: its key, how many of the columns that are filled once are filled, its digest."""
    names = [column.name for column in table.columns]
    filled = sum(row[names.index(column)] is not None for column in FILLED_ONCE.get(table.name, ()))
    return [*key_written(key_of(table, row)), filled, row_digest(table, row)]


def _rows_with_keys(
    connection: Connection, table: Table, keys: Sequence[Key], ended_now: Collection[UUID]
) -> Iterator[Sequence[Any]]:
    owned = owned_tables().get(table.name)
    for first in range(0, len(keys), AT_ONCE):
        with_key = with_keys(table, keys[first : first + AT_ONCE])
        if owned is None:
            yield from connection.execute(select(*values_of(table)).where(with_key))
            continue
        visit = Base.metadata.tables["visit"]
        wanted = owned.all().join(visit, visit.c.id == owned.visit_id).where(with_key, visit.c.ended_utc.is_not(None))
        for row in connection.execute(wanted):
            if row[0] not in ended_now:
                yield row[1:]


def with_keys(table: Table, keys: Sequence[Key]) -> ColumnElement[bool]:
    """Rows with one of these primary keys."""
    columns = key_columns(table)
    if len(columns) == 1:
        return columns[0].in_([key[0] for key in keys])
    return tuple_(*columns).in_(keys)
