"""The locks on finished records on PostgreSQL: triggers that let rows be added and never changed or removed.

Every trigger has a function of its own, whose text says what it keeps and carries a digest of the table's columns,
constraints and indices: a key that was dropped shows as an altered trigger. Triggers are ENABLE ALWAYS, so that no
session setting passes them by, and the functions search the record's schema before any temporary one.
An upsert that would change a row fires the update trigger (https://www.postgresql.org/docs/current/sql-insert.html).
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from db.errors import ProtectionMissing
from db.protection import FILLED_ONCE, RESTORE, VERSION_TABLE, VISIT_OF_ROW, require_tables, require_triggers

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from db.questions import Asked

REFUSED = "TR001"
"""SQLSTATE of our own: classes that begin with T are left to applications."""

_PREFIX = "keep_"

# Bits of pg_trigger.tgtype (catalog/pg_trigger.h): row, before, insert, delete, update, truncate.
_ROW, _BEFORE, _INSERT, _DELETE, _UPDATE, _TRUNCATE = 1, 2, 4, 8, 16, 32
_EVENTS = {
    "update": ("UPDATE", "ROW", _ROW | _BEFORE | _UPDATE),
    "delete": ("DELETE", "ROW", _ROW | _BEFORE | _DELETE),
    "truncate": ("TRUNCATE", "STATEMENT", _BEFORE | _TRUNCATE),
    "ended": ("INSERT", "ROW", _ROW | _BEFORE | _INSERT),
}


@dataclass(frozen=True, slots=True)
class KeptTable:
    """A table as the triggers need to know it; ``shape`` stands for its columns, constraints and indices."""

    name: str
    columns: tuple[str, ...]
    shape: str
    logged: bool
    ruled: bool


@dataclass(frozen=True, slots=True)
class Trigger:
    """A trigger with the text of its function."""

    table: str
    kind: int
    body: str


def install(connection: Asked) -> None:
    """Put all triggers in place, replacing any that are there; called inside the migration's transaction."""
    # tables with references that are still to be checked cannot be altered
    connection.exec_driver_sql("SET CONSTRAINTS ALL IMMEDIATE")
    lift(connection)
    ((schema,),) = connection.exec_driver_sql("SELECT quote_ident(current_schema())").all()
    for name, trigger in expected_triggers(kept_tables(connection)).items():
        event, level = next(each[:2] for each in _EVENTS.values() if each[2] == trigger.kind)
        connection.exec_driver_sql(
            f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql SET search_path = {schema}, pg_temp "
            f"AS $keep${trigger.body}$keep$"
        )
        connection.exec_driver_sql(
            f"CREATE TRIGGER {name} BEFORE {event} ON {trigger.table} FOR EACH {level} EXECUTE FUNCTION {name}()"
        )
        connection.exec_driver_sql(f"ALTER TABLE {trigger.table} ENABLE ALWAYS TRIGGER {name}")


def lift(connection: Asked) -> None:
    """Take all triggers away, so that a migration can rebuild tables; they come back with :func:`install`."""
    for name, table in connection.exec_driver_sql(
        "SELECT quote_ident(t.tgname), quote_ident(c.relname) FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
        "WHERE NOT t.tgisinternal AND c.relnamespace = current_schema()::regnamespace"
    ).all():
        connection.exec_driver_sql(f"DROP TRIGGER {name} ON {table}")
    for (name,) in connection.exec_driver_sql(
        "SELECT quote_ident(proname) FROM pg_proc WHERE pronamespace = current_schema()::regnamespace "
        f"AND starts_with(proname, '{_PREFIX}') AND pronargs = 0"
    ).all():
        connection.exec_driver_sql(f"DROP FUNCTION {name}()")


def verify(connection: Asked, place: str, required: Collection[str] = ()) -> None:
    """See that every trigger is in place with its exact function, and that no table sheds rows in a crash.

    :param required: tables that must be there.
    :raises ProtectionMissing: something is missing, altered, or there beside what should be there.
    """
    tables = kept_tables(connection)
    require_tables(place, required, {table.name for table in tables})
    loose = sorted(table.name for table in tables if table.ruled or not table.logged)
    if loose:
        raise ProtectionMissing(f"In the database {place} the table {loose[0]} is not kept as it was made: {RESTORE}")
    require_triggers(place, expected_triggers(tables), _present_triggers(connection))


