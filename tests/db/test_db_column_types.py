"""What is stored comes back as it was, or is refused."""

import json
import math
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from uuid import UUID

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.schema import CreateTable

from db.column_types import Count, Document, Flag, Identifier, Real, UtcTime, Words
from db.engine import Database
from db.errors import Conflict, InvalidValue
from db.models import Base, Finding, Visit, new_key

SQLITE = sqlite.dialect()
ZONES = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))


@given(st.datetimes(timezones=ZONES, min_value=datetime(1, 1, 3), max_value=datetime(9999, 12, 29)))  # noqa: DTZ001
def test_a_moment_comes_back_as_the_same_moment_in_utc(moment: datetime):
    stored = UtcTime().process_bind_param(moment, SQLITE)
    back = UtcTime().process_result_value(stored, SQLITE)
    assert back == moment
    assert back is not None
    assert back.tzinfo is UTC


@given(st.datetimes(timezones=st.just(UTC)))
def test_stored_moments_sort_as_moments(moment: datetime):
    # Unix time counts from 1970-01-01T00:00:00Z (POSIX.1-2017, 4.16)
    stored = UtcTime().process_bind_param(moment, SQLITE)
    assert isinstance(stored, int)
    assert stored == (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def test_a_time_without_zone_is_refused():
    with pytest.raises(InvalidValue, match="no time zone"):
        UtcTime().process_bind_param(datetime(2026, 3, 2), SQLITE)  # noqa: DTZ001


@given(st.uuids())
def test_a_key_takes_sixteen_bytes_and_comes_back(key: UUID):
    stored = Identifier().process_bind_param(key, SQLITE)
    assert isinstance(stored, bytes)
    assert len(stored) == 16
    assert Identifier().process_result_value(stored, SQLITE) == key


def test_keys_are_version_7_of_rfc_9562_and_sort_by_time():
    # RFC 9562, 5.7: 48 bits of Unix milliseconds, version 7, variant 10
    before = datetime.now(UTC)
    keys = [new_key() for _ in range(1000)]
    assert keys == sorted(keys, key=lambda key: key.bytes)
    assert {key.version for key in keys} == {7}
    assert abs(int.from_bytes(keys[0].bytes[:6], "big") / 1000 - before.timestamp()) < 60


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_finite_number_comes_back_to_the_last_bit(number: float):
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.execute("CREATE TABLE t (x REAL NOT NULL) STRICT")
        connection.execute("INSERT INTO t VALUES (?)", (Real().process_bind_param(number, SQLITE),))
        (back,) = connection.execute("SELECT x FROM t").fetchone()
    # SQLite keeps whole numbers as integers, and so forgets the sign of zero
    assert back == number


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf, np.float64("nan")])
def test_a_number_that_is_not_finite_is_refused(number: float):
    with pytest.raises(InvalidValue, match="finite"):
        Real().process_bind_param(number, SQLITE)


def test_numbers_of_an_array_are_stored_as_numbers():
    assert type(Real().process_bind_param(np.float32(0.5), SQLITE)) is float
    assert type(Count().process_bind_param(np.int64(3), SQLITE)) is int
    assert type(Flag().process_bind_param(np.bool_(True), SQLITE)) is bool


def test_a_count_past_32_bits_is_refused_on_both_databases_alike():
    with pytest.raises(InvalidValue, match="32 bits"):
        Count().process_bind_param(2**31, SQLITE)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda children: st.lists(children) | st.dictionaries(st.text(), children),
    max_leaves=8,
).filter(lambda value: value is not None)


@settings(max_examples=40)
@given(JSON)
def test_a_document_comes_back_and_is_always_written_alike(value: object):
    stored = Document().process_bind_param(value, SQLITE)
    assert stored is not None
    assert stored.isascii()
    back = Document().process_result_value(stored, SQLITE)
    assert back == value
    assert Document().process_bind_param(back, SQLITE) == stored
    assert json.loads(stored) == value


@pytest.mark.parametrize("value", [{"x": math.nan}, [math.inf], {"x": {1, 2}}, {"x": np.arange(2)}, {(1, 2): 3}])
def test_what_is_no_json_is_refused(value: object):
    with pytest.raises(InvalidValue, match="JSON"):
        Document().process_bind_param(value, SQLITE)


@pytest.mark.parametrize("text", ["a\0b", "\ud800", "x\udfff"])
def test_text_that_is_no_text_is_refused(text: str):
    with pytest.raises(InvalidValue, match="no text"):
        Words().process_bind_param(text, SQLITE)


@pytest.mark.parametrize(
    "serial",
    ["O'Brien\"; DROP TABLE unit; --", "=cmd|' /C calc'!A0", "\x1b[2J", "مرحبا 👍", "a\r\nb", "%s :x ?"],
)
def test_any_proper_text_is_a_serial_like_another(database: Database, begin_visit: Callable[..., Visit], serial: str):
    from db.queries import unit_by_serial

    with database.session() as session:
        begin_visit(session, serial)
    with database.reading() as session:
        assert unit_by_serial(session, serial).serial == serial


def test_a_finding_that_is_not_a_number_is_refused_and_nothing_is_kept(
    database: Database, begin_visit: Callable[..., Visit], finding_of: Callable[..., Finding]
):
    with pytest.raises(InvalidValue, match="finite"), database.session() as session:
        session.add(finding_of(begin_visit(session), value=math.nan))
    with database.reading() as session:
        assert session.query(Visit).count() == 0


def test_a_row_without_the_row_it_belongs_to_is_refused(
    database: Database, begin_visit: Callable[..., Visit], finding_of: Callable[..., Finding]
):
    with database.session() as session:
        visit = begin_visit(session)
    visit.id = new_key()
    with pytest.raises(Conflict, match="FOREIGN KEY"), database.session() as session:
        session.add(finding_of(visit))


def test_sqlite_keeps_the_types_of_every_column(database: Database, file: Path):
    # https://www.sqlite.org/stricttables.html
    with closing(sqlite3.connect(file)) as connection:
        listed = connection.execute(
            "SELECT name, wr, strict FROM pragma_table_list WHERE schema = 'main' AND type = 'table'"
        ).fetchall()
    ours = {name: (wr, strict) for name, wr, strict in listed if name in Base.metadata.tables}
    assert ours == dict.fromkeys(Base.metadata.tables, (1, 1))


def test_the_same_models_are_spelled_for_postgresql_with_its_own_types():
    spelled = "\n".join(
        str(CreateTable(table).compile(dialect=postgresql.dialect())) for table in Base.metadata.sorted_tables
    )
    for native in ("UUID", "TIMESTAMP WITH TIME ZONE", "DOUBLE PRECISION", "BOOLEAN", "DATE", "TEXT"):
        assert f" {native}" in spelled
    assert "BLOB" not in spelled
    assert "ROWID" not in spelled
