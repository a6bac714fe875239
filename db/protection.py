"""The locks on finished records: triggers that let rows be added and never changed, removed or replaced.

Triggers for SQLite; those for PostgreSQL stand in :mod:`db.protection_postgresql`. ``INSERT OR REPLACE`` and ``UPDATE
OR REPLACE`` remove the row in their way without firing delete triggers, so every unique key has a guard that looks
*before* the insert, and no table has a hidden row number. The triggers are derived from the tables as they are, so
that a rebuilt or a new table is protected like any other.

The connection is asked in plain SQL: opening must be quick, and the check has to see what any program sees.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from db.errors import ProtectionMissing

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from db.questions import Asked

VERSION_TABLE = "alembic_version"

# Columns that are empty at first and filled in once; they are filled together or not at all, and then rest.
FILLED_ONCE: dict[str, tuple[str, ...]] = {"visit": ("ended_utc", "outcome"), "unit": ("batch_code",)}

# Rows that belong to the course of a visit are added while it lasts; judgement may be corrected afterwards.
VISIT_OF_ROW: dict[str, str] = {
    "visit_instrument": "NEW.visit_id",
    "visit_instrument_profile": "NEW.visit_id",
    "visit_condition": "NEW.visit_id",
    "sweep": "NEW.visit_id",
    "point": "(SELECT visit_id FROM sweep WHERE id = NEW.sweep_id)",
    "reading": "NEW.visit_id",
    "recommendation": "NEW.visit_id",
    "move": "NEW.visit_id",
    "trim_observation": "NEW.visit_id",
    "visit_closing": "NEW.visit_id",
    "visit_authority": "NEW.visit_id",
    "finding_budgets": "NEW.visit_id",
}

RESTORE = "restore the last backup, and do not record on this one."

_PREFIX = "keep_"


@dataclass(frozen=True, slots=True)
class UniqueKey:
    """Columns that no two rows share, and the condition under which that holds ('' for always)."""

    columns: tuple[str, ...]
    condition: str


@dataclass(frozen=True, slots=True)
class KeptTable:
    """A table as the triggers need to know it."""

    name: str
    columns: tuple[str, ...]
    keys: tuple[UniqueKey, ...]
    keyed_storage: bool
    strict: bool


def install(connection: Asked) -> None:
    """Put all triggers in place, replacing any that are there; called inside the migration's transaction."""
    lift(connection)
    for statement in expected_triggers(kept_tables(connection)).values():
        connection.exec_driver_sql(statement)


def lift(connection: Asked) -> None:
    """Take all triggers away, so that a migration can rebuild tables; they come back with :func:`install`."""
    for name in _present_triggers(connection):
        connection.exec_driver_sql(f'DROP TRIGGER "{name}"')


def verify(connection: Asked, place: str, required: Collection[str] = ()) -> None:
    """See that every trigger is in place with its exact text, and that no table has a hidden row number.

    :param required: tables that must be there.
    :raises ProtectionMissing: something is missing, altered, or there beside what should be there.
    """
    tables = kept_tables(connection)
    require_tables(place, required, {table.name for table in tables})
    loose = sorted(table.name for table in tables if not (table.keyed_storage and table.strict))
    if loose:
        raise ProtectionMissing(
            f"In the database {place} the table {loose[0]} was rebuilt without its protection: {RESTORE}"
        )
    require_triggers(place, expected_triggers(tables), _present_triggers(connection))


def require_tables(place: str, required: Collection[str], present: Collection[str]) -> None:
    """See that no table is lost.

    :raises ProtectionMissing: one is.
    """
    missing = sorted(set(required) - set(present))
    if missing:
        raise ProtectionMissing(f"The database {place} has lost its table {missing[0]}: {RESTORE}")


def require_triggers(place: str, expected: Mapping[str, object], present: Mapping[str, object]) -> None:
    """See that the triggers by their names are what they should be, and that there are no others.

    :raises ProtectionMissing: one is missing, altered, or there beside what should be there.
    """
    wrong = sorted(name for name in expected.keys() | present.keys() if expected.get(name) != present.get(name))
    if wrong:
        raise ProtectionMissing(
            f"In the database {place} the protection of finished records was tampered with ({wrong[0]}): {RESTORE}"
        )


