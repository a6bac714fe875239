"""Ways to change or remove a finished row on a PostgreSQL server, with nothing but SQL."""

from collections.abc import Iterator
from typing import Any

_OTHER = {
    "integer": "COALESCE({0}, 0) + 1",
    "double precision": "COALESCE({0}, 0) + 1.5",
    "text": "COALESCE({0}, '') || 'x'",
    "uuid": "gen_random_uuid()",
    "bytea": "{0} || 'x'::bytea",
    "boolean": "NOT {0}",
    "date": "COALESCE({0}, DATE '2026-01-01') + 1",
    "timestamp with time zone": "COALESCE({0}, now()) + INTERVAL '1 hour'",
}


def dump(connection: Any) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table."""
    names = connection.execute(
        "SELECT table_name::text FROM information_schema.tables WHERE table_schema = 'public' "
        "AND table_type = 'BASE TABLE' AND table_name <> 'alembic_version' ORDER BY 1"
    ).fetchall()
    return {name: connection.execute(f'SELECT * FROM "{name}" ORDER BY 1, 2').fetchall() for (name,) in names}


def attacks_on(connection: Any, table: str) -> Iterator[str]:
    """SQL statements, each of which would change or remove rows if nothing stopped it."""
    kinds = dict(
        connection.execute(
            "SELECT column_name::text, data_type FROM information_schema.columns WHERE table_schema = 'public' "
            f"AND table_name = '{table}' ORDER BY ordinal_position"
        ).fetchall()
    )
    keys = [
        columns
        for (columns,) in connection.execute(
            "SELECT ARRAY(SELECT a.attname::text FROM pg_attribute a WHERE a.attrelid = i.indrelid "
            "AND a.attnum = ANY(i.indkey)) FROM pg_index i "
            f"WHERE i.indrelid = '{table}'::regclass AND i.indisunique AND i.indpred IS NULL"
        ).fetchall()
    ]
    for column, kind in kinds.items():
        yield f"UPDATE {table} SET {column} = {_OTHER[kind].format(column)}"
    yield f"DELETE FROM {table}"
    yield f"TRUNCATE {table} CASCADE"
    yield f"MERGE INTO {table} t USING (SELECT 1) s ON true WHEN MATCHED THEN DELETE"
    for key in keys:
        changed = next((column for column in reversed(kinds) if column not in key), None)
        filled = " AND ".join(f"{column} IS NOT NULL" for column in key)
        if changed is not None:
            change = f"{changed} = {_OTHER[kinds[changed]].format(f'{table}.{changed}')}"
            yield (
                f"INSERT INTO {table} SELECT * FROM {table} WHERE {filled} "
                f"ON CONFLICT ({', '.join(key)}) DO UPDATE SET {change}"
            )
