"""Asking in plain SQL, over whatever connection is there: one of SQLAlchemy's, or the driver's own.

What a command asks that only shows the record is written so, since loading SQLAlchemy takes several times as long as
the answer. A question has named parameters (``:serial``), and says the same on both databases. A parameter may stand
for several values (``IN :serials``).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING, Any, Protocol
from uuid import UUID

from db.stored_values import microseconds, require_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy import Connection
    from sqlalchemy.orm import Session

SQLITE = "sqlite"
HANDFUL = 500
"""Rows fetched at once: few enough that the memory of one handful serves the next."""
Value = UUID | datetime | str | float | None
_PARAMETER = re.compile(r":([a-z_0-9]+)")


class Kind(Protocol):
    """Which database it is."""

    @property
    def name(self) -> str:
        """``sqlite`` or ``postgresql``."""
        ...


class Answer(Protocol):
    """Rows."""

    @property
    def cursor(self) -> Any:
        """The driver's own, which fetches them."""
        ...

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


def ask(connection: Asked, question: str, **values: Value | Sequence[Value]) -> Sequence[Any]:
    """Rows that answer a question, their values as they are stored (:mod:`db.stored_values`).

    :param question: SQL with named parameters, each a word in small letters after a colon; no other colon, no per cent.
    :param values: of the parameters; none of several may be an empty list.
    :raises InvalidValue: a text holds bytes that are no text.
    """
    return _answer(connection, question, values).all()


def ask_in_handfuls(
    connection: Asked, question: str, **values: Value | Sequence[Value]
) -> Iterator[Sequence[tuple[Any, ...]]]:
    """The same rows, asked for at once and fetched by handfuls.

    With millions of them, whatever is done to each takes a second, and so does memory for all at a time.
    """
    cursor = _answer(connection, question, values).cursor
    return iter(partial(cursor.fetchmany, HANDFUL), [])


def _answer(connection: Asked, question: str, values: dict[str, Value | Sequence[Value]]) -> Answer:
    single: dict[str, Value] = {}
    for name, value in values.items():
        if isinstance(value, str) or not isinstance(value, Sequence):
            single[name] = value
            continue
        several = {f"{name}_{place}": each for place, each in enumerate(value)}
        single |= several
        question = re.sub(rf":{name}\b", f"({', '.join(f':{each}' for each in several)})", question)
    for value in single.values():
        if isinstance(value, str):
            require_text(value)
    if connection.dialect.name == SQLITE:
        return connection.exec_driver_sql(question, {name: _on_sqlite(value) for name, value in single.items()})
    return connection.exec_driver_sql(_PARAMETER.sub(r"%(\1)s", question), single)


def _on_sqlite(value: Value) -> bytes | str | float | None:
    if isinstance(value, UUID):
        return value.bytes
    return microseconds(value) if isinstance(value, datetime) else value


def connection_of(session: Session) -> Connection:
    """Connection of a session, for asking in plain SQL: what was added to the session is seen."""
    session.flush()
    return session.connection()
