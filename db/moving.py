"""The whole record from one database into another, SQLite or PostgreSQL: nothing lost, counted and hashed.

Tables go over in pieces, all in one transaction of the target: it takes the record whole or stays empty. The triggers
that keep rows out of ended visits are lifted in that transaction and put back before it ends, as by a migration.
"""

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Table, Text, column, insert, select, table

from db import locks
from db.canonical import encoded, values_of
from db.column_types import Document
from db.engine import Database
from db.errors import Damaged, NotEmpty
from db.models import Base, RecordChange
from db.postgresql import copy_rows

PIECE = 5000
_MODULUS = 1 << 256


@dataclass(frozen=True, slots=True)
class TableSum:
    """How many rows a table has, and the sum of the SHA-256 of each: the same in whatever order they are read."""

    count: int
    total: int

    @property
    def shown(self) -> str:
        """The sum as 64 hexadecimal digits."""
        return f"{self.total:064x}"


def move(source: Database, target: Database, *, who: str, why: str) -> dict[str, TableSum]:
    """Copy every row of every table into an empty database; the source stays as it is.

    :return: what each table holds, counted and hashed on both sides.
    :raises NotEmpty: the target holds records.
    :raises Damaged: what arrived is not what was sent; the target stayed empty.
    """
    with source.reading_connection() as reading, target.writing_connection() as writing:
        _require_empty(writing, target.url_shown)
        locks.lift(writing)
        sent = {each.name: _copy(reading, writing, each, target.url_shown) for each in Base.metadata.sorted_tables}
        for each in Base.metadata.sorted_tables:
            arrived = table_sum(each, _rows(writing, each))
            if arrived != sent[each.name]:
                raise Damaged(
                    f"The table {each.name} did not arrive in {target.url_shown} as it was sent ({arrived.count} rows "
                    f"of {sent[each.name].count}): nothing was kept there; check both disks and try again."
                )
        locks.install(writing)
        locks.verify(writing, target.url_shown, required=Base.metadata.tables.keys())
    with target.session() as session:
        moved = f"moved here from {source.url_shown}"
        session.add(RecordChange(what=moved, who=who, reason=why, made_utc=datetime.now(UTC)))
    return sent


def table_sums(connection: Connection) -> dict[str, TableSum]:
    """What each table holds, counted and hashed."""
    return {each.name: table_sum(each, _rows(connection, each)) for each in Base.metadata.sorted_tables}


def table_sum(of_table: Table, rows: Iterable[Sequence[Any]]) -> TableSum:
    """Count and hash rows."""
    count = total = 0
    for row in rows:
        count += 1
        total += int.from_bytes(hashlib.sha256(encoded(of_table, row)).digest())
    return TableSum(count, total % _MODULUS)


def _rows(connection: Connection, of_table: Table) -> Iterator[Sequence[Any]]:
    return iter(connection.execute(select(*values_of(of_table)).execution_options(yield_per=PIECE)))


def _require_empty(connection: Connection, place: str) -> None:
    for each in Base.metadata.sorted_tables:
        if connection.execute(select(*each.primary_key.columns).limit(1)).first() is not None:
            raise NotEmpty(
                f"The database {place} holds records already (in its table {each.name}): name an empty one, into "
                "which everything is copied."
            )


def _copy(reading: Connection, writing: Connection, of_table: Table, place: str) -> TableSum:
    count = total = 0

    def passing() -> Iterator[Sequence[Any]]:
        nonlocal count, total
        for row in _rows(reading, of_table):
            count += 1
            total += int.from_bytes(hashlib.sha256(encoded(of_table, row)).digest())
            yield row

    insert_rows(writing, of_table, passing(), place)
    return TableSum(count, total % _MODULUS)


def insert_rows(writing: Connection, into: Table, rows: Iterable[Sequence[Any]], place: str) -> None:
    """Insert rows as :func:`db.canonical.values_of` gives them, as they come."""
    names = [each.name for each in into.columns]
    if writing.dialect.name != "sqlite":
        copy_rows(writing, into.name, names, rows, place)
        return
    # documents come and go as text
    plain = table(
        into.name, *(column(c.name, Text() if isinstance(c.type, Document) else c.type) for c in into.columns)
    )
    piece: list[dict[str, Any]] = []
    for row in rows:
        piece.append(dict(zip(names, row, strict=True)))
        if len(piece) == PIECE:
            writing.execute(insert(plain), piece)
            piece = []
    if piece:
        writing.execute(insert(plain), piece)
