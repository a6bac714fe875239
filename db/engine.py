"""Opening the record: create, migrate, check, and hand out sessions that commit or leave nothing behind."""

import platform
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, TypeVar

from sqlalchemy import URL, Connection, Engine, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.orm import Session

from db import locks, protection, schema
from db.errors import BadAddress, DiskFull, Locked, ProtectionMissing, StorageFailed, Unreachable
from db.failures import translated
from db.location import Location, database_location
from db.opened import Opened
from db.plain_address import SECRET_PARAMETERS
from db.postgresql import WRITING_OPTION, postgresql_engine
from db.record_key import key_file
from db.revision import LATEST, TABLES, current_revision
from db.sqlite import BEGIN_OPTION, sqlite_engine
from db.stored_values import is_text

if TYPE_CHECKING:
    from db.chain import ChainKeeper

EXAMPLES = "sqlite:////data/trimrig.sqlite or postgresql://rig@server/trimrig"
AnswerT = TypeVar("AnswerT")


class Floor(Protocol):
    """The server that several benches share, as far as it can be reached."""

    def reached(self) -> "Database | None":
        """The server's database; None while it does not answer."""
        ...

    def close(self) -> None:
        """Let go of the server."""
        ...


class Database(Opened):
    """An open database. Use as a context manager, or call :meth:`close`.

    Who only asks it is not kept waiting for the chain, which knows every table.
    """

    def __init__(self, engine: Engine, url_shown: str, location: Location, keeper: "Callable[[], ChainKeeper]") -> None:
        self.url_shown = url_shown
        self.floor: Floor | None = None
        self.location = location
        self._keeper = keeper
        self._engine = engine
        self._writing = _writing(engine)
        self._asking = _asking(engine)

    @cached_property
    def keeper(self) -> "ChainKeeper":
        """What makes the links of the chain."""
        return self._keeper()

    @contextmanager
    def session(self) -> Iterator[Session]:
        """Session for writing: commits at the end of the block, rolls back if the block is left by an error.

        Its first statement takes the write lock, so that what it reads stays true until it writes. Objects
        stay usable after it. Keep it short and open one at a time: nobody else can write meanwhile. Visits that
        end in it, and what is entered beside visits, are covered by links of the chain.

        :raises DatabaseError: in place of any error of SQLAlchemy or the database.
        """
        from db.chained_session import ChainedSession

        with (
            translated(self.url_shown),
            ChainedSession(self._writing, self.keeper) as session,
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

    def ask(self, question: Callable[[Session], AnswerT]) -> AnswerT:
        """Ask what all benches know where there is a server and it answers, else what this one knows.

        :param question: asks a session, and may be asked twice: a server can go away in the middle.
        :raises DatabaseError: in place of any error of SQLAlchemy or the database.
        """
        server = None if self.floor is None else self.floor.reached()
        if server is not None:
            try:
                with server.reading() as session:
                    return question(session)
            except (Unreachable, Locked):
                pass
        with self.reading() as session:
            return question(session)

    @contextmanager
    def writing_connection(self) -> Iterator[Connection]:
        """Connection for writing past the chain, whole tables or what the link of a visit's end will cover.

        Commits at the end of the block, or leaves nothing.

        :raises DatabaseError: in place of any error of SQLAlchemy or the database.
        """
        with translated(self.url_shown), self._writing.begin() as connection:
            yield connection

    @contextmanager
    def reading_connection(self) -> Iterator[Connection]:
        """Connection for asking: sees one state throughout.

        :raises DatabaseError: in place of any error of SQLAlchemy or the database.
        """
        with translated(self.url_shown), self._asking.connect() as connection:
            yield connection

    def copy_file(self, to: Path) -> None:
        """Copy an SQLite database, as it stands at this moment, into a new file; others may go on meanwhile.

        :raises DiskFull: there is no room for the copy.
        :raises DatabaseError: it cannot be read, or the copy not be written.
        """
        with translated(self.url_shown), self._engine.connect() as connection, closing(sqlite3.connect(to)) as copy:
            # the whole in one step: a copy in pieces begins anew whenever somebody writes
            own = connection.connection.driver_connection
            if not isinstance(own, sqlite3.Connection):
                raise StorageFailed(f"The database {self.url_shown} is no file: move it into one instead.")
            try:
                own.backup(copy)
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_FULL:
                    raise
                raise DiskFull(
                    f"No room is left in {to.parent} for a copy of the database {self.url_shown}: free some space "
                    "there, or name another place; nothing was changed."
                ) from error

    def require_writable(self) -> None:
        """See that something could be written now, without writing it: before a unit is put on the bench.

        :raises ReadOnly: it can only be read.
        :raises Exposed: others can read the key of the record.
        :raises KeyProblem: the key of the record can neither be read nor made.
        :raises Locked: another program is writing and does not finish.
        """
        with translated(self.url_shown), self._writing.connect() as connection:
            # SQLite begins even where it cannot write: only a write tells.
            connection.exec_driver_sql(f"UPDATE {protection.VERSION_TABLE} SET version_num = version_num")
            connection.rollback()
        self.keeper.require_key()

    def require_answer(self) -> None:
        """See that it answers.

        :raises Unreachable: it does not.
        """
        with self.reading_connection() as connection:
            connection.exec_driver_sql("SELECT 1")

    @property
    def is_server(self) -> bool:
        """Whether several benches share it, over a network."""
        return self._engine.dialect.name != "sqlite"

    def close(self) -> None:
        """Let go of the database; the write-ahead log goes into the file if nobody else has it open."""
        with translated(self.url_shown):
            self._engine.dispose()
        if self.floor is not None:
            self.floor.close()


def open_database(url: str | None = None, *, patience_s: float = 5.0) -> Database:
    """Open the database, creating it or bringing it to this version's schema where needed.

    :param url: SQLAlchemy URL; None for where :func:`db.location.database_location` says.
    :param patience_s: how long to wait for another program that is writing, s.
    :raises DatabaseError: as :func:`open_at`.
    """
    location = database_location() if url is None else Location(url, "the program's caller", None)
    return open_at(location, patience_s=patience_s)


def open_at(location: Location, *, patience_s: float = 5.0) -> Database:
    """Open the database at a place, creating it or bringing it to this version's schema where needed.

    :param patience_s: how long to wait for another program that is writing, s.
    :raises DatabaseError: it cannot be opened, is no database of ours, is of a newer schema, or lacks its
        protection.
    """
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
                revision = current_revision(connection, place)
            if revision != LATEST:
                schema.migrate(address, place, patience_s=patience_s)
            with engine.connect() as connection:
                locks.verify(connection, place, required=TABLES)
        on_failure.pop_all()
    return _database(address, engine, location)


def open_for_checking(location: Location, *, patience_s: float = 5.0) -> tuple[Database, str]:
    """Open the database even where its protection is not in place: to see what became of the rows.

    :return: the database, and what is wrong with its protection in a sentence; empty where nothing is.
    :raises DatabaseError: as :func:`open_at`, but for the protection.
    """
    try:
        return open_at(location, patience_s=patience_s), ""
    except ProtectionMissing as missing:
        return open_as_it_is(location, patience_s=patience_s), str(missing)


def open_as_it_is(location: Location, *, patience_s: float = 5.0) -> Database:
    """Open the database of whatever schema, and bring it to no other; asking it may fail for that.

    :raises BadAddress: it is no URL, of a kind that is not served, or would keep nothing.
    """
    address = address_of(location)
    return _database(address, _engine(address, patience_s), location)


def _database(address: URL, engine: Engine, location: Location) -> Database:
    return Database(engine, url_shown(address), location, partial(_keeper, _chain_place(address), key_file()))


def _keeper(place: str, key: Path) -> "ChainKeeper":
    from db.chain import ChainKeeper

    return ChainKeeper(place, key)


def _chain_place(address: URL) -> str:
    """What tells this database from every other: a copy in another place goes on with a chain of its own."""
    if address.get_backend_name() != "sqlite":
        host = address.host or address.query.get("host", "")
        return f"{host}:{address.port or address.query.get('port', 5432)}/{address.database}"
    return f"{platform.node()}:{Path(address.database or '').resolve()}"


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
    if not is_text(location.url):
        raise BadAddress(
            f"The database address given by {location.decided_by} holds bytes that are no text: write it in UTF-8, and "
            "give folder and file names that are text."
        )
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
