"""What is committed as a visit goes on is what a session would write, belongs to a visit under way, and is covered."""

import shutil
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import select, text

from db import locks
from db.checking import check
from db.course import add_to_course
from db.engine import Database, open_database
from db.errors import Conflict, Protected
from db.findings import Findings
from db.gathering import gathered
from db.models import Base, Move, Point, Reading, Recommendation, Sweep, TrackingFit, Visit
from db.queries import end_visit
from db.record_key import key_file, read_key


@pytest.fixture(params=["in a file", "on a server"])
def record(request: pytest.FixtureRequest, file: Path, url: str, empty_record: Path) -> Iterator[Database]:
    if request.param == "in a file":
        shutil.copyfile(empty_record, file)
        place = url
    else:
        place = request.getfixturevalue("migrated")
    with open_database(place) as opened:
        yield opened


@pytest.fixture
def visit(record: Database, begin_visit: Callable[..., Visit]) -> Visit:
    with record.session() as session:
        return begin_visit(session)


def course(visit: Visit, point_of: Callable[[Sweep, int], Point]) -> list[Base]:
    """A row of each kind that is committed by itself."""
    began = visit.started_utc
    sweep = Sweep(visit_id=visit.id, purpose="as_found", sequence=0, started_utc=began, controls={"octave": "low"})
    moved = Move(
        visit_id=visit.id,
        sequence=0,
        trim="scale",
        target_value=8.0,
        target_unit="octave",
        held_cv_v=None,
        controls={},
        turns_estimate=-0.4,
        reading_before=None,
        reading_after=8.0001,
        outcome="reached",
        started_utc=began,
        ended_utc=began + timedelta(seconds=20),
    )
    rail = Reading(
        visit_id=visit.id,
        purpose="rail",
        quantity="reference rail",
        controls={},
        value=10.0003,
        unit="V",
        standard_uncertainty=4e-4,
        taken_utc=began + timedelta(microseconds=1),
    )
    advice = Recommendation(visit_id=visit.id, sweep_id=sweep.id, document={"turn": "scale", "to": 8.0, "after": []})
    return [sweep, point_of(sweep, 0), point_of(sweep, 16), rail, moved, advice]


def looked_at(record: Database) -> Findings:
    with record.reading_connection() as connection:
        return check(connection, [read_key(key_file())], [key_file()])


def test_each_row_reads_as_it_was_made(record: Database, visit: Visit, point_of: Callable[[Sweep, int], Point]) -> None:
    made = course(visit, point_of)
    for row in made:
        add_to_course(record, row)
    with record.reading() as session:
        for row in made:
            mapper = type(row).__mapper__
            kept = session.get_one(type(row), mapper.primary_key_from_instance(row))
            for column in mapper.column_attrs:
                assert getattr(kept, column.key) == getattr(row, column.key), (row.__tablename__, column.key)


def test_the_end_of_the_visit_covers_them_and_nothing_comes_after_it(
    record: Database, visit: Visit, point_of: Callable[[Sweep, int], Point]
) -> None:
    *rows, last = course(visit, point_of)
    for row in rows:
        add_to_course(record, row)
    with record.session() as session:
        end_visit(session, visit.id, outcome="stopped", ended_utc=visit.started_utc + timedelta(minutes=5))
    assert looked_at(record).sound
    with pytest.raises(Protected, match="ended"):
        add_to_course(record, last)
    with record.writing_connection() as connection:
        locks.lift(connection)
        connection.execute(text("UPDATE reading SET value = 10.0 WHERE quantity = 'reference rail'"))
        locks.install(connection)
    assert [flaw.table for flaw in looked_at(record).flaws] == ["reading"]


def test_a_row_is_refused_twice_and_without_its_visit(
    record: Database, visit: Visit, point_of: Callable[[Sweep, int], Point]
) -> None:
    sweep, point, *_ = course(visit, point_of)
    with pytest.raises(Conflict):
        add_to_course(record, point)
    add_to_course(record, sweep)
    add_to_course(record, point)
    with pytest.raises((Conflict, Protected), match="refused"):
        add_to_course(record, point)
    with record.reading() as session:
        assert len(session.scalars(select(Point)).all()) == 1


def test_what_needs_a_link_of_its_own_is_not_added_without_one(
    record: Database, visit: Visit, point_of: Callable[[Sweep, int], Point]
) -> None:
    sweep, *_ = course(visit, point_of)
    add_to_course(record, sweep)
    fit = TrackingFit(
        sweep_id=sweep.id,
        core_pitch_octaves=5.03,
        slope=1.0,
        leakage_hz=0.01,
        dead_time_s=1e-6,
        covariance=[[1e-9]],
        drift_low_cents_per_minute=0.0,
        drift_high_cents_per_minute=0.0,
        chi_squared=14.0,
        degrees_of_freedom=13,
        lack_of_fit_probability=0.4,
    )
    with pytest.raises(ValueError, match="add them in a session"):
        add_to_course(record, fit)


def test_writes_that_are_gathered_are_kept_together_or_not_at_all(
    record: Database, begin_visit: Callable[..., Visit], point_of: Callable[[Sweep, int], Point]
) -> None:
    def told(serial: str) -> None:
        with gathered(record) as writing:
            with writing.session() as session:
                visit = begin_visit(session, serial)
            for row in course(visit, point_of):
                add_to_course(writing, row)
            if serial.startswith("bad"):
                raise ValueError(serial)

    told("TR-0001-7")
    with pytest.raises(ValueError, match="bad"):
        told("bad")
    with record.reading() as session:
        assert [len(session.scalars(select(model)).all()) for model in (Visit, Sweep, Point, Reading)] == [1, 1, 2, 1]
