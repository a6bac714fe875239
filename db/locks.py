"""The locks on finished records, on whichever database it is."""

from collections.abc import Collection

from sqlalchemy import Connection

from db import protection, protection_postgresql


def install(connection: Connection) -> None:
    """Put all triggers in place, replacing any that are there; called inside the migration's transaction."""
    if _on_sqlite(connection):
        protection.install(connection)
    else:
        protection_postgresql.install(connection)


def lift(connection: Connection) -> None:
    """Take all triggers away, so that a migration can rebuild tables; they come back with :func:`install`."""
    if _on_sqlite(connection):
        protection.lift(connection)
    else:
        protection_postgresql.lift(connection)


def verify(connection: Connection, place: str, required: Collection[str] = ()) -> None:
    """See that every trigger is in place with its exact text.

    :param required: tables that must be there.
    :raises ProtectionMissing: something is missing, altered, or there beside what should be there.
    """
    if _on_sqlite(connection):
        protection.verify(connection, place, required)
    else:
        protection_postgresql.verify(connection, place, required)


def _on_sqlite(connection: Connection) -> bool:
    return connection.dialect.name == "sqlite"
