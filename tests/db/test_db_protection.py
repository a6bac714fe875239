import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from attacks import attacks_on, dump, tables
from schemas import revisions
from sqlalchemy import create_engine, make_url

from db.engine import Database, open_database
from db.errors import Conflict, Protected, ProtectionMissing
from db.models import Base, Finding, Sweep, Verdict, Visit
from db.protection import FILLED_ONCE
from db.revision import LATEST
from db.schema import SCRIPTS, migrate

# A careless rebuild by hand: types, keys, checks and keyed storage are gone with the old table.
CARELESS_REBUILD = '''
"""A careless rebuild, for the tests only."""

from alembic import op

revision = "t9999"
down_revision = "{latest}"


def upgrade() -> None:
    op.execute("CREATE TABLE finding_new AS SELECT * FROM finding")
    op.execute("DROP TABLE finding")
    op.execute("ALTER TABLE finding_new RENAME TO finding")
'''

# A rebuild as alembic does it on SQLite: new table, copy, drop, rename. Triggers go with the old table.
REBUILD = '''
"""A rebuild of two protected tables, for the tests only."""

import sqlalchemy as sa
from alembic import op

from db.models import Base

revision = "t9999"
down_revision = "{latest}"


def upgrade() -> None:
    for name in ("finding", "verdict"):
        table = Base.metadata.tables[name]
        with op.batch_alter_table(name, recreate="always", copy_from=table) as batch:
            batch.add_column(sa.Column("added", sa.Text()))
'''


def scripts_with(folder: Path, extra: str) -> Path:
    """The project's migrations with one more at the end."""
    scripts = folder / "migrations"
    shutil.copytree(SCRIPTS, scripts, ignore=shutil.ignore_patterns("__pycache__"))
    (scripts / "versions" / "t9999_extra.py").write_text(extra.strip(), encoding="utf-8")
    return scripts


def attack_everything(file: Path, *settings: str) -> int:
    """Run every attack on every table; say how many there were."""
    before = dump(file)
    assert all(before.values()), "every table has a row to attack"
    count = 0
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        for setting in settings:
            connection.execute(setting)
        for table in before:
            attacks = list(attacks_on(connection, table))
            # what a refused statement left behind would be kept with the table's transaction
            connection.execute("BEGIN IMMEDIATE")
            for statement in attacks:
                with pytest.raises(sqlite3.IntegrityError, match=r"never|once|ended"):
                    connection.execute(statement)
            connection.execute("COMMIT")
            count += len(attacks)
    assert dump(file) == before
    return count


@pytest.mark.parametrize("settings", [(), ("PRAGMA recursive_triggers = ON", "PRAGMA foreign_keys = ON")])
@pytest.mark.parametrize("revision", revisions())
def test_no_statement_changes_a_finished_record_after_any_migration(
    file: Path, grown: dict[str, Path], revision: str, settings: tuple[str, ...]
):
    shutil.copy(grown[revision], file)
    assert attack_everything(file, *settings) > 300


def test_no_statement_changes_a_finished_record_after_a_rebuild_of_its_table(
    url: str, file: Path, tmp_path: Path, grown: dict[str, Path]
):
    shutil.copy(grown[LATEST], file)
    scripts = scripts_with(tmp_path, REBUILD.format(latest=LATEST))
    migrate(make_url(url), url, patience_s=1.0, revision="t9999", scripts=scripts)
    with closing(sqlite3.connect(file)) as connection:
        assert connection.execute("SELECT added FROM finding").fetchall() == [(None,), (None,)]
    assert attack_everything(file) > 300


def test_a_careless_rebuild_is_rolled_back(url: str, file: Path, tmp_path: Path, grown: dict[str, Path]):
    shutil.copy(grown[LATEST], file)
    before = dump(file)
    scripts = scripts_with(tmp_path, CARELESS_REBUILD.format(latest=LATEST))
    with pytest.raises(ProtectionMissing, match="finding"):
        migrate(make_url(url), url, patience_s=1.0, revision="t9999", scripts=scripts)
    assert dump(file) == before
    assert attack_everything(file) > 300


def test_no_table_has_a_row_number_through_which_a_row_could_be_replaced(database: Database, file: Path):
    # https://www.sqlite.org/withoutrowid.html
    with closing(sqlite3.connect(file)) as connection:
        for table in tables(connection):
            with pytest.raises(sqlite3.OperationalError, match="no such column"):
                connection.execute(f"SELECT rowid FROM {table}")


