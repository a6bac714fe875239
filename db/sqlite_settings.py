"""What every SQLite connection is set to: write-ahead log, full synchronisation, transactions of our own."""

import sqlite3

from db.errors import StorageFailed

CACHE_KIB = 512
"""Pages that each connection keeps: a program that runs for days holds as much as on its first. The system keeps the
file's pages anyway."""


def set_up(connection: sqlite3.Connection, file: str | None, *settings: str) -> None:
    """Set a connection that has just been opened.

    :param file: of the database, as it may be shown.
    :param settings: more statements to run.
    :raises StorageFailed: no write-ahead log can be kept there.
    """
    # The driver must not begin transactions on its own: it leaves DDL outside of them.
    connection.isolation_level = None
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise StorageFailed(
            f"The database {file} cannot keep a write-ahead log there ({mode}): put it on a local disk."
        )
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
    for setting in settings:
        connection.execute(setting)
