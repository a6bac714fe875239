"""Whatever is altered, added or removed past the program is found, with its table and its visit."""

import shutil
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

import pytest
from sqlalchemy import Connection, Table, delete, exc, insert, select, text, tuple_, update

from db import locks
from db.adopting import adopt
from db.canonical import covered_tables, digest_of, key_of, owned_tables, rows_of_visits, values_of
from db.chain import Head, Seal, chains, ends_here, seal_of_visit, visit_digests
from db.chained_session import single_digest
from db.checking import check
from db.engine import Database, open_database, open_for_checking
from db.findings import Findings
from db.location import Location
from db.models import Base, Finding, RecordChain, RecordLink, Unit, Verdict, Visit, new_key
from db.moving import move
from db.queries import end_visit, get_or_add_unit
from db.record_key import RecordKey, key_file, read_key, read_or_make_key
from db.revision import LATEST
from tests.postgresql import Server


def looked_at(connection: Connection) -> Findings:
    return check(connection, [read_key(key_file())], [key_file()])


def look_at(database: Database) -> Findings:
    with database.reading_connection() as connection:
        return looked_at(connection)


@pytest.fixture(scope="module")
def every_table(tmp_path_factory: pytest.TempPathFactory, grown: dict[str, Path]) -> Path:
    """A database with rows in every table, all of them covered."""
    file = tmp_path_factory.mktemp("every") / "record.sqlite"
    url = f"sqlite:///{file}"
    shutil.copy(grown[LATEST], file)
    with open_database(url) as database:
        with database.writing_connection() as connection:
            # the rows of the migrations' tests bring a link that no key has made
            locks.lift(connection)
            connection.execute(text("DELETE FROM record_link"))
            connection.execute(text("DELETE FROM record_chain"))
            locks.install(connection)
        with database.session() as session:
            assert adopt(session, who="test", why="rows of older schemas").visits > 0
        assert look_at(database).sound
    return file


@pytest.fixture(scope="module")
def in_a_file(every_table: Path) -> Iterator[Database]:
    """It, opened once: what a test does to it is taken back."""
    with open_database(f"sqlite:///{every_table}") as database:
        yield database
        assert look_at(database).sound


@pytest.fixture(scope="module")
def on_a_server(
    server: Server, migrated_template: str, every_table: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Database]:
    """The same one moved to a server."""
    name, file = server.create_database(migrated_template), tmp_path_factory.mktemp("moved") / "record.sqlite"
    shutil.copy(every_table, file)
    with open_database(server.url(name)) as there:
        with open_database(f"sqlite:///{file}") as database:
            move(database, there, who="test", why="the same there")
        yield there
        assert look_at(there).sound
    server.drop_database(name)


@pytest.fixture(params=["in_a_file", "on_a_server"], scope="module")
def covered(request: pytest.FixtureRequest) -> Database:
    database: Database = request.getfixturevalue(request.param)
    return database


OTHER: dict[type, Callable[[Any], object]] = {
    bool: lambda value: not value,
    int: lambda value: value + 1,
    float: lambda value: value + 1.5,
    str: lambda value: value + "x",
    bytes: lambda value: value + b"x",
    UUID: lambda value: uuid4(),
    datetime: lambda value: value + timedelta(hours=1),
    date: lambda value: value + timedelta(days=1),
    list: lambda value: [*value, 1],
    dict: lambda value: {**value, "more": 1},
}


class TakenBack(Exception):
    """Ends a transaction that is not to be kept."""


@contextmanager
def tampering(database: Database) -> Iterator[Connection]:
    """Past the program: without its triggers, and without its chain; all of it is taken back at the end."""
    with suppress(TakenBack), database.writing_connection() as connection:
        locks.lift(connection)
        yield connection
        raise TakenBack


def alter(connection: Connection, table: Table) -> bool:
    """Alter the last column of a table that its checks allow to be altered, in all rows; whether there is one."""
    keys = {column.name for column in table.primary_key}
    row = connection.execute(select(table).limit(1)).mappings().one()
    for column in reversed(table.columns.values()):
        old = row[column.name]
        if column.name in keys or old is None:
            continue
        step = connection.begin_nested()
        try:
            connection.execute(update(table).values({column.name: OTHER[type(old)](old)}))
        except exc.IntegrityError:
            # a check on the column, or on its neighbour, allows no other value
            step.rollback()
            continue
        step.commit()
        return True
    return False


def test_every_alteration_is_found_with_its_table_and_visit(covered: Database):
    with tampering(covered) as connection:
        assert all(alter(connection, table) for table in covered_tables())
        found = looked_at(connection)
    altered = [each for each in found.flaws if "altered" in each.what]
    assert {each.table for each in altered} == {table.name for table in covered_tables()}
    assert {each.table for each in altered if each.visit_id is not None} == set(owned_tables())
    assert {each.serial for each in altered if each.visit_id is not None} == {"TR-0001-7"}


