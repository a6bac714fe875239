"""Which revision a database has, and bringing it to ours: all migrations in one transaction, or none.

Alembic is imported only when there is something to migrate: a database at the latest revision opens without.
"""

from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import URL, Connection
from sqlalchemy.exc import StatementError

from db import protection
from db.errors import Conflict, InvalidValue, MigrationFailed, NewerSchema, NotADatabase, StorageFailed
from db.failures import translated
from db.sqlite import sqlite_engine_without_foreign_keys

if TYPE_CHECKING:
    from alembic.config import Config

SCRIPTS = Path(__file__).parent / "migrations"
LATEST = "r0010"

# In the file header, offset 68: says whose database it is (https://www.sqlite.org/fileformat.html).
APPLICATION_ID = int.from_bytes(b"Trim")


def current_revision(connection: Connection, place: str) -> str | None:
    """Say which revision the database has; None for an empty one.

    :raises NotADatabase: it holds tables, and they are not ours.
    """
    tables = connection.exec_driver_sql(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\'"
    ).scalars()
    names = set(tables)
    if not names:
        return None
    owner = connection.exec_driver_sql("PRAGMA application_id").scalar_one()
    if owner != APPLICATION_ID or protection.VERSION_TABLE not in names:
        raise NotADatabase(
            f"The database {place} belongs to another program (it holds the table {min(names)}): "
            "name another one in RIG_DATABASE_URL."
        )
    versions = connection.exec_driver_sql(f"SELECT version_num FROM {protection.VERSION_TABLE}")
    revision: str | None = versions.scalar_one_or_none()
    return revision


def migrate(url: URL, place: str, *, patience_s: float, revision: str = LATEST, scripts: Path = SCRIPTS) -> None:
    """Bring the database to a revision, all in one transaction, and put the protection in place.

    Another program that does the same at the same time is waited for.

    :param url: SQLite database.
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
    engine = sqlite_engine_without_foreign_keys(url, patience_s)
    with translated(place), engine.begin() as connection:
        present = current_revision(connection, place)
        if present is not None and present not in known:
            raise NewerSchema(
                f"The database {place} was written by a newer version of this program (schema {present}): "
                "install that version or a later one."
            )
        protection.lift(connection)
        configuration.attributes["connection"] = connection
        _upgrade(configuration, revision, place)
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
        _require_whole_references(connection, revision, place)
        protection.install(connection)
        protection.verify(connection, place)


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
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
    if broken is not None:
        raise MigrationFailed(
            f"The database {place} was left as it was: migrated to {revision}, a row of {broken[0]} would "
            f"lack its row of {broken[2]}; keep using the version that wrote it, and report this."
        )
