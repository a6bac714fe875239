"""Engines for SQLite whose connections are as the record needs them."""

from typing import Any

from sqlalchemy import URL, Connection, Engine, NullPool, create_engine, event

from db.sqlite_settings import set_up

BEGIN_OPTION = "begin_statement"


def sqlite_engine(url: URL, patience_s: float) -> Engine:
    """Make an engine whose connections check foreign keys.

    :param patience_s: how long a statement waits for another program's lock, s.
    """
    engine = create_engine(url, connect_args={"timeout": patience_s})
    _prepare(engine, "PRAGMA foreign_keys = ON")
    return engine


def sqlite_engine_without_foreign_keys(url: URL, patience_s: float) -> Engine:
    """Make an engine for migrations: tables that others refer to can be rebuilt; each begin takes the lock.

    SQLite ignores a change of this setting inside a transaction (https://www.sqlite.org/pragma.html). Views rest while
    a table that they show is dropped and another takes its name (pragma legacy_alter_table, on the same page).
    """
    engine = create_engine(url, connect_args={"timeout": patience_s}, poolclass=NullPool)
    _prepare(engine, "PRAGMA foreign_keys = OFF", "PRAGMA legacy_alter_table = ON")
    return engine.execution_options(**{BEGIN_OPTION: "BEGIN IMMEDIATE"})


def _prepare(engine: Engine, *settings: str) -> None:
    @event.listens_for(engine, "connect")
    def _set_up(connection: Any, _record: Any) -> None:
        set_up(connection, engine.url.database, *settings)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql(connection.get_execution_options().get(BEGIN_OPTION, "BEGIN"))