def test_a_visit_is_ended_once_and_everything_else_in_it_rests(
    database: Database, file: Path, begin_visit: Callable[..., Visit]
):
    with database.session() as session:
        begin_visit(session)
    with closing(sqlite3.connect(file, isolation_level=None)) as outside:
        for statement in (
            "UPDATE visit SET operator = 'somebody else'",
            "UPDATE visit SET id = randomblob(16)",
            "UPDATE visit SET ended_utc = 1, outcome = 'finished', seed = 8",
            "UPDATE visit SET outcome = 'finished'",
            "UPDATE visit SET ended_utc = 1, outcome = 'perfect'",
        ):
            with pytest.raises(sqlite3.IntegrityError):
                outside.execute(statement)
        outside.execute("UPDATE visit SET ended_utc = 1, outcome = 'stopped'")
        with pytest.raises(sqlite3.IntegrityError, match="once"):
            outside.execute("UPDATE visit SET ended_utc = NULL, outcome = NULL")


def test_nothing_is_measured_in_a_visit_that_has_ended(
    database: Database, whole_visit: Callable[..., Visit], point_of: Callable[..., object]
):
    with database.session() as session:
        visit = whole_visit(session)
        sweep = session.query(Sweep).one()
    late_sweep = Sweep(visit_id=visit.id, purpose="as_left", sequence=9, started_utc=visit.started_utc, controls={})
    for late in (late_sweep, point_of(sweep, 99)):
        with pytest.raises(Protected, match="ended"), database.session() as session:
            session.add(late)


def test_a_correction_of_a_finding_is_a_new_row_that_says_why(
    database: Database, file: Path, whole_visit: Callable[..., Visit], finding_of: Callable[..., Finding]
):
    with database.session() as session:
        visit = whole_visit(session)
    with pytest.raises(Conflict, match="correction_says_why"), database.session() as session:
        session.add(finding_of(visit, revision=1))
    with database.session() as session:
        session.add(finding_of(visit, revision=1, note="meter was out of calibration"))


def test_a_visit_has_one_first_verdict_and_each_verdict_one_correction(
    database: Database, whole_visit: Callable[..., Visit]
):
    def verdict(**other: object) -> Verdict:
        values = {"visit_id": visit.id, "decision": "fail", "causes": ["rail"], "reason": "meter was wrong"}
        return Verdict(**values | {"created_utc": visit.started_utc} | other)

    with database.session() as session:
        visit = whole_visit(session)
        other_visit = whole_visit(session, "TR-0002-5", day=1)
        first = session.query(Verdict).filter_by(visit_id=visit.id).one()
    correction = verdict(corrects_verdict_id=first.id)
    with database.session() as session:
        session.add(correction)
    for wrong in (
        verdict(),
        verdict(corrects_verdict_id=first.id),
        verdict(corrects_verdict_id=correction.id, reason=""),
        verdict(corrects_verdict_id=correction.id, visit_id=other_visit.id),
    ):
        with pytest.raises((Conflict, Protected), match="refused"), database.session() as session:
            session.add(wrong)
    with database.session() as session:
        assert session.query(Verdict).count() == 3


@pytest.mark.parametrize(
    "tampering",
    [
        "DROP TRIGGER keep_verdict_update",
        "DROP TRIGGER keep_finding_insert; "
        "CREATE TRIGGER keep_finding_insert BEFORE INSERT ON finding BEGIN SELECT 1; END",
        "CREATE TRIGGER other AFTER INSERT ON verdict BEGIN SELECT 1; END",
        "DROP INDEX uq_verdict_first",
        "ALTER TABLE finding RENAME TO finding_old",
        "CREATE TABLE loose (id INTEGER PRIMARY KEY)",
        "CREATE UNIQUE INDEX more ON finding (decision, characteristic, phase)",
        "DROP TABLE verdict",
    ],
)
def test_a_database_whose_protection_was_tampered_with_is_not_opened(
    url: str, file: Path, empty_record: Path, tampering: str
):
    shutil.copyfile(empty_record, file)
    with closing(sqlite3.connect(file)) as connection:
        connection.executescript(tampering)
    with pytest.raises(ProtectionMissing, match=r"restore the last backup") as caught:
        open_database(url)
    assert str(file) in str(caught.value)


def test_what_may_be_filled_in_once_exists_in_the_models():
    for table, names in FILLED_ONCE.items():
        assert set(names) <= set(Base.metadata.tables[table].columns.keys())


def test_the_migrations_make_exactly_what_the_models_say(empty_record: Path, tmp_path: Path):
    engine = create_engine(f"sqlite:///{tmp_path / 'models.sqlite'}")
    Base.metadata.create_all(engine)
    engine.dispose()
    assert schema_lines(empty_record) == schema_lines(tmp_path / "models.sqlite")


def schema_lines(file: Path) -> dict[str, list[str]]:
    """Text of tables and indices as SQLite keeps it, the lines of each in alphabetical order."""
    with closing(sqlite3.connect(file)) as connection:
        rows = connection.execute(
            "SELECT name, sql FROM sqlite_master WHERE type IN ('table', 'index') AND sql IS NOT NULL "
            "AND name <> 'alembic_version'"
        ).fetchall()
    return {name: sorted(line.strip().rstrip(",") for line in text.splitlines()) for name, text in rows}
