"""SQLite connections as the record needs them: write-ahead log, full synchronisation, real transactions."""

from typing import Any

from sqlalchemy import URL, Connection, Engine, NullPool, create_engine, event

from db.errors import StorageFailed

BEGIN_OPTION = "begin_statement"
CACHE_KIB = 512
"""Pages that each connection keeps: a program that runs for days holds as much as on its first. The system keeps the
file's pages anyway."""


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
        # The driver must not begin transactions on its own: it leaves DDL outside of them.
        connection.isolation_level = None
        mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
        if mode != "wal":
            raise StorageFailed(
                f"The database {engine.url.database} cannot keep a write-ahead log there ({mode}): "
                "put it on a local disk."
            )
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
        for setting in settings:
            connection.execute(setting)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql(connection.get_execution_options().get(BEGIN_OPTION, "BEGIN"))
