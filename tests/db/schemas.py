"""A database at every revision, each grown from the one before, with rows in every table that a revision brought."""

import sqlite3
from contextlib import closing
from pathlib import Path

from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import make_url

from db.schema import SCRIPTS, migrate


def revisions() -> list[str]:
    """All revisions, the first one first."""
    configuration = Config()
    configuration.set_main_option("script_location", str(SCRIPTS))
    return [script.revision for script in ScriptDirectory.from_config(configuration).walk_revisions()][::-1]


def grown_in(folder: Path) -> dict[str, Path]:
    """Make them, and say where each is."""
    file = folder / "record.sqlite"
    copies = {}
    for revision in revisions():
        _fill_one_schema(f"sqlite:///{file}", file, revision)
        copies[revision] = folder / f"{revision}.sqlite"
        with closing(sqlite3.connect(file)) as connection, closing(sqlite3.connect(copies[revision])) as copy:
            connection.backup(copy)
    return copies


def _fill_one_schema(url: str, file: Path, revision: str) -> None:
    """Migrate to a schema, and give every table that it brought its rows."""
    migrate(make_url(url), url, patience_s=1.0, revision=revision)
    rows = Path(__file__).with_name(f"rows_at_{revision}.sql")
    if rows.exists():
        with closing(sqlite3.connect(file)) as connection:
            connection.executescript(rows.read_text(encoding="utf-8"))
