"""Opening the record for who only asks it: over the driver's own connection, without SQLAlchemy.

Loading SQLAlchemy takes several times as long as any answer, and a command that shows a unit's history is typed with
the customer on the telephone. The record is looked at as it is at every other opening: whose it is, which revision it
has, whether its protection is in place. Where something has to be made, brought to this version or explained, the
record is opened as by a command that writes (:mod:`db.engine`).
"""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from db import locks
from db.failures import translated
from db.location import Location, database_location
from db.opened import Opened
from db.plain_address import FileAddress, plain_address
from db.postgresql_settings import connection_settings, require_private_passwords
from db.questions import SQLITE
from db.revision import LATEST, TABLES, current_revision
from db.sqlite_settings import set_up

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from db.engine import Database
    from db.plain_address import ServerAddress
    from db.questions import Asked

POSTGRESQL = "postgresql"


class _Kind:
    """Which database it is."""

    def __init__(self, name: str) -> None:
        self.name = name


class _Rows:
    """Rows that are fetched when they are wanted."""

    def __init__(self, cursor: Any) -> None:
        self.cursor = cursor

    def all(self) -> Sequence[Any]:
        """All of them."""
        rows: Sequence[Any] = self.cursor.fetchall()
        return rows

    def __iter__(self) -> Iterator[Any]:
        return iter(self.cursor)


class DriverConnection:
    """A driver's own connection, asked as one of SQLAlchemy's is."""

    def __init__(self, kind: str, driver: Any, cursor: Callable[[], Any]) -> None:
        self.dialect = _Kind(kind)
        self.driver = driver
        self._cursor = cursor

    def exec_driver_sql(self, statement: str, parameters: Any = None, /) -> _Rows:
        """Have a statement run that gives rows."""
        cursor = self._cursor()
        if parameters is None:
            cursor.execute(statement)
        else:
            cursor.execute(statement, parameters)
        return _Rows(cursor)


class AskedRecord(Opened):
    """The record, for who only asks it. Use as a context manager, or call :meth:`close`."""

    def __init__(self, connection: DriverConnection, url_shown: str, location: Location) -> None:
        self.url_shown = url_shown
        self.location = location
        self._connection = connection

    @contextmanager
    def reading_connection(self) -> Iterator[Asked]:
        """Connection for asking: sees one state throughout, holds nobody up, and works on a read-only database.

        :raises DatabaseError: in place of any error of the driver.
        """
        with translated(self.url_shown):
            if self._connection.dialect.name == SQLITE:
                self._connection.driver.execute("BEGIN")
            try:
                yield self._connection
            finally:
                self._connection.driver.rollback()

    def close(self) -> None:
        """Let go of the database."""
        with translated(self.url_shown):
            self._connection.driver.close()


def open_for_asking(location: Location | None = None, *, patience_s: float = 5.0) -> AskedRecord | Database:
    """Open the record to ask it; created or brought to this version's schema where needed, as any opening does.

    :param location: None for where :func:`db.location.database_location` says.
    :param patience_s: how long to wait for another program that is writing, s.
    :raises DatabaseError: as :func:`db.engine.open_at`.
    """
    location = location or database_location()
    address = plain_address(location.url)
    opened = None if address is None else _opened(address, location, patience_s)
    if opened is not None:
        return opened
    from db.engine import open_at

    return open_at(location, patience_s=patience_s)


def _opened(address: FileAddress | ServerAddress, location: Location, patience_s: float) -> AskedRecord | None:
    """The record; None where nothing is, or where it is not as this version has it."""
    with translated(address.shown):
        connection = _connected(address, patience_s)
    if connection is None:
        return None
    record = AskedRecord(connection, address.shown, location)
    try:
        with record.reading_connection() as asked:
            if current_revision(asked, address.shown) == LATEST:
                locks.verify(asked, address.shown, required=TABLES)
                return record
    except BaseException:
        record.close()
        raise
    record.close()
    return None


def _connected(address: FileAddress | ServerAddress, patience_s: float) -> DriverConnection | None:
    if isinstance(address, FileAddress):
        if not Path(address.file).is_file():
            return None
        file = sqlite3.connect(address.file, timeout=patience_s)
        try:
            set_up(file, address.file, "PRAGMA query_only = ON")
        except BaseException:
            file.close()
            raise
        return DriverConnection(SQLITE, file, file.cursor)
    try:
        import psycopg
    except ModuleNotFoundError:
        return None
    require_private_passwords(address.parameters.get("passfile", ""))
    parameters: dict[str, Any] = {**connection_settings(address.named, patience_s), **address.parameters}
    server = psycopg.connect(**parameters)
    server.isolation_level = psycopg.IsolationLevel.REPEATABLE_READ
    server.read_only = True
    # numbers and moments come as bytes, which are read in two thirds of the time that their text takes
    return DriverConnection(POSTGRESQL, server, partial(server.cursor, binary=True))
