"""PostgreSQL connections as the record needs them: one writer at a time, one state for whoever reads, quick to give up.

The lock that a writer takes first is the counterpart of SQLite's ``BEGIN IMMEDIATE``: what is read after it stays true
until the commit, so that no caller has to be ready to run twice, as under serializable isolation. A write lasts
milliseconds, and eight benches hand in one visit each in minutes.
"""

import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, NullPool, create_engine, event
from sqlalchemy.exc import NoSuchModuleError

from db.errors import BadAddress, KeyProblem
from db.failures_postgresql import of_postgresql
from db.private_files import require_private

WRITE_LOCK = int.from_bytes(b"Trimrig.") >> 1
"""Key of the advisory lock that migrations and writers take; any number that no other program takes would do."""
WRITING_OPTION = "takes_the_write_lock"
APPLICATION_NAME = "trimrig"


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
    _require_private_passwords(url)
    milliseconds = max(1, round(patience_s * 1000.0))
    connect = {
        # libpq counts whole seconds, two at least
        "connect_timeout": max(2, round(patience_s)),
        "application_name": APPLICATION_NAME,
        "options": f"-c lock_timeout={milliseconds} -c timezone=UTC",
        # a cable that was pulled is noticed in some seconds, not in hours
        "keepalives_idle": 5,
        "keepalives_interval": 3,
        "keepalives_count": 3,
        "tcp_user_timeout": 15000,
    }
    connect = {key: value for key, value in connect.items() if key not in url.query}
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


def _require_private_passwords(url: URL) -> None:
    """Refuse password files that others can read; the client library would pass over them with a warning only."""
    named = url.query.get("passfile") or os.environ.get("PGPASSFILE")
    passwords = Path(str(named)) if named else Path.home() / ".pgpass"
    service = Path(os.environ.get("PGSERVICEFILE") or Path.home() / ".pg_service.conf")
    try:
        if passwords.is_file():
            require_private(passwords, "password file")
        if service.is_file() and "password" in service.read_text(encoding="utf-8", errors="replace"):
            require_private(service, "service file with a password")
    except OSError as error:
        raise KeyProblem(
            f"The password file {error.filename} cannot be looked at ({error.strerror}): check its rights."
        ) from None


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
