"""The record moves, is backed up and put back whole, or not at all."""

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from db import errors
from db.backup import backup, restore
from db.checking import check
from db.engine import Database, open_database
from db.location import Location
from db.models import RecordChange, Unit, Visit
from db.moving import move, table_sums
from db.record_key import key_file, read_key
from db.revision import LATEST
from tests.postgresql import Server

CHANGED_BY_A_MOVE = {"record_change", "record_chain", "record_link"}
"""A move enters who moved it and why, and the chain goes on in the new place."""


def sums_of(database: Database) -> dict[str, object]:
    with database.reading_connection() as connection:
        return {name: each for name, each in table_sums(connection).items() if name not in CHANGED_BY_A_MOVE}


def serials(url: str) -> list[str]:
    with open_database(url) as database, database.reading() as session:
        return sorted(session.scalars(session.query(Unit.serial).statement))


def test_a_record_goes_to_a_server_and_back_and_is_the_same(
    url: str, file: Path, migrated: str, tmp_path: Path, empty_record: Path, grown: dict[str, Path]
):
    shutil.copy(empty_record, tmp_path / "back.sqlite")
    shutil.copy(grown[LATEST], file)
    with (
        open_database(url) as here,
        open_database(migrated) as server,
        open_database(f"sqlite:///{tmp_path / 'back.sqlite'}") as back,
    ):
        sent = move(here, server, who="engineer 1", why="several benches")
        assert sum(each.count for each in sent.values()) > 30
        with pytest.raises(errors.NotEmpty, match="holds records already"):
            move(here, server, who="engineer 1", why="twice")
        move(server, back, who="engineer 1", why="and back")
        assert sums_of(here) == sums_of(server) == sums_of(back)
        with back.reading() as session:
            rows = session.query(RecordChange).order_by(RecordChange.made_utc).all()
            assert [each.reason for each in rows] == ["the disk failed", "several benches", "and back"]


def test_what_the_chain_covered_is_covered_in_the_new_place(
    database: Database, migrated: str, whole_visit: Callable[..., Visit], tmp_path: Path
):
    with database.session() as session:
        whole_visit(session)
    with open_database(migrated) as server:
        move(database, server, who="engineer 1", why="several benches")
        backup(server, tmp_path / "record.backup", who="engineer 1", why="the evening's")
        with server.reading_connection() as connection:
            found = check(connection, [read_key(key_file())], [key_file()])
        assert found.sound
        assert found.visits == 1
    with open_database(f"sqlite:///{tmp_path / 'record.backup'}") as portable:
        assert sums_of(portable) == sums_of(database)


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory, empty_record: Path, whole_visit: Callable[..., Visit]) -> Path:
    """A folder with a database and a backup that lacks its last visit."""
    folder = tmp_path_factory.mktemp("evening")
    shutil.copyfile(empty_record, folder / "record.sqlite")
    with open_database(f"sqlite:///{folder / 'record.sqlite'}") as database:
        with database.session() as session:
            whole_visit(session, "TR-0001-7")
        assert backup(database, folder / "record.backup", who="engineer 1", why="the evening's") > 20
        with database.session() as session:
            whole_visit(session, "TR-0002-5", day=1)
    return folder


@pytest.fixture
def backed_up(evening: Path, url: str, tmp_path: Path) -> tuple[Location, Path]:
    """A copy of them."""
    shutil.copytree(evening, tmp_path, dirs_exist_ok=True)
    return Location(url, "the test", None), tmp_path / "record.backup"


def test_a_restored_record_is_that_of_the_backup_and_the_other_one_is_kept(backed_up: tuple[Location, Path]):
    location, kept = backed_up
    aside = restore(kept, location, who="engineer 1", why="the disk failed").kept
    assert serials(location.url) == ["TR-0001-7"]
    assert aside is not None
    assert serials(f"sqlite:///{aside}") == ["TR-0001-7", "TR-0002-5"]
    with open_database(location.url) as database, database.reading_connection() as connection:
        found = check(connection, [read_key(key_file())], [key_file()])
        assert found.sound, found.flaws
        assert "the record says so" in found.notes[0]
        with database.reading() as session:
            change = session.query(RecordChange).one()
            assert (change.who, change.reason) == ("engineer 1", "the disk failed")