def test_every_removal_is_found(covered: Database):
    kept = {"visit", "unit"}
    with tampering(covered) as connection:
        for table in covered_tables():
            if table.name not in kept:
                connection.execute(delete(table))
        removed = [each for each in looked_at(connection).flaws if "removed" in each.what]
        connection.execute(text("DELETE FROM visit"))
        connection.execute(text("DELETE FROM unit"))
        whole = [each for each in looked_at(connection).flaws if "removed" in each.what]
    assert {each.table for each in removed} == {table.name for table in covered_tables()} - kept
    assert {each.table for each in removed if each.visit_id is not None} == set(owned_tables()) - kept
    assert {each.table for each in whole} >= kept


def test_a_row_that_was_added_to_an_ended_visit_is_found(covered: Database):
    with tampering(covered) as connection:
        connection.execute(
            text(
                "INSERT INTO finding SELECT visit_id, phase, 'invented', revision, value, unit, "
                "expanded_uncertainty, coverage_probability, lower_limit, upper_limit, bound_low, bound_high, rule, "
                "decision, note, created_utc FROM finding WHERE phase = 'as_left'"
            )
        )
        (flaw,) = looked_at(connection).flaws
        assert (flaw.table, flaw.serial) == ("finding", "TR-0001-7")
        assert "added" in flaw.what


@pytest.mark.parametrize("said", ["", "{", "null", "[]", '"x"', '{"visit": 3}', '{"visit": ["a", "b"]}', '{"a": "ab"}'])
def test_a_link_that_covers_nothing_readable_is_named(covered: Database, said: str):
    with tampering(covered) as connection:
        connection.execute(text("UPDATE record_link SET digests = :said WHERE sequence IN (1, 3)"), {"said": said})
        found = looked_at(connection)
    named = [each.what for each in found.flaws if each.table == "record_link"]
    assert any("link 1 of chain" in each and "was altered" in each for each in named)
    assert any("link 3 of chain" in each and "was altered" in each for each in named)


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("verdict", "id", "substr(id, 2)"),
        ("visit", "started_utc", "1 << 62"),
        ("finding", "created_utc", "-(1 << 62)"),
        ("visit_instrument", "calibration_due", "'2026-02-30'"),
        ("visit_instrument", "calibrated_on", "'long ago'"),
        ("record_chain", "began_utc", "1 << 62"),
    ],
)
def test_what_no_column_can_hold_is_named_with_its_column(in_a_file: Database, table: str, column: str, value: str):
    # only SQLite lets such a value in: PostgreSQL has types of its own for keys, moments and days
    with tampering(in_a_file) as connection:
        connection.execute(text(f"UPDATE {table} SET {column} = {value}"))
        found = looked_at(connection)
    assert [each.table for each in found.flaws] == [table]
    assert f"its column {column}" in found.flaws[0].what
    assert found.unchecked


def test_who_has_the_file_alone_cannot_make_a_link_fit(covered: Database):
    other = RecordKey(bytes(32))
    with tampering(covered) as connection:
        connection.execute(text("UPDATE record_link SET link = :link WHERE sequence = 1"), {"link": other.mac(b"link")})
        connection.execute(text("UPDATE record_link SET sequence = sequence + 100 WHERE sequence = 3"))
        said = " ".join(each.what for each in looked_at(connection).flaws)
        assert "link 1 of chain" in said
        assert "was not made with its key" in said
        assert "links 3 to 3 of chain" in said


@pytest.fixture(scope="module")
def two_visits_once(
    tmp_path_factory: pytest.TempPathFactory, empty_record: Path, whole_visit: Callable[..., Visit]
) -> tuple[Path, tuple[UUID, UUID]]:
    """A record of two visits of two units, to be copied."""
    file = tmp_path_factory.mktemp("visits") / "record.sqlite"
    shutil.copyfile(empty_record, file)
    with open_database(f"sqlite:///{file}") as database:
        with database.session() as session:
            first = whole_visit(session, "TR-0001-7").id
        with database.session() as session:
            second = whole_visit(session, "TR-0002-5", day=1).id
    return file, (first, second)


@pytest.fixture
def two_visits(database: Database, file: Path, two_visits_once: tuple[Path, tuple[UUID, UUID]]) -> tuple[UUID, UUID]:
    prepared, visits = two_visits_once
    with closing(sqlite3.connect(prepared)) as source, closing(sqlite3.connect(file)) as copy:
        source.backup(copy)
    return visits


