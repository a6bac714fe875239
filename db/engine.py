"""Opening the record: create, migrate, check, and hand out sessions that commit or leave nothing behind."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import URL, Engine, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.orm import Session

from db import locks, protection, schema
from db.errors import BadAddress, Unreachable
from db.failures import translated
from db.location import Location, database_location
from db.models import Base
from db.postgresql import WRITING_OPTION, postgresql_engine
from db.sqlite import BEGIN_OPTION, sqlite_engine

EXAMPLES = "sqlite:////data/trimrig.sqlite or postgresql://rig@server/trimrig"
SECRET_PARAMETERS = frozenset({"password", "passwd", "pwd", "sslpassword"})


class Database:
    """An open database. Use as a context manager, or call :meth:`close`."""

    def __init__(self, engine: Engine, url_shown: str, decided_by: str) -> None:
        self.url_shown = url_shown
        self.decided_by = decided_by
        self._engine = engine
        self._writing = _writing(engine)
        self._asking = _asking(engine)

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
        with translated(self.url_shown), Session(self._asking, expire_on_commit=False) as session:
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

    @property
    def is_server(self) -> bool:
        """Whether several benches share it, over a network."""
        return self._engine.dialect.name != "sqlite"

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
    engine = _engine(address, patience_s)
    with ExitStack() as on_failure:
        on_failure.callback(engine.dispose)
        with translated(place):
            with engine.connect() as connection:
                revision = schema.current_revision(connection, place)
            if revision != schema.LATEST:
                schema.migrate(address, place, patience_s=patience_s)
            with engine.connect() as connection:
                locks.verify(connection, place, required=Base.metadata.tables.keys())
        on_failure.pop_all()
    return Database(engine, place, location.decided_by)


def _engine(address: URL, patience_s: float) -> Engine:
    if address.get_backend_name() == "sqlite":
        return sqlite_engine(address, patience_s)
    return postgresql_engine(address, patience_s)


def _writing(engine: Engine) -> Engine:
    """An engine each of whose transactions takes the write lock first."""
    if engine.dialect.name == "sqlite":
        return engine.execution_options(**{BEGIN_OPTION: "BEGIN IMMEDIATE"})
    return engine.execution_options(**{WRITING_OPTION: True})


def _asking(engine: Engine) -> Engine:
    """An engine each of whose transactions sees one state throughout."""
    if engine.dialect.name == "sqlite":
        return engine
    return engine.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)


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
    except (ArgumentError, ValueError):
        raise BadAddress(
            f"The database address given by {location.decided_by} is not a URL: write it like {EXAMPLES}."
        ) from None
    if address.get_backend_name() in ("postgres", "postgresql"):
        return _of_server(address, location)
    if address.get_backend_name() != "sqlite":
        raise BadAddress(
            f"The database {url_shown(address)} given by {location.decided_by} is of a kind that this "
            f"version does not serve: give a URL like {EXAMPLES}."
        )
    if address.database in (None, "", ":memory:") or address.query.get("mode") == "memory":
        raise BadAddress(
            f"The database {url_shown(address)} given by {location.decided_by} would keep nothing: "
            "give a URL with a file, like sqlite:////data/trimrig.sqlite."
        )
    return address


def _of_server(address: URL, location: Location) -> URL:
    """The address with the driver that is used, whichever it named."""
    if not address.database:
        raise BadAddress(
            f"The address {url_shown(address)} given by {location.decided_by} names a server and no database on it: "
            "write it like postgresql://rig@server/trimrig."
        )
    return address.set(drivername="postgresql+psycopg")


def _make_folder(folder: str) -> None:
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Unreachable(
            f"The folder {folder} for the database cannot be made ({error.strerror}): "
            "make it by hand, or name another place in RIG_DATABASE_URL."
        ) from None


def _require_folder(address: URL, place: str) -> None:
    on_server = address.get_backend_name() != "sqlite"
    if on_server or address.database is None or address.database.startswith("file:"):
        return
    path = Path(address.database)
    if not path.parent.is_dir():
        raise Unreachable(
            f"The folder {path.parent} of the database {place} does not exist: make it, or correct RIG_DATABASE_URL."
        )
    if path.is_dir():
        raise Unreachable(f"The database {place} is a folder: name a file in it in RIG_DATABASE_URL.")
