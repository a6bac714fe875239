"""Asking in plain SQL, over whatever connection is there: one of SQLAlchemy's, or the driver's own.

What a command asks that only shows the record is written so, since loading SQLAlchemy takes several times as long as
the answer. A question has named parameters (``:serial``), and says the same on both databases.
"""

from __future__ import annotations

import re
from datetime import datetime
from typing import TYPE_CHECKING, Any, Protocol
from uuid import UUID

from db.stored_values import microseconds, require_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from sqlalchemy import Connection
    from sqlalchemy.orm import Session

SQLITE = "sqlite"
_PARAMETER = re.compile(r":([a-z_]+)")


class Kind(Protocol):
    """Which database it is."""

    @property
    def name(self) -> str:
        """``sqlite`` or ``postgresql``."""
        ...


class Answer(Protocol):
    """Rows."""

    def all(self) -> Sequence[Any]:
        """All of them."""
        ...

    def __iter__(self) -> Iterator[Any]: ...


class Asked(Protocol):
    """A connection that can be asked, as SQLAlchemy has it."""

    @property
    def dialect(self) -> Kind:
        """Which database it is."""
        ...

    def exec_driver_sql(self, statement: str, parameters: Any = None, /) -> Answer:
        """Have a statement run that is written as the driver wants it."""
        ...


def ask(connection: Asked, question: str, **values: UUID | datetime | str | int | None) -> Sequence[Any]:
    """Rows that answer a question, their values as they are stored (:mod:`db.stored_values`).

    :param question: SQL with named parameters, each a word in small letters after a colon; no other colon, no per cent.
    :param values: of the parameters.
    :raises InvalidValue: a text holds bytes that are no text.
    """
    for value in values.values():
        if isinstance(value, str):
            require_text(value)
    if connection.dialect.name == SQLITE:
        return connection.exec_driver_sql(question, {name: _on_sqlite(value) for name, value in values.items()}).all()
    return connection.exec_driver_sql(_PARAMETER.sub(r"%(\1)s", question), values).all()


def _on_sqlite(value: UUID | datetime | str | int | None) -> bytes | str | int | None:
    if isinstance(value, UUID):
        return value.bytes
    return microseconds(value) if isinstance(value, datetime) else value


def connection_of(session: Session) -> Connection:
    """Connection of a session, for asking in plain SQL: what was added to the session is seen."""
    session.flush()
    return session.connection()