def test_a_visit_is_covered_when_it_ends_and_not_before(database: Database, begin_visit: Callable[..., Visit]):
    with database.session() as session:
        visit = begin_visit(session)
    found = look_at(database)
    assert (found.open_visits, found.sound) == (1, True)
    with database.reading() as session:
        assert seal_of_visit(session, visit.id) is None
    with database.session() as session:
        end_visit(session, visit.id, outcome="stopped", ended_utc=visit.started_utc + timedelta(minutes=1))
    with database.reading() as session:
        seal = seal_of_visit(session, visit.id)
        link = session.query(RecordLink).filter_by(visit_id=visit.id).one()
    assert seal == Seal(link.sequence, link.link)
    assert look_at(database).sound


def test_corrections_and_batches_filled_in_later_are_covered_too(
    database: Database, two_visits: tuple[UUID, UUID], finding_of: Callable[..., Finding]
):
    first, _ = two_visits
    with database.session() as session:
        visit = session.get_one(Visit, first)
        verdict = session.query(Verdict).filter_by(visit_id=first).one()
        session.add(finding_of(visit, revision=1, note="the meter was out of calibration"))
        session.add(
            Verdict(
                visit_id=first,
                decision="fail",
                causes=["rail"],
                reason="the meter was out of calibration",
                corrects_verdict_id=verdict.id,
                created_utc=visit.started_utc + timedelta(days=2),
            )
        )
    with database.session() as session:
        product = session.query(Unit).first()
        assert product is not None
        get_or_add_unit(session, serial="TR-0003-3", product_id=product.product_id)
    with database.session() as session:
        get_or_add_unit(session, serial="TR-0003-3", product_id=product.product_id, batch_code="B26-04")
    assert look_at(database).sound
    with tampering(database) as connection:
        connection.execute(text("UPDATE unit SET batch_code = NULL WHERE serial = 'TR-0003-3'"))
        connection.execute(text("DELETE FROM finding WHERE revision = 1"))
        assert {each.table for each in looked_at(connection).flaws} == {"unit", "finding"}


def test_records_cut_off_at_the_end_are_missed(
    database: Database, url: str, file: Path, tmp_path: Path, whole_visit: Callable[..., Visit]
):
    with database.session() as session:
        whole_visit(session, "TR-0001-7")
    database.copy_file(tmp_path / "older.sqlite")
    with database.session() as session:
        whole_visit(session, "TR-0002-5", day=1)
    database.close()
    for ending in ("", "-wal", "-shm"):
        file.with_name(file.name + ending).unlink(missing_ok=True)
    shutil.copyfile(tmp_path / "older.sqlite", file)
    with open_database(url) as older:
        (flaw,) = look_at(older).flaws
        assert "an older copy was put in place" in flaw.what
        # no second link of the same number: a chain of its own goes on from here, and says so
        with older.session() as session:
            whole_visit(session, "TR-0002-5", day=1)
        found = look_at(older)
        assert len(found.heads) == 2
        assert "an older copy was put in place" in found.flaws[0].what


def test_the_check_looks_at_the_rows_where_the_triggers_are_gone(
    url: str, file: Path, database: Database, two_visits: tuple[UUID, UUID]
):
    database.close()
    with closing(sqlite3.connect(file)) as outside:
        outside.executescript("DROP TRIGGER keep_verdict_update; UPDATE verdict SET decision = 'conditional pass'")
    opened, complaint = open_for_checking(Location(url, "the test", None))
    with opened:
        assert "keep_verdict_update" in complaint
        assert {(each.table, each.visit_id) for each in look_at(opened).flaws} == {("verdict", it) for it in two_visits}


def test_a_chain_of_another_key_is_compared_and_the_record_is_not_called_sound(
    database: Database, two_visits: tuple[UUID, UUID], tmp_path: Path
):
    own = look_at(database)
    assert own.sound
    assert own.rows_unverified == 0
    other = read_or_make_key(tmp_path / "other.key")
    with database.reading_connection() as connection:
        found = check(connection, [other], [])
    assert not found.sound
    assert found.flaws == []
    assert (found.rows_verified, found.rows_unverified) == (0, own.rows_verified)
    assert "which is not here" in found.unverified[0].sentence
    with tampering(database) as connection:
        connection.execute(text("UPDATE verdict SET decision = 'fail'"))
        assert {each.table for each in check(connection, [other], []).flaws} == {"verdict"}


def invented_chain(connection: Connection, digests: Mapping[str, Any], *, key_id: str = "aa") -> None:
    """A chain that somebody with the file wrote, with one link that no key has made."""
    chain_id, now = new_key(), datetime.now(UTC)
    connection.execute(
        insert(RecordChain).values(id=chain_id, place="x", key_id=key_id, because="bench two", began_utc=now)
    )
    connection.execute(
        insert(RecordLink).values(
            chain_id=chain_id, sequence=0, subject="rows", digests=digests, link="0" * 64, made_utc=now
        )
    )


