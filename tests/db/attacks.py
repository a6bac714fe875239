"""Ways to change or remove a finished row from outside, with nothing but SQL."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path


def dump(file: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table."""
    with closing(sqlite3.connect(file)) as connection:
        return {
            table: connection.execute(f'SELECT * FROM "{table}" ORDER BY 1, 2').fetchall()
            for table in tables(connection)
        }


def tables(connection: sqlite3.Connection) -> list[str]:
    rows = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name <> 'alembic_version' ORDER BY name"
    )
    return [name for (name,) in rows]


def columns(connection: sqlite3.Connection, table: str) -> dict[str, str]:
    """Column names with their declared types."""
    return {row[1]: row[2] for row in connection.execute(f"PRAGMA table_info({table})")}


def primary_key(connection: sqlite3.Connection, table: str) -> list[str]:
    rows = connection.execute(f"SELECT name FROM pragma_table_info('{table}') WHERE pk ORDER BY pk")
    return [name for (name,) in rows]


def unique_keys(connection: sqlite3.Connection, table: str) -> list[list[str]]:
    """Columns of every unique index, the primary key among them."""
    indices = connection.execute(f"SELECT name FROM pragma_index_list('{table}') WHERE \"unique\"").fetchall()
    return [
        [name for (name,) in connection.execute(f"SELECT name FROM pragma_index_info('{index}') ORDER BY seqno")]
        for (index,) in indices
    ]


def another(column: str, kind: str) -> str:
    """SQL for a value of the column's type that differs from the one in the row."""
    return {
        "INTEGER": f"COALESCE({column}, 0) + 1",
        "REAL": f"COALESCE({column}, 0) + 1.5",
        "TEXT": f"COALESCE({column}, '') || 'x'",
        "BLOB": "randomblob(16)",
    }[kind]


def attacks_on(connection: sqlite3.Connection, table: str) -> Iterator[str]:
    """SQL statements, each of which would change, remove or replace rows if nothing stopped it."""
    kinds = columns(connection, table)
    for column, kind in kinds.items():
        for verb in ("UPDATE", "UPDATE OR REPLACE", "UPDATE OR FAIL"):
            yield f"{verb} {table} SET {column} = {another(column, kind)}"
    yield f"DELETE FROM {table}"
    yield f"DELETE FROM {table} WHERE {primary_key(connection, table)[0]} IS NOT NULL"
    for key in unique_keys(connection, table):
        selected = ", ".join(
            column if column in key else _other_than_key(column, kind) for column, kind in kinds.items()
        )
        names = ", ".join(kinds)
        filled = " AND ".join(f"{column} IS NOT NULL" for column in key)
        rows = f"({names}) SELECT {selected} FROM {table} WHERE {filled}"
        yield f"INSERT OR REPLACE INTO {table} {rows}"
        yield f"REPLACE INTO {table} {rows}"
        changed = next((column for column in reversed(kinds) if column not in key), None)
        if changed is not None:
            change = f"{changed} = {another(changed, kinds[changed])}"
            yield f"INSERT INTO {table} {rows} ON CONFLICT DO UPDATE SET {change}"


def _other_than_key(column: str, kind: str) -> str:
    # Columns under a check keep their value, so that nothing but the protection can stop the statement.
    checked = {
        "probability",
        "phase",
        "outcome",
        "content_sha256",
        "ended_utc",
        "revision",
        "corrects_verdict_id",
        "quantity",
    }
    checked |= {"subject", "link", "role", "authority"}
    return column if column in checked else another(column, kind)
