"""Bringing a database to our revision: all migrations in one transaction, or none.

Alembic is imported only when there is something to migrate: a database at the latest revision opens without.
"""

from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import URL, Connection, Engine
from sqlalchemy.exc import StatementError

from db import locks, protection
from db.errors import Conflict, InvalidValue, MigrationFailed, NewerSchema, StorageFailed
from db.failures import translated
from db.postgresql import postgresql_engine_for_migration
from db.revision import APPLICATION_COMMENT, APPLICATION_ID, LATEST, current_revision
from db.sqlite import sqlite_engine_without_foreign_keys

if TYPE_CHECKING:
    from alembic.config import Config

SCRIPTS = Path(__file__).parent / "migrations"


def migrate(url: URL, place: str, *, patience_s: float, revision: str = LATEST, scripts: Path = SCRIPTS) -> None:
    """Bring the database to a revision, all in one transaction, and put the protection in place.

    Another program that does the same at the same time is waited for.

    :param place: the database, as it may be shown.
    :param patience_s: how long to wait for another program, s.
    :param scripts: folder of the migrations.
    :raises NewerSchema: its revision is none that this program knows.
    :raises MigrationFailed: a migration failed; the database is as it was.
    """
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    configuration = Config()
    configuration.set_main_option("script_location", str(scripts).replace("%", "%%"))
    known = {script.revision for script in ScriptDirectory.from_config(configuration).walk_revisions()}
    engine = _engine(url, patience_s)
    with translated(place), engine.begin() as connection:
        present = current_revision(connection, place)
        if present is not None and present not in known:
            raise NewerSchema(
                f"The database {place} was written by a newer version of this program (schema {present}): "
                "install that version or a later one."
            )
        locks.lift(connection)
        configuration.attributes["connection"] = connection
        _upgrade(configuration, revision, place)
        _sign(connection)
        _require_whole_references(connection, revision, place)
        locks.install(connection)
        locks.verify(connection, place)


def _engine(url: URL, patience_s: float) -> Engine:
    if url.get_backend_name() == "sqlite":
        return sqlite_engine_without_foreign_keys(url, patience_s)
    return postgresql_engine_for_migration(url, patience_s)


def _sign(connection: Connection) -> None:
    """Say in the database whose it is."""
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
    else:
        connection.exec_driver_sql(f"COMMENT ON TABLE {protection.VERSION_TABLE} IS '{APPLICATION_COMMENT}'")


def _upgrade(configuration: "Config", revision: str, place: str) -> None:
    from alembic import command
    from alembic.util import CommandError

    try:
        with translated(place):
            command.upgrade(configuration, revision)
    except (CommandError, Conflict, InvalidValue, StorageFailed) as error:
        cause = error.__cause__.orig if isinstance(error.__cause__, StatementError) else error
        raise MigrationFailed(
            f"The database {place} was left as it was: its migration to {revision} failed ({cause}); "
            "keep using the version that wrote it, and report this."
        ) from error


def _require_whole_references(connection: Connection, revision: str, place: str) -> None:
    if connection.dialect.name != "sqlite":
        # PostgreSQL checks what was deferred when it is told to; a failure names table and constraint
        with translated(place):
            connection.exec_driver_sql("SET CONSTRAINTS ALL IMMEDIATE")
        return
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
    if broken is not None:
        raise MigrationFailed(
            f"The database {place} was left as it was: migrated to {revision}, a row of {broken[0]} would "
            f"lack its row of {broken[2]}; keep using the version that wrote it, and report this."
        )
