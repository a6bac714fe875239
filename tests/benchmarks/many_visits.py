"""A database with very many visits, made fast: one invented batch told in full, then copied with new keys.

Every copy has keys, serials, batch code and times of its own, and goes in in the order of its keys. Triggers are
lifted meanwhile and put back with the rest of the protection.
"""

from __future__ import annotations

import sqlite3
import sys
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from sqlalchemy import Column, Table, create_engine

from db import protection
from db.column_types import Identifier, UtcTime
from db.engine import open_database
from db.models import Base
from rig.invented.history import tell_history
from rig.invented.story import BatchPlan, Story

if TYPE_CHECKING:
    from collections.abc import Iterator

BEGINS = datetime(2021, 1, 4, 7, 0, tzinfo=UTC)
BETWEEN_BATCHES = timedelta(hours=9)
UNITS = 200
BLOCKS_A_COMMIT = 100
OWN = {"batch_code": ":batch", "serial": "printf('L%06d-%s', :block, serial)"}


def of_visits() -> tuple[str, ...]:
    """Tables whose rows belong to a unit or a visit, directly or through others; the rest is the catalogue."""
    members = {"unit", "visit"}
    while True:
        more = {
            table.name
            for table in Base.metadata.tables.values()
            if table.name not in members and any(key.column.table.name in members for key in table.foreign_keys)
        }
        if not more:
            return tuple(table.name for table in Base.metadata.sorted_tables if table.name in members)
        members |= more


def batch_code(block: int) -> str:
    """Batch code of a copy."""
    return f"L{block:06d}"


def load(file: Path, visits: int, *, seed: int = 1, units: int = UNITS, say: bool = True) -> int:
    """Make a database with at least so many visits; how many batches it has.

    :param units: units a batch.
    """
    with TemporaryDirectory() as folder:
        template = Path(folder) / "template.sqlite"
        plan = BatchPlan("2101", BEGINS, 0, units, Story.PLAIN)
        with open_database(f"sqlite:///{template}") as database:
            told = tell_history(database, units, seed=seed, plans=(plan,))
        open_database(f"sqlite:///{file}").close()
        blocks = -(-visits // told.visits)
        began = time.perf_counter()
        with closing(sqlite3.connect(file, isolation_level=None)) as connection:
            connection.execute("PRAGMA journal_mode = OFF")
            connection.execute("PRAGMA synchronous = OFF")
            connection.execute("PRAGMA cache_size = -400000")
            _without_protection(file)
            connection.execute("ATTACH ? AS template", (str(template),))
            _copy_catalogue(connection)
            statements = list(_statements())
            for block in range(blocks):
                if block % BLOCKS_A_COMMIT == 0:
                    connection.execute("BEGIN")
                shift = round(BETWEEN_BATCHES.total_seconds() * 1e6) * block
                moment = round((BEGINS + BETWEEN_BATCHES * block).timestamp() * 1000)
                given = {"prefix": moment.to_bytes(6), "shift": shift, "batch": batch_code(block), "block": block}
                for statement in statements:
                    connection.execute(statement, given)
                if (block + 1) % BLOCKS_A_COMMIT == 0 or block + 1 == blocks:
                    connection.execute("COMMIT")
                    if say:
                        done = (block + 1) * told.visits
                        print(f"  {done} visits after {time.perf_counter() - began:.0f} s", file=sys.stderr, flush=True)
        _with_protection(file)
    return blocks


def _without_protection(file: Path) -> None:
    engine = create_engine(f"sqlite:///{file}")
    with engine.begin() as connection:
        protection.lift(connection)
    engine.dispose()


def _with_protection(file: Path) -> None:
    engine = create_engine(f"sqlite:///{file}")
    with engine.begin() as connection:
        protection.install(connection)
    engine.dispose()
    open_database(f"sqlite:///{file}").close()


def _copy_catalogue(connection: sqlite3.Connection) -> None:
    kept = set(of_visits())
    for table in Base.metadata.sorted_tables:
        if table.name not in kept:
            columns = ", ".join(column.name for column in table.columns)
            connection.execute(f"INSERT INTO {table.name} ({columns}) SELECT {columns} FROM template.{table.name}")


def _statements() -> Iterator[str]:
    """One statement a table that copies all its rows of the template into a block, in the order of their keys."""
    kept = set(of_visits())
    for name in of_visits():
        table = Base.metadata.tables[name]
        columns = ", ".join(column.name for column in table.columns)
        values = ", ".join(_value(table, column.name, kept) for column in table.columns)
        order = ", ".join(
            f"substr({column.name}, 7)" if isinstance(column.type, Identifier) else column.name
            for column in table.primary_key.columns
        )
        yield f"INSERT INTO main.{name} ({columns}) SELECT {values} FROM template.{name} ORDER BY {order}"


def _value(table: Table, name: str, kept: set[str]) -> str:
    column = table.columns[name]
    if is_new(column, kept):
        return f"CASE WHEN {name} IS NULL THEN NULL ELSE CAST(:prefix || substr({name}, 7) AS BLOB) END"
    if isinstance(column.type, UtcTime):
        return f"{name} + :shift"
    counted = column.primary_key and not isinstance(column.type, Identifier)
    if counted and not any(is_new(each, kept) for each in table.primary_key.columns):
        # counted on in the catalogue's own numbering, as links of a chain are
        return f"{name} + :block * (SELECT 1 + max({name}) FROM template.{table.name})"
    return OWN.get(name, name)


def is_new(column: Column[Any], kept: set[str]) -> bool:
    """Whether a key is a new one in every copy."""
    elsewhere = [key.column.table.name for key in column.foreign_keys]
    return isinstance(column.type, Identifier) and (not elsewhere or elsewhere[0] in kept)


def sizes(file: Path, visits: int) -> list[tuple[str, float, float]]:
    """Bytes a visit of each table and index that is worth naming: pages, and what of them is payload."""
    with closing(sqlite3.connect(file)) as connection:
        rows = connection.execute(
            # its own sums are of 32 bits
            "SELECT name, sum(pgsize), sum(payload) FROM dbstat GROUP BY name ORDER BY 2 DESC"
        ).fetchall()
    return [(name, pages / visits, payload / visits) for name, pages, payload in rows if pages / visits >= 1.0]