def test_a_verdict_forged_under_another_keys_name_is_no_sound_record(database: Database, two_visits: tuple[UUID, UUID]):
    first, _ = two_visits
    verdict, link = (Base.metadata.tables[name] for name in ("verdict", "record_link"))
    with tampering(database) as connection:
        connection.execute(update(verdict).where(verdict.c.visit_id == first).values(decision="fail"))
        connection.execute(text("UPDATE record_chain SET key_id = '0011223344556677'"))
        rows = rows_of_visits(connection, [first])[first]
        digests = {name: digest_of(Base.metadata.tables[name], each) for name, each in rows.items()}
        connection.execute(update(link).where(link.c.visit_id == first).values(digests=visit_digests(digests)))
        (flaw,) = looked_at(connection).flaws
        assert "was made on this computer and names another key" in flaw.what
        elsewhere = check(connection, [], [])
        assert (elsewhere.flaws, elsewhere.sound) == ([], False)


def test_an_invented_chain_covers_no_altered_product_file(database: Database, two_visits: tuple[UUID, UUID]):
    revision = Base.metadata.tables["product_revision"]
    with tampering(database) as connection:
        connection.execute(text("UPDATE product_revision SET toml_text = toml_text || '# wider'"))
        rows = connection.execute(select(*values_of(revision))).all()
        invented_chain(connection, {"product_revision": [single_digest(revision, row) for row in rows]})
        found = looked_at(connection)
        assert [each.table for each in found.flaws] == ["product_revision"]
        assert [each.key_id for each in found.unverified] == ["aa"]


def test_an_invented_chain_covers_no_forged_correction(database: Database, two_visits: tuple[UUID, UUID]):
    first, _ = two_visits
    verdict = Base.metadata.tables["verdict"]
    with tampering(database) as connection:
        old = connection.execute(select(verdict).where(verdict.c.visit_id == first)).one()
        forged = {**old._mapping, "id": new_key(), "decision": "fail", "corrects_verdict_id": old.id}
        connection.execute(insert(verdict).values(**forged))
        row = connection.execute(select(*values_of(verdict)).where(verdict.c.id == forged["id"])).one()
        invented_chain(connection, {"verdict": [single_digest(verdict, row)]})
        found = looked_at(connection)
        assert not found.sound
        assert found.rows_unverified == 1
        assert f"{forged['id']} rests on a link that could not be verified" in found.notes[0]
        # with the key's own name it is a link that the key never made
        connection.execute(text("UPDATE record_chain SET key_id = :own"), {"own": read_key(key_file()).key_id})
        assert "was not made with its key" in looked_at(connection).flaws[0].what


def test_a_chain_without_a_link_excuses_no_records_that_were_cut_off(database: Database, two_visits: tuple[UUID, UUID]):
    _, second = two_visits
    with tampering(database) as connection:
        (own,) = chains(connection)
        cut = connection.scalar(select(RecordLink.sequence).where(RecordLink.visit_id == second))
        connection.execute(delete(RecordLink).where(RecordLink.sequence >= cut))
        for name, rows in reversed(rows_of_visits(connection, [second])[second].items()):
            table = Base.metadata.tables[name]
            keys = [key_of(table, row) for row in rows]
            connection.execute(delete(table).where(tuple_(*table.primary_key.columns).in_(keys)))
        said = f"restored by Ann: the disk died; {ends_here(Head(own.id, cut - 1, ''))}"
        connection.execute(
            insert(RecordChain).values(
                id=new_key(), place=own.place, key_id=own.key_id, because=said, began_utc=datetime.now(UTC)
            )
        )
        said = " ".join(each.what for each in looked_at(connection).flaws)
        assert "has no link, and none is begun without one" in said
        assert "the last records were cut off" in said


def test_a_view_that_shows_something_else_is_found(covered: Database):
    with tampering(covered) as connection:
        connection.execute(text("DROP VIEW v_verdict_standing"))
        connection.execute(text("DROP VIEW v_visit"))
        connection.execute(text("CREATE VIEW v_visit AS SELECT 'pass' AS decision FROM visit"))
        flaws = {each.table: each.what for each in looked_at(connection).flaws}
    assert flaws.keys() == {"v_visit", "v_verdict_standing"}
    assert "altered" in flaws["v_visit"]
    assert "gone" in flaws["v_verdict_standing"]
    assert look_at(covered).sound


def test_a_seal_is_eighty_bits_of_the_link_in_base_32():
    # RFC 4648, section 10: BASE32("foobar") = "MZXW6YTBOI======"
    assert Seal(7, (b"foobar" + bytes(26)).hex()).short == "MZXW-6YTB-OIAA-AAAA"
