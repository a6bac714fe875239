"""Migrations take a database from one revision to another whole, or leave it as it was."""

import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from alembic.config import Config
from alembic.script import ScriptDirectory
from attacks import dump
from sqlalchemy import make_url

from db.engine import open_database
from db.errors import MigrationFailed
from db.models import Base
from db.revision import LATEST, TABLES
from db.schema import SCRIPTS, migrate

# It changes the schema, changes a finished row, and then comes to grief in the way that is filled in.
HALF_WAY = '''
"""Fails half-way, for the tests only."""

import os

from alembic import op

revision = "t9998"
down_revision = "{latest}"


def upgrade() -> None:
    op.execute("CREATE TABLE half (id BLOB PRIMARY KEY) STRICT, WITHOUT ROWID")
    op.execute("ALTER TABLE unit ADD COLUMN half TEXT")
    op.execute("UPDATE finding SET decision = 'changed'")
    op.execute("DELETE FROM {emptied}")
    {grief}
'''


def scripts_with(folder: Path, *, emptied: str = "reading", grief: str) -> Path:
    scripts = folder / "migrations"
    shutil.copytree(SCRIPTS, scripts, ignore=shutil.ignore_patterns("__pycache__"))
    text = HALF_WAY.strip().format(latest=LATEST, emptied=emptied, grief=grief)
    (scripts / "versions" / "t9998_half_way.py").write_text(text, encoding="utf-8")
    return scripts


def whole(file: Path) -> tuple[object, object]:
    with closing(sqlite3.connect(file)) as connection:
        schema = connection.execute("SELECT name, sql FROM sqlite_master ORDER BY type, name").fetchall()
    return schema, dump(file)


@pytest.fixture
def filled(url: str, file: Path) -> Path:
    open_database(url).close()
    rows = Path(__file__).with_name("rows_at_r0001.sql").read_text(encoding="utf-8")
    with closing(sqlite3.connect(file)) as connection:
        connection.executescript(rows)
    return file


@pytest.mark.parametrize(
    ("emptied", "grief"),
    [
        ("reading", 'op.execute("INSERT INTO nowhere VALUES (1)")'),
        ("reading", 'op.execute("INSERT INTO half VALUES (NULL)")'),
        ("reading", 'op.create_table("finding")'),
        # nothing fails while it runs, but points are left without their sweep
        ("sweep", "pass"),
    ],
)
def test_a_migration_that_fails_half_way_leaves_the_database_as_it_was(
    url: str, filled: Path, tmp_path: Path, emptied: str, grief: str
):
    before = whole(filled)
    scripts = scripts_with(tmp_path, emptied=emptied, grief=grief)
    with pytest.raises(MigrationFailed, match="left as it was") as failed:
        migrate(make_url(url), url, patience_s=1.0, revision="t9998", scripts=scripts)
    assert "\n" not in str(failed.value)
    assert str(filled) in str(failed.value)
    assert whole(filled) == before
    open_database(url).close()


def test_a_program_killed_in_the_middle_of_a_migration_leaves_the_database_as_it_was(
    url: str, filled: Path, tmp_path: Path
):
    before = whole(filled)
    scripts = scripts_with(tmp_path, grief="os._exit(9)")
    program = (
        "import pathlib, sys; from sqlalchemy import make_url; from db.schema import migrate; "
        "migrate(make_url(sys.argv[1]), 'it', patience_s=1.0, revision='t9998', "
        "scripts=pathlib.Path(sys.argv[2]))"
    )
    killed = subprocess.run([sys.executable, "-c", program, url, str(scripts)], check=False)
    assert killed.returncode == 9
    open_database(url).close()
    assert whole(filled) == before


def test_a_migration_may_correct_finished_rows_because_it_runs_with_the_protection_lifted(
    url: str, filled: Path, tmp_path: Path
):
    scripts = scripts_with(tmp_path, grief="op.execute(\"INSERT INTO half VALUES (x'01')\")")
    migrate(make_url(url), url, patience_s=1.0, revision="t9998", scripts=scripts)
    with closing(sqlite3.connect(filled)) as connection:
        assert set(connection.execute("SELECT decision FROM finding")) == {("changed",)}
        with pytest.raises(sqlite3.IntegrityError, match="never"):
            connection.execute("UPDATE finding SET decision = 'pass'")
        with pytest.raises(sqlite3.IntegrityError, match="never"):
            connection.execute("DELETE FROM half")


def test_the_latest_revision_is_the_last_of_one_line():
    configuration = Config()
    configuration.set_main_option("script_location", str(SCRIPTS))
    scripts = ScriptDirectory.from_config(configuration)
    assert scripts.get_heads() == [LATEST]
    assert all(not script.is_branch_point for script in scripts.walk_revisions())


def test_a_database_at_the_latest_revision_opens_without_alembic(url: str, filled: Path):
    program = (
        "import sys; from db.engine import open_database; open_database(sys.argv[1]).close(); "
        "sys.exit('alembic' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", program, url], check=False).returncode == 0


def test_a_folder_with_signs_that_mean_something_elsewhere_holds_a_database(tmp_path: Path):
    folder = tmp_path / "50% off; #1 & só"
    folder.mkdir()
    scripts = folder / "migrations"
    shutil.copytree(SCRIPTS, scripts)
    url = make_url("sqlite://").set(database=str(folder / "record.sqlite"))
    migrate(url, "there", patience_s=1.0, scripts=scripts)
    open_database(url.render_as_string()).close()


def test_the_tables_that_an_opening_looks_for_are_those_of_the_models():
    assert set(Base.metadata.tables) == TABLES


def test_who_only_asks_the_record_makes_no_more_models_than_are_asked_and_base_has_them_all():
    asked = (
        "import sys, db.engine, db.queries\n"
        "assert 'db.models.visits' in sys.modules and 'db.models.trust' not in sys.modules\n"
        "from db.models import Base\n"
        "print(*sorted(Base.metadata.tables))"
    )
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert done.stdout.split() == sorted(TABLES)
