"""PostgreSQL connections as the record needs them: one writer at a time, one state for whoever reads, quick to give up.

The lock that a writer takes first is the counterpart of SQLite's ``BEGIN IMMEDIATE``: what is read after it stays true
until the commit, so that no caller has to be ready to run twice, as under serializable isolation. A write lasts
milliseconds, and eight benches hand in one visit each in minutes.
"""

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import URL, Connection, Engine, NullPool, create_engine, event
from sqlalchemy.exc import NoSuchModuleError

from db.errors import BadAddress
from db.failures_postgresql import of_postgresql
from db.postgresql_settings import connection_settings, require_private_passwords

WRITE_LOCK = int.from_bytes(b"Trimrig.") >> 1
"""Key of the advisory lock that migrations and writers take; any number that no other program takes would do."""
WRITING_OPTION = "takes_the_write_lock"


def postgresql_engine(url: URL, patience_s: float) -> Engine:
    """Make an engine; a connection that the server has closed meanwhile is opened anew before it is used.

    :param patience_s: how long to wait for the server's answer and for another program's lock, s.
    :raises BadAddress: the driver is not installed.
    :raises Exposed: the password file can be read by others.
    """
    return _made(url, patience_s, pool_pre_ping=True)


def postgresql_engine_for_migration(url: URL, patience_s: float) -> Engine:
    """Make an engine each of whose transactions takes the write lock, and that keeps no connection."""
    return _made(url, patience_s, poolclass=NullPool).execution_options(**{WRITING_OPTION: True})


def _made(url: URL, patience_s: float, **options: Any) -> Engine:
    require_private_passwords(str(url.query.get("passfile") or ""))
    connect = connection_settings(url.query, patience_s)
    try:
        engine = create_engine(url.set(drivername="postgresql+psycopg"), connect_args=connect, **options)
    except (ModuleNotFoundError, NoSuchModuleError):
        raise BadAddress(
            "PostgreSQL needs one library more: install it with pip install 'trimrig[postgresql]', or take the "
            "address out of RIG_DATABASE_URL."
        ) from None

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        if connection.get_execution_options().get(WRITING_OPTION):
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({WRITE_LOCK})")

    return engine


def copy_rows(
    connection: Connection, table: str, columns: Sequence[str], rows: Iterable[Sequence[Any]], place: str
) -> None:
    """Insert rows by COPY, the quickest way in.

    :raises DatabaseError: in place of what the driver raises.
    """
    import psycopg

    quoted = ", ".join(f'"{name}"' for name in columns)
    cursor = connection.connection.cursor()
    try:
        with cursor.copy(f'COPY "{table}" ({quoted}) FROM STDIN') as copy:
            for row in rows:
                copy.write_row(row)
    except psycopg.Error as error:
        raise of_postgresql(error, place) from error
    finally:
        cursor.close()