def kept_tables(connection: Asked) -> tuple[KeptTable, ...]:
    """Read the tables from the database itself: one question, since opening must be quick."""
    rows = connection.exec_driver_sql(
        "SELECT c.relname, c.relpersistence = 'p', c.relhasrules, "
        "ARRAY(SELECT a.attname::text FROM pg_attribute a WHERE a.attrelid = c.oid AND a.attnum > 0 "
        "AND NOT a.attisdropped ORDER BY a.attnum), "
        "ARRAY(SELECT format_type(a.atttypid, a.atttypmod) || a.attnotnull::text FROM pg_attribute a "
        "WHERE a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped ORDER BY a.attnum), "
        "ARRAY(SELECT k.conname || ' ' || pg_get_constraintdef(k.oid) || k.convalidated::text FROM pg_constraint k "
        "WHERE k.conrelid = c.oid AND k.contype <> 't' ORDER BY k.conname), "
        "ARRAY(SELECT pg_get_indexdef(i.indexrelid) || i.indisvalid::text FROM pg_index i "
        "WHERE i.indrelid = c.oid AND i.indisunique ORDER BY i.indexrelid::regclass::text) "
        "FROM pg_class c WHERE c.relnamespace = current_schema()::regnamespace AND c.relkind IN ('r', 'p') "
        f"AND c.relname <> '{VERSION_TABLE}' ORDER BY c.relname"
    ).all()
    return tuple(
        KeptTable(name, tuple(columns), _shape(columns, types, constraints, indices), logged, ruled)
        for name, logged, ruled, columns, types, constraints, indices in rows
    )


def _shape(*parts: Sequence[str]) -> str:
    return hashlib.sha256("\n".join(line for part in parts for line in (*part, "")).encode()).hexdigest()[:32]


def expected_triggers(tables: Sequence[KeptTable]) -> dict[str, Trigger]:
    """Name and text of every trigger that these tables must have."""
    return {
        f"{_PREFIX}{table.name}_{event}": Trigger(table.name, _EVENTS[event][2], _body(table, statements))
        for table in tables
        for event, statements in _statements(table).items()
    }


def _body(table: KeptTable, statements: str) -> str:
    return f"\n-- {table.name} {table.shape}\nBEGIN\n{statements}\nEND\n"


def _statements(table: KeptTable) -> dict[str, str]:
    name = table.name
    triggers = {
        "update": _update_lock(table),
        "delete": _refuse(f"rows of {name} are never removed"),
        "truncate": _refuse(f"rows of {name} are never removed"),
    }
    if name in VISIT_OF_ROW:
        triggers["ended"] = (
            f"IF (SELECT ended_utc FROM visit WHERE id = {VISIT_OF_ROW[name]}) IS NOT NULL THEN\n"
            f"{_refuse(f'the visit has ended, no {name} is added to it')}\nEND IF;\nRETURN NEW;"
        )
    return triggers


def _update_lock(table: KeptTable) -> str:
    once = FILLED_ONCE.get(table.name, ())
    if not once:
        return _refuse(f"rows of {table.name} are never changed, add a correcting row")
    kept = [f"NEW.{column} IS NOT DISTINCT FROM OLD.{column}" for column in table.columns if column not in once]
    filled = [f"(OLD.{column} IS NULL OR NEW.{column} IS NOT DISTINCT FROM OLD.{column})" for column in once]
    refused = _refuse(f"in rows of {table.name} only {' and '.join(once)} may be filled in, once")
    return f"IF NOT ({' AND '.join(kept + filled)}) THEN\n{refused}\nEND IF;\nRETURN NEW;"


def _refuse(reason: str) -> str:
    return f"RAISE EXCEPTION '{reason}' USING ERRCODE = '{REFUSED}';"


def _present_triggers(connection: Asked) -> dict[str, Trigger]:
    rows = connection.exec_driver_sql(
        "SELECT t.tgname, c.relname, t.tgtype, p.prosrc, t.tgenabled = 'A' AND t.tgqual IS NULL AND t.tgnargs = 0 "
        "AND t.tgattr::text = '' AND l.lanname = 'plpgsql' AND NOT p.prosecdef "
        "AND p.proconfig = ARRAY['search_path=' || quote_ident(current_schema()) || ', pg_temp'] "
        "FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid "
        "JOIN pg_language l ON l.oid = p.prolang "
        "WHERE NOT t.tgisinternal AND c.relnamespace = current_schema()::regnamespace"
    ).all()
    return {
        str(name): Trigger(str(table), int(kind), str(body) if sound else "altered")
        for name, table, kind, body, sound in rows
    }
