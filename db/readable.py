"""Values that somebody wrote past the program and that no column type can read: found before any row is compared."""

import json
from typing import Any

from sqlalchemy import ColumnElement, Connection, Table, Text, func, literal_column, or_, select, type_coerce

from db.column_types import Day, Identifier, UtcTime
from db.findings import Findings
from db.models import Base

_EARLIEST_MICROSECONDS, _LATEST_MICROSECONDS = -62135596800000000, 253402300799999999
"""The years 1 to 9999, which is what a moment can be."""
_IDENTIFIER_BYTES = 16


def check_readable(connection: Connection, found: Findings) -> bool:
    """Whether every value can be read; each column that holds another is named.

    PostgreSQL stores no such value: its own types refuse it.
    """
    if connection.dialect.name != "sqlite":
        return True
    readable = True
    for table in Base.metadata.sorted_tables:
        conditions = {name: condition for name, condition in _unreadable(table).items() if condition is not None}
        if not conditions:
            continue
        counts = connection.execute(
            select(*(func.count().filter(each).label(name) for name, each in conditions.items())).select_from(table)
        ).one()
        for name, count in zip(conditions, counts, strict=True):
            if count:
                readable = False
                rows = "1 row was" if count == 1 else f"{count} rows were"
                found.flaw(
                    table.name, f"{rows} altered: what stands in its column {name} is nothing that belongs there"
                )
    return readable


def digests_read(text: str, subject: str) -> dict[str, Any] | None:
    """What a link covers, from the text that it is kept as; None where it is nothing that a link can say.

    :param subject: of the link: ``visit`` has a count and a digest a table, ``rows`` a list of rows.
    """
    try:
        digests = json.loads(text)
    except (ValueError, RecursionError):
        return None
    if not isinstance(digests, dict):
        return None
    fits = all(_is_rows(each) if subject == "rows" else _is_marked(each, 2) for each in digests.values())
    return digests if fits else None


def _is_rows(value: object) -> bool:
    return isinstance(value, list) and all(_is_marked(each, 3) for each in value)


def _is_marked(value: object, least: int) -> bool:
    """Whether it is a list of that many parts at least, all text or whole numbers, a number and a digest at its end."""
    if not isinstance(value, list) or len(value) < least or not all(isinstance(each, str | int) for each in value):
        return False
    return isinstance(value[-2], int) and isinstance(value[-1], str) and (least > 2 or len(value) == 2)


def _unreadable(table: Table) -> dict[str, ColumnElement[bool] | None]:
    return {column.name: _no_value_of(column) for column in table.columns}


def _no_value_of(column: ColumnElement[Any]) -> ColumnElement[bool] | None:
    """Where a column holds what its type cannot read; None where the type can read anything."""
    plain: ColumnElement[Any] = literal_column(f'"{column.key}"')
    if isinstance(column.type, Identifier):
        return func.length(plain) != _IDENTIFIER_BYTES
    if isinstance(column.type, UtcTime):
        return or_(plain < _EARLIEST_MICROSECONDS, plain > _LATEST_MICROSECONDS)
    if isinstance(column.type, Day):
        day = func.date(type_coerce(plain, Text()), "+0 days")  # without a step, 30 February is left as it is
        return plain.is_not(None) & (day.is_(None) | (day != plain))
    return None