def truncated(file: Path) -> None:
    file.write_bytes(file.read_bytes()[: file.stat().st_size // 2])


def emptied(file: Path) -> None:
    file.write_bytes(b"")


def short_of_a_page(file: Path) -> None:
    file.write_bytes(file.read_bytes()[:-4096])


def one_byte_altered(file: Path) -> None:
    content = file.read_bytes()
    place = len(content) // 2
    file.write_bytes(content[:place] + bytes([content[place] ^ 1]) + content[place + 1 :])


def something_else(file: Path) -> None:
    file.write_text("no database", encoding="ascii")


def a_verdict_altered(file: Path) -> None:
    """By somebody who knows SQL and puts the triggers back."""
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        (trigger,) = connection.execute("SELECT sql FROM sqlite_master WHERE name = 'keep_verdict_update'").fetchone()
        connection.execute("DROP TRIGGER keep_verdict_update")
        connection.execute("UPDATE verdict SET decision = 'fail'")
        connection.execute(trigger)


def a_trigger_dropped(file: Path) -> None:
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        connection.execute("DROP TRIGGER keep_verdict_update")


def of_a_newer_version(file: Path) -> None:
    with closing(sqlite3.connect(file, isolation_level=None)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = 'r9999'")


@pytest.mark.parametrize(
    ("damage", "with_checksum"),
    [
        (truncated, True),
        (truncated, False),
        (emptied, False),
        (short_of_a_page, False),
        # it may lie where nothing is: only the checksum sees it
        (one_byte_altered, True),
        (something_else, False),
        (a_verdict_altered, True),
        (a_verdict_altered, False),
        (a_trigger_dropped, False),
        (of_a_newer_version, False),
    ],
)
def test_a_backup_that_is_not_as_it_was_written_leaves_the_database_untouched(
    backed_up: tuple[Location, Path], file: Path, damage: Callable[[Path], None], with_checksum: bool
):
    location, kept = backed_up
    damage(kept)
    if not with_checksum:
        kept.with_name(kept.name + ".sha256").unlink()
    before = file.read_bytes()
    with pytest.raises(errors.DatabaseError, match="the database is untouched") as refused:
        restore(kept, location, who="engineer 1", why="the disk failed")
    assert str(kept) in str(refused.value)
    assert "\n" not in str(refused.value)
    assert file.read_bytes() == before
    assert sorted(path.name for path in file.parent.glob("*.new*")) == []


def test_a_backup_whose_key_is_not_here_is_put_back_when_that_is_said(
    backed_up: tuple[Location, Path], file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    location, kept = backed_up
    own = key_file()
    monkeypatch.setenv("RIG_RECORD_KEY_FILE", str(tmp_path / "another computer" / "record.key"))
    before = file.read_bytes()
    with pytest.raises(errors.KeyProblem, match="the database is untouched") as refused:
        restore(kept, location, who="engineer 1", why="the disk failed")
    assert "--without-key" in str(refused.value)
    assert file.read_bytes() == before
    done = restore(kept, location, who="engineer 1", why="the disk failed", without_key=True)
    assert "could not be verified" in done.unverified[0]
    with open_database(location.url) as database:
        with database.reading_connection() as connection:
            assert not check(connection, [read_key(key_file())], [key_file()]).sound
            both = check(connection, [read_key(key_file()), read_key(own)], [key_file()])
        assert both.sound, both.flaws
        with database.reading() as session:
            assert "not verified for want of a key" in session.query(RecordChange).one().what
    assert restore(kept, location, who="engineer 1", why="again", keys=[own]).unverified == ()


def test_a_backup_that_names_another_key_than_this_computers_is_not_put_back(
    backed_up: tuple[Location, Path], file: Path
):
    location, kept = backed_up
    with closing(sqlite3.connect(kept, isolation_level=None)) as connection:
        (trigger,) = connection.execute(
            "SELECT sql FROM sqlite_master WHERE name = 'keep_record_chain_update'"
        ).fetchone()
        connection.execute("DROP TRIGGER keep_record_chain_update")
        connection.execute("UPDATE record_chain SET key_id = 'aa'")
        connection.execute(trigger)
    kept.with_name(kept.name + ".sha256").unlink()
    with pytest.raises(errors.Damaged, match="names another key"):
        restore(kept, location, who="engineer 1", why="the disk failed", without_key=True)


def test_no_backup_is_put_under_a_program_that_records(backed_up: tuple[Location, Path], url: str):
    location, kept = backed_up
    with open_database(url) as database:
        database.require_writable()
        with pytest.raises(errors.Locked, match="open in another program"):
            restore(kept, location, who="engineer 1", why="the disk failed")
    assert serials(url) == ["TR-0001-7", "TR-0002-5"]


def test_a_backup_goes_into_an_empty_server_only(backed_up: tuple[Location, Path], server: Server, migrated: str):
    _, kept = backed_up
    there = Location(migrated, "the test", None)
    assert restore(kept, there, who="engineer 1", why="a new server").kept is None
    assert serials(migrated) == ["TR-0001-7"]
    with pytest.raises(errors.NotEmpty):
        restore(kept, there, who="engineer 1", why="twice")


def test_a_backup_in_place_of_a_database_that_is_past_reading(backed_up: tuple[Location, Path], file: Path):
    location, kept = backed_up
    file.write_bytes(b"rubbish" * 1000)
    aside = restore(kept, location, who="engineer 1", why="the disk failed").kept
    assert aside is not None
    assert aside.read_bytes() == b"rubbish" * 1000
    assert serials(location.url) == ["TR-0001-7"]


def test_no_file_is_overwritten_and_no_folder_invented(database: Database, tmp_path: Path):
    there = tmp_path / "there"
    there.write_text("mine", encoding="ascii")
    with pytest.raises(errors.Conflict, match="not overwritten"):
        backup(database, there, who="engineer 1", why="x")
    assert there.read_text(encoding="ascii") == "mine"
    with pytest.raises(errors.Unreachable, match="does not exist"):
        backup(database, tmp_path / "nowhere" / "record.backup", who="engineer 1", why="x")
    with pytest.raises(errors.NotFound):
        restore(tmp_path / "nothing", Location(f"sqlite:///{tmp_path}/x", "it", None), who="engineer 1", why="x")


def test_the_checksum_beside_a_backup_is_as_sha256sum_writes_it(backed_up: tuple[Location, Path]):
    import subprocess

    if shutil.which("sha256sum") is None:
        pytest.skip("sha256sum of the GNU core utilities is not here")
    _, kept = backed_up
    done = subprocess.run(
        ["sha256sum", "--check", f"{kept.name}.sha256"], cwd=kept.parent, capture_output=True, check=False
    )
    assert done.returncode == 0
