"""Many small writes gathered into one transaction: for data that can be made again, where each write for itself
would cost a wait for the disk."""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Connection
from sqlalchemy.orm import Session

from db.engine import Database


class _Gathered(Database):
    """Hands out the one session of a transaction that is open; whoever opened it commits it."""

    def __init__(self, database: Database, session: Session) -> None:
        super().__init__(database._engine, database.url_shown, database.location, lambda: database.keeper)
        self._session = session

    @contextmanager
    def session(self) -> Iterator[Session]:
        """The session that is open; it is written when something is asked of it, or at the end of all."""
        yield self._session

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """The same session: what was written in it is seen."""
        yield self._session

    @contextmanager
    def writing_connection(self) -> Iterator[Connection]:
        """The connection of that session, after what the session has to write."""
        self._session.flush()
        yield self._session.connection()

    def require_writable(self) -> None:
        """It is being written to already."""

    def close(self) -> None:
        """It belongs to whoever opened it."""


@contextmanager
def gathered(database: Database) -> Iterator[Database]:
    """The same database, of which all writes in the block are one transaction: all of them are kept, or none.

    :raises DatabaseError: in place of any error of SQLAlchemy or the database.
    """
    with database.session() as session:
        yield _Gathered(database, session)
