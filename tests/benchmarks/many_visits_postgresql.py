"""The same very many visits on PostgreSQL: one invented batch told there in full, and copied by the server itself.

Keys, serials, batch codes and times are made as in :mod:`tests.benchmarks.many_visits`. Triggers and the checking of
references rest meanwhile; the protection is put back afterwards.
"""

from __future__ import annotations

import os
import sys
import time
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Table, create_engine, make_url, text

from db import locks
from db.column_types import Identifier, UtcTime
from db.engine import open_database
from db.models import Base
from rig.invented.history import tell_history
from rig.invented.story import BatchPlan, Story
from tests.benchmarks.many_visits import BEGINS, BETWEEN_BATCHES, UNITS, is_new, of_visits

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy import Column

BLOCKS_A_STATEMENT = 50
TEMPLATE = "loader_template"


def load(url: str, visits: int, *, seed: int = 1, units: int = UNITS) -> int:
    """Fill an empty database with at least so many visits; how many batches it has."""
    plan = BatchPlan("2101", BEGINS, 0, units, Story.PLAIN)
    with open_database(url) as database:
        told = tell_history(database, units, seed=seed, plans=(plan,))
    blocks = -(-visits // told.visits) - 1  # the batch told is one
    began = time.perf_counter()
    engine = create_engine(make_url(url).set(drivername="postgresql+psycopg"))
    with engine.begin() as connection:
        locks.lift(connection)
        connection.execute(text(f"CREATE SCHEMA {TEMPLATE}"))
        for name in of_visits():
            connection.execute(text(f"CREATE UNLOGGED TABLE {TEMPLATE}.{name} AS SELECT * FROM {name}"))
    statements = list(_statements())
    for first in range(1, blocks + 1, BLOCKS_A_STATEMENT):
        last = min(first + BLOCKS_A_STATEMENT - 1, blocks)
        with engine.begin() as connection:
            connection.execute(text("SET LOCAL session_replication_role = replica"))
            connection.execute(text("SET LOCAL synchronous_commit = off"))
            for statement in statements:
                connection.execute(text(statement), {"first": first, "last": last})
        if first // BLOCKS_A_STATEMENT % 5 == 0:
            done = last * told.visits
            print(f"  {done} visits after {time.perf_counter() - began:.0f} s", file=sys.stderr, flush=True)
    with engine.begin() as connection:
        connection.execute(text(f"DROP SCHEMA {TEMPLATE} CASCADE"))
        locks.install(connection)
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text("VACUUM ANALYZE"))
        # what the loader still owes the disk is no part of what is measured
        connection.execute(text("CHECKPOINT"))
    os.sync()
    engine.dispose()
    open_database(url).close()
    return blocks


def _statements() -> Iterator[str]:
    kept = set(of_visits())
    for name in of_visits():
        table = Base.metadata.tables[name]
        columns = ", ".join(column.name for column in table.columns)
        values = ", ".join(_value(table, column, kept) for column in table.columns)
        order = ", ".join(f"t.{column.name}" for column in table.primary_key.columns)
        yield (
            f"INSERT INTO {name} ({columns}) SELECT {values} FROM generate_series(CAST(:first AS int), "
            f"CAST(:last AS int)) AS block, {TEMPLATE}.{name} AS t ORDER BY block, {order}"
        )


def _value(table: Table, column: Column[Any], kept: set[str]) -> str:
    began_ms = round(BEGINS.timestamp() * 1000)
    step_ms = round(BETWEEN_BATCHES.total_seconds() * 1000)
    name = f"t.{column.name}"
    if is_new(column, kept):
        prefix = f"lpad(to_hex({began_ms} + {step_ms} * block::bigint), 12, '0')"
        return f"({prefix} || substr(replace({name}::text, '-', ''), 13))::uuid"
    if isinstance(column.type, UtcTime):
        return f"{name} + block * interval '{step_ms} milliseconds'"
    counted = column.primary_key and not isinstance(column.type, Identifier)
    if counted and not any(is_new(each, kept) for each in table.primary_key.columns):
        return f"{name} + block * (SELECT 1 + max({column.name}) FROM {TEMPLATE}.{table.name})"
    own = {
        "batch_code": "'L' || lpad(block::text, 6, '0')",
        "serial": "'L' || lpad(block::text, 6, '0') || '-' || t.serial",
    }
    return own.get(column.name, name) if not isinstance(column.type, Identifier) else name


def sizes(connection: Connection, visits: int) -> list[tuple[str, float]]:
    """Bytes a visit of each table with its indices."""
    rows = connection.execute(
        text(
            "SELECT relname, pg_total_relation_size(oid) FROM pg_class WHERE relkind = 'r' AND relnamespace = "
            "current_schema()::regnamespace ORDER BY 2 DESC"
        )
    ).all()
    return [(name, size / visits) for name, size in rows if size / visits >= 1.0]
