"""Rows in one form that both databases agree on, for hashes: which rows belong to a visit, and what is in them.

A row is the pairs of column name and value that are not empty, in the order of the model, so that a column that a later
schema adds leaves the hashes of older rows as they are. Numbers are IEEE 754 doubles; minus zero, which SQLite does not
keep, counts as zero. Times are microseconds since 1970-01-01 UTC.
"""

import base64
import hashlib
import struct
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from typing import Any
from uuid import UUID

from sqlalchemy import Column, ColumnElement, Connection, Select, Table, Text, select, type_coerce

from db.column_types import Document, Identifier
from db.models import Base
from db.stored_values import microseconds

NOT_COVERED = frozenset({"record_chain", "record_link", "unit_claim"})
"""The chain itself, and what says nothing of units: who had which on the bench."""

Key = tuple[UUID | str | int, ...]

_BYTES_OF_DIGEST = 16
"""Nobody fits another row to a digest (second preimage) of 128 bits, and a million visits keep their digests."""


@dataclass(frozen=True, slots=True)
class Owned:
    """A table whose rows belong to visits: where their visit's key stands, and what has to be joined to see it."""

    table: Table
    visit_id: ColumnElement[UUID]
    joins: tuple[tuple[Table, ColumnElement[bool]], ...]

    def of(self, visit_ids: Collection[UUID]) -> Select[Any]:
        """Rows of these visits: the visit's key, then the row's values."""
        return self.all().where(self.visit_id.in_(visit_ids))

    def all(self) -> Select[Any]:
        """All rows: the visit's key, then the row's values."""
        wanted = select(self.visit_id, *values_of(self.table)).select_from(self.table)
        for table, condition in self.joins:
            wanted = wanted.join(table, condition)
        return wanted


@dataclass(frozen=True, slots=True)
class TableDigest:
    """Hash over some rows of one table, and how many they are."""

    count: int
    digest: str


def covered_tables() -> tuple[Table, ...]:
    """Every table that the chain covers, parents before children."""
    return tuple(table for table in Base.metadata.sorted_tables if table.name not in NOT_COVERED)


@cache
def owned_tables() -> Mapping[str, Owned]:
    """Tables whose rows belong to a visit, directly or through the row that they refer to; parents first."""
    visit = Base.metadata.tables["visit"]
    owned = {"visit": Owned(visit, visit.c.id, ())}
    for table in covered_tables():
        if table.name != "visit":
            found = _owned(table, owned)
            if found is not None:
                owned[table.name] = found
    return owned


def _owned(table: Table, owned: Mapping[str, Owned]) -> Owned | None:
    if "visit_id" in table.c and not table.c.visit_id.nullable:
        return Owned(table, table.c.visit_id, ())
    for column in table.c:
        for key in column.foreign_keys:
            above = owned.get(key.column.table.name)
            if above is not None and not column.nullable and above.table.name != "visit":
                return Owned(table, above.visit_id, ((above.table, column == key.column), *above.joins))
    return None


@cache
def loose_tables() -> tuple[Table, ...]:
    """Tables whose rows belong to no visit: products, benches, units, people."""
    return tuple(table for table in covered_tables() if table.name not in owned_tables())


@cache
def values_of(table: Table) -> tuple[ColumnElement[Any], ...]:
    """The columns as they are hashed and copied: documents as the text that they are kept as."""
    return tuple(
        type_coerce(column, Text()).label(column.name) if isinstance(column.type, Document) else column
        for column in table.columns
    )


@cache
def _names(table: Table) -> tuple[bytes, ...]:
    return tuple(column.name.encode() + b"=" for column in table.columns)


def encoded(table: Table, values: Sequence[Any]) -> bytes:
    """One row, in the form that is hashed.

    :param values: as :func:`values_of` gives them.
    """
    named = zip(_names(table), values, strict=True)
    return b"".join([name + _ENCODERS[type(value)](value) for name, value in named if value is not None])


def digest_of(table: Table, rows: Iterable[Sequence[Any]]) -> TableDigest:
    """Hash over rows, whatever their order."""
    each = sorted(encoded(table, row) for row in rows)
    whole = hashlib.sha256(table.name.encode())
    for row in each:
        whole.update(len(row).to_bytes(4))
        whole.update(row)
    return TableDigest(len(each), _short(whole.digest()))


def row_digest(table: Table, values: Sequence[Any]) -> str:
    """Hash of one row."""
    return _short(hashlib.sha256(table.name.encode() + b"\0" + encoded(table, values)).digest())


def _short(digest: bytes) -> str:
    return base64.urlsafe_b64encode(digest[:_BYTES_OF_DIGEST]).decode().rstrip("=")


def rows_of_visits(connection: Connection, visit_ids: Collection[UUID]) -> dict[UUID, dict[str, list[Sequence[Any]]]]:
    """Every row of some visits: visit, table, rows."""
    found: dict[UUID, dict[str, list[Sequence[Any]]]] = {each: defaultdict(list) for each in visit_ids}
    for name, owned in owned_tables().items():
        for row in connection.execute(owned.of(visit_ids)):
            found[row[0]][name].append(row[1:])
    return found


def key_columns(table: Table) -> tuple[Column[Any], ...]:
    """Columns of the primary key."""
    return tuple(table.primary_key.columns)


@cache
def _key_places(table: Table) -> tuple[int, ...]:
    names = [column.name for column in table.columns]
    return tuple(names.index(column.name) for column in key_columns(table))


def key_of(table: Table, values: Sequence[Any]) -> Key:
    """Primary key of a row."""
    return tuple(values[place] for place in _key_places(table))


def key_written(key: Key) -> list[str | int]:
    """A primary key as JSON has it."""
    return [str(part) if isinstance(part, UUID) else part for part in key]


def key_read(table: Table, written: Sequence[str | int]) -> Key:
    """The primary key that was written so."""
    return tuple(
        UUID(str(part)) if isinstance(column.type, Identifier) else part
        for column, part in zip(key_columns(table), written, strict=True)
    )


def _text(value: str) -> bytes:
    raw = value.encode()
    return b"s%d:%b;" % (len(raw), raw)


def _moment(value: datetime) -> bytes:
    return b"t%d;" % microseconds(value)


_ENCODERS: Mapping[type, Any] = {
    bool: lambda value: b"b1;" if value else b"b0;",
    int: lambda value: b"i%d;" % value,
    float: lambda value: b"f" + struct.pack(">d", value + 0.0),
    str: _text,
    bytes: lambda value: b"o%d:%b;" % (len(value), value),
    UUID: lambda value: b"u" + value.bytes,
    datetime: _moment,
    date: lambda value: b"d" + value.isoformat().encode(),
}
