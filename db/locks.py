"""The locks on finished records, on whichever database it is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from db import protection, protection_postgresql
from db.questions import SQLITE

if TYPE_CHECKING:
    from collections.abc import Collection

    from db.questions import Asked


def install(connection: Asked) -> None:
    """Put all triggers in place, replacing any that are there; called inside the migration's transaction."""
    if _on_sqlite(connection):
        protection.install(connection)
    else:
        protection_postgresql.install(connection)


def lift(connection: Asked) -> None:
    """Take all triggers away, so that a migration can rebuild tables; they come back with :func:`install`."""
    if _on_sqlite(connection):
        protection.lift(connection)
    else:
        protection_postgresql.lift(connection)


def verify(connection: Asked, place: str, required: Collection[str] = ()) -> None:
    """See that every trigger is in place with its exact text.

    :param required: tables that must be there.
    :raises ProtectionMissing: something is missing, altered, or there beside what should be there.
    """
    if _on_sqlite(connection):
        protection.verify(connection, place, required)
    else:
        protection_postgresql.verify(connection, place, required)


def _on_sqlite(connection: Asked) -> bool:
    return connection.dialect.name == SQLITE