def kept_tables(connection: Asked) -> tuple[KeptTable, ...]:
    """Read the tables and their unique keys from the database itself."""
    listed = connection.exec_driver_sql(
        "SELECT name, wr, strict FROM pragma_table_list WHERE schema = 'main' AND type = 'table' "
        "AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\' AND name <> ? ORDER BY name",
        (VERSION_TABLE,),
    ).all()
    columns: dict[str, list[str]] = {name: [] for name, _, _ in listed}
    for table, column in connection.exec_driver_sql(
        "SELECT m.name, c.name FROM sqlite_master m JOIN pragma_table_info(m.name) c "
        "WHERE m.type = 'table' ORDER BY m.name, c.cid"
    ):
        columns.setdefault(table, []).append(column)
    keys = _unique_keys(connection)
    return tuple(
        KeptTable(name, tuple(columns[name]), keys.get(name, ()), bool(keyed), bool(strict))
        for name, keyed, strict in listed
    )


def _unique_keys(connection: Asked) -> dict[str, tuple[UniqueKey, ...]]:
    found: dict[tuple[str, str], tuple[str, list[str]]] = {}
    for table, index, statement, column in connection.exec_driver_sql(
        "SELECT m.name, i.name, COALESCE(s.sql, ''), c.name FROM sqlite_master m "
        "JOIN pragma_index_list(m.name) i JOIN pragma_index_info(i.name) c "
        "LEFT JOIN sqlite_master s ON s.type = 'index' AND s.name = i.name "
        "WHERE m.type = 'table' AND i.\"unique\" ORDER BY m.name, i.name, c.seqno"
    ):
        condition = statement.partition(" WHERE ")[2]
        found.setdefault((table, index), (condition, []))[1].append(column)
    keys: dict[str, set[UniqueKey]] = {}
    for (table, _), (condition, columns) in found.items():
        keys.setdefault(table, set()).add(UniqueKey(tuple(columns), condition))
    return {table: tuple(sorted(each, key=lambda key: (key.columns, key.condition))) for table, each in keys.items()}


def expected_triggers(tables: Sequence[KeptTable]) -> dict[str, str]:
    """Name and text of every trigger that these tables must have."""
    triggers: dict[str, str] = {}
    for table in tables:
        for event, statement in _table_triggers(table).items():
            name = f"{_PREFIX}{table.name}_{event}"
            triggers[name] = f"CREATE TRIGGER {name} {statement}"
    return triggers


def _table_triggers(table: KeptTable) -> dict[str, str]:
    name = table.name
    triggers = {
        "update": _update_lock(table),
        "delete": (f"BEFORE DELETE ON {name} BEGIN SELECT RAISE(ABORT, 'rows of {name} are never removed'); END"),
    }
    if table.keys:
        triggers["insert"] = _replace_guard(table)
    if name in VISIT_OF_ROW:
        triggers["ended"] = (
            f"BEFORE INSERT ON {name} "
            f"WHEN (SELECT ended_utc FROM visit WHERE id = {VISIT_OF_ROW[name]}) IS NOT NULL "
            f"BEGIN SELECT RAISE(ABORT, 'the visit has ended, no {name} is added to it'); END"
        )
    return triggers


def _update_lock(table: KeptTable) -> str:
    once = FILLED_ONCE.get(table.name, ())
    if not once:
        return (
            f"BEFORE UPDATE ON {table.name} BEGIN "
            f"SELECT RAISE(ABORT, 'rows of {table.name} are never changed, add a correcting row'); END"
        )
    kept = [f"NEW.{column} IS OLD.{column}" for column in table.columns if column not in once]
    filled = [f"(OLD.{column} IS NULL OR NEW.{column} IS OLD.{column})" for column in once]
    return (
        f"BEFORE UPDATE ON {table.name} WHEN NOT ({' AND '.join(kept + filled)}) BEGIN "
        f"SELECT RAISE(ABORT, 'in rows of {table.name} only {' and '.join(once)} may be filled in, once'); "
        "END"
    )


def _replace_guard(table: KeptTable) -> str:
    clashes = " OR ".join(_clash(table, key) for key in table.keys)
    return (
        f"BEFORE INSERT ON {table.name} WHEN {clashes} BEGIN "
        f"SELECT RAISE(ABORT, 'a row of {table.name} with this key is there already and is never replaced'); "
        "END"
    )


def _clash(table: KeptTable, key: UniqueKey) -> str:
    same = " AND ".join(f"{column} = NEW.{column}" for column in key.columns)
    if not key.condition:
        return f"EXISTS (SELECT 1 FROM {table.name} WHERE {same})"
    # The condition is the index's own text with bare column names: it is held against both rows in turn.
    new_row = ", ".join(f"NEW.{column} AS {column}" for column in table.columns)
    return (
        f"EXISTS (SELECT 1 FROM {table.name} WHERE {same} AND ({key.condition})) "
        f"AND EXISTS (SELECT 1 FROM (SELECT {new_row}) WHERE {key.condition})"
    )


def _present_triggers(connection: Asked) -> dict[str, str]:
    rows = connection.exec_driver_sql("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").all()
    return {str(name): str(statement) for name, statement in rows}
