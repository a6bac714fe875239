"""Which revision a database has, and what has to be in it; bringing it to ours is for :mod:`db.schema`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from db.errors import NotADatabase
from db.protection import VERSION_TABLE
from db.questions import SQLITE

if TYPE_CHECKING:
    from db.questions import Asked

LATEST = "r0012"

TABLES = frozenset(
    {
        "bench",
        "bench_check",
        "bench_check_value",
        "bench_revision",
        "bench_study",
        "bench_study_reading",
        "characterisation",
        "finding",
        "finding_budgets",
        "instrument",
        "instrument_profile",
        "move",
        "person",
        "point",
        "product",
        "product_revision",
        "product_signature",
        "reading",
        "recommendation",
        "record_chain",
        "record_change",
        "record_link",
        "repair",
        "source_curve",
        "suspicion",
        "sweep",
        "tracking_fit",
        "trim_observation",
        "unit",
        "unit_claim",
        "unit_return",
        "verdict",
        "visit",
        "visit_authority",
        "visit_closing",
        "visit_condition",
        "visit_instrument",
        "visit_instrument_profile",
    }
)
"""All tables by name: what has to be there is looked for at every opening, before any model is made."""

# In the file header, offset 68: says whose database it is (https://www.sqlite.org/fileformat.html).
APPLICATION_ID = int.from_bytes(b"Trim")

# The same on PostgreSQL: the comment on the table that holds the revision.
APPLICATION_COMMENT = "Trimrig record"


def current_revision(connection: Asked, place: str) -> str | None:
    """Say which revision the database has; None for an empty one.

    :raises NotADatabase: it holds tables, and they are not ours.
    """
    names, ours = (_of_sqlite if connection.dialect.name == SQLITE else _of_postgresql)(connection)
    if not names:
        return None
    if not ours or VERSION_TABLE not in names:
        raise NotADatabase(
            f"The database {place} belongs to another program (it holds the table {min(names)}): "
            "name another one in RIG_DATABASE_URL."
        )
    versions = connection.exec_driver_sql(f"SELECT version_num FROM {VERSION_TABLE}").all()
    return str(versions[0][0]) if versions else None


def _of_sqlite(connection: Asked) -> tuple[set[str], bool]:
    """Names of the tables, and whether it is a database of ours."""
    tables = connection.exec_driver_sql(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\'"
    ).all()
    ((owner,),) = connection.exec_driver_sql("PRAGMA application_id").all()
    return {name for (name,) in tables}, owner == APPLICATION_ID


def _of_postgresql(connection: Asked) -> tuple[set[str], bool]:
    rows = connection.exec_driver_sql(
        "SELECT relname, obj_description(oid, 'pg_class') FROM pg_class "
        "WHERE relnamespace = current_schema()::regnamespace AND relkind IN ('r', 'p')"
    ).all()
    return {name for name, _ in rows}, (VERSION_TABLE, APPLICATION_COMMENT) in map(tuple, rows)
