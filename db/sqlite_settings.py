"""What every SQLite connection is set to: write-ahead log, full synchronisation, transactions of our own."""

import sqlite3

from db.errors import StorageFailed
from db.revision import APPLICATION_ID

CACHE_KIB = 512
"""Pages that each connection keeps: a program that runs for days holds as much as on its first. The system keeps the
file's pages anyway."""


def set_up(connection: sqlite3.Connection, file: str | None, *settings: str) -> None:
    """Set a connection that has just been opened. A database of another program is left as it is: it will be refused.

    :param file: of the database, as it may be shown.
    :param settings: more statements to run.
    :raises StorageFailed: no write-ahead log can be kept there.
    """
    # The driver must not begin transactions on its own: it leaves DDL outside of them.
    connection.isolation_level = None
    mode = _mode(connection)
    if mode != "wal" and not _of_another_program(connection):
        mode = _mode(connection, " = WAL")
        if mode != "wal":
            raise StorageFailed(
                f"The database {file} cannot keep a write-ahead log there ({mode}): put it on a local disk."
            )
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
    for setting in settings:
        connection.execute(setting)


def _mode(connection: sqlite3.Connection, wanted: str = "") -> str:
    return str(connection.execute(f"PRAGMA journal_mode{wanted}").fetchone()[0])


def _of_another_program(connection: sqlite3.Connection) -> bool:
    ((owner,),) = connection.execute("PRAGMA application_id").fetchall()
    return owner != APPLICATION_ID and bool(connection.execute("SELECT name FROM sqlite_master LIMIT 1").fetchall())
