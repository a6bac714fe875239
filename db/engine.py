"""Opening the record: create, migrate, check, and hand out sessions that commit or leave nothing behind."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import URL, Engine, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.orm import Session

from db import protection, schema
from db.errors import BadAddress, Unreachable
from db.failures import translated
from db.location import Location, database_location
from db.models import Base
from db.sqlite import BEGIN_OPTION, sqlite_engine

SECRET_PARAMETERS = frozenset({"password", "passwd", "pwd", "sslpassword"})


class Database:
    """An open database. Use as a context manager, or call :meth:`close`."""

    def __init__(self, engine: Engine, url_shown: str, decided_by: str) -> None:
        self.url_shown = url_shown
        self.decided_by = decided_by
        self._engine = engine
        self._writing = engine.execution_options(**{BEGIN_OPTION: "BEGIN IMMEDIATE"})

    @contextmanager
    def session(self) -> Iterator[Session]:
        """Session for writing: commits at the end of the block, rolls back if the block is left by an error.

        Its first statement takes the write lock, so that what it reads stays true until it writes. Objects
        stay usable after it. Keep it short and open one at a time: nobody else can write meanwhile.

        :raises DatabaseError: in place of any error of SQLAlchemy or the database.
        """
        with (
            translated(self.url_shown),
            Session(self._writing, expire_on_commit=False) as session,
            session.begin(),
        ):
            yield session

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Session for asking: sees one state throughout, holds nobody up, and works on a read-only database.

        :raises DatabaseError: in place of any error of SQLAlchemy or the database.
        """
        with translated(self.url_shown), Session(self._engine, expire_on_commit=False) as session:
            yield session

    def require_writable(self) -> None:
        """See that something could be written now, without writing it: before a unit is put on the bench.

        :raises ReadOnly: it can only be read.
        :raises Locked: another program is writing and does not finish.
        """
        with translated(self.url_shown), self._writing.connect() as connection:
            # SQLite begins even where it cannot write: only a write tells.
            connection.exec_driver_sql(f"UPDATE {protection.VERSION_TABLE} SET version_num = version_num")
            connection.rollback()

    def close(self) -> None:
        """Let go of the database; the write-ahead log goes into the file if nobody else has it open."""
        with translated(self.url_shown):
            self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_database(url: str | None = None, *, patience_s: float = 5.0) -> Database:
    """Open the database, creating it or bringing it to this version's schema where needed.

    :param url: SQLAlchemy URL; None for where :func:`db.location.database_location` says.
    :param patience_s: how long to wait for another program that is writing, s.
    :raises DatabaseError: it cannot be opened, is no database of ours, is of a newer schema, or lacks its
        protection.
    """
    location = database_location() if url is None else Location(url, "the program's caller", None)
    address = address_of(location)
    place = url_shown(address)
    if location.own_folder is not None:
        _make_folder(location.own_folder)
    _require_folder(address, place)
    engine = sqlite_engine(address, patience_s)
    with ExitStack() as on_failure:
        on_failure.callback(engine.dispose)
        with translated(place):
            with engine.connect() as connection:
                revision = schema.current_revision(connection, place)
            if revision != schema.LATEST:
                schema.migrate(address, place, patience_s=patience_s)
            with engine.connect() as connection:
                protection.verify(connection, place, required=Base.metadata.tables.keys())
        on_failure.pop_all()
    return Database(engine, place, location.decided_by)


def url_shown(address: URL) -> str:
    """URL as it may be shown to anybody: passwords replaced by stars, also those among the parameters."""
    hidden = {key: "***" for key in address.query if key.lower() in SECRET_PARAMETERS}
    return address.update_query_dict(hidden).render_as_string(hide_password=True)


def address_of(location: Location) -> URL:
    """Address of a database, checked.

    :raises BadAddress: it is no URL, of a kind that is not served, or would keep nothing.
    """
    try:
        address = make_url(location.url)
    except ArgumentError:
        raise BadAddress(
            f"The database address given by {location.decided_by} is not a URL: "
            "write it like sqlite:////data/trimrig.sqlite."
        ) from None
    if address.get_backend_name() != "sqlite":
        raise BadAddress(
            f"The database {url_shown(address)} given by {location.decided_by} is of a kind that this "
            "version does not serve: give a URL like sqlite:////data/trimrig.sqlite."
        )
    if address.database in (None, "", ":memory:") or address.query.get("mode") == "memory":
        raise BadAddress(
            f"The database {url_shown(address)} given by {location.decided_by} would keep nothing: "
            "give a URL with a file, like sqlite:////data/trimrig.sqlite."
        )
    return address


def _make_folder(folder: str) -> None:
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Unreachable(
            f"The folder {folder} for the database cannot be made ({error.strerror}): "
            "make it by hand, or name another place in RIG_DATABASE_URL."
        ) from None


def _require_folder(address: URL, place: str) -> None:
    if address.database is None or address.database.startswith("file:"):
        return
    path = Path(address.database)
    if not path.parent.is_dir():
        raise Unreachable(
            f"The folder {path.parent} of the database {place} does not exist: make it, or correct RIG_DATABASE_URL."
        )
    if path.is_dir():
        raise Unreachable(f"The database {place} is a folder: name a file in it in RIG_DATABASE_URL.")
