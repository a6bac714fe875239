"""What visits learned of trims: kept for good, found again by trim, batch and product file."""

from collections.abc import Callable
from datetime import timedelta
from uuid import UUID

import pytest
from sqlalchemy import event
from sqlalchemy.orm import Session

from db.engine import Database
from db.errors import Conflict, InvalidValue, NotFound, Protected
from db.learning import Quantity, add_observation, observations_of, revisions_of
from db.models import Unit, Visit, new_key
from db.queries import end_visit, get_or_add_product_revision, get_or_add_unit

BeginVisit = Callable[..., Visit]


def learn(
    session: Session,
    visit: Visit,
    value: float,
    *,
    minute: float = 1.0,
    trim: str = "scale",
    quantity: Quantity = "pivot",
    standard_uncertainty: float = 0.05,
    oscillator: str = "",
) -> None:
    add_observation(
        session,
        visit.id,
        trim=trim,
        quantity=quantity,
        value=value,
        standard_uncertainty=standard_uncertainty,
        taken_utc=visit.started_utc + timedelta(minutes=minute),
        oscillator=oscillator,
    )


def another_visit(session: Session, like: Visit, serial: str, batch: str | None) -> Visit:
    """A visit of another unit to the same bench, with the same product file."""
    product_id = session.get_one(Unit, like.unit_id).product_id
    unit = get_or_add_unit(session, serial=serial, product_id=product_id, batch_code=batch)
    visit = Visit(
        unit_id=unit.id,
        product_revision_id=like.product_revision_id,
        bench_revision_id=like.bench_revision_id,
        operator=like.operator,
        purpose=like.purpose,
        software_version=like.software_version,
        started_utc=like.started_utc,
        demonstration=like.demonstration,
    )
    session.add(visit)
    session.flush()
    return visit


def values(session: Session, revisions: list[UUID], batch: str | None = None, **more: int) -> list[float]:
    rows = observations_of(session, revisions, ["scale"], batch, demonstration=True, **more)
    return [row.value for row in rows]


def test_an_observation_stands_under_the_product_file_and_batch_of_its_visit(
    database: Database, begin_visit: BeginVisit
):
    with database.session() as session:
        visit = begin_visit(session)
        learn(session, visit, 9.1, oscillator="left")
    with database.reading() as session:
        (row,) = observations_of(session, [visit.product_revision_id], ["scale"], demonstration=True)
    assert (row.visit_id, row.unit_id, row.batch_code) == (visit.id, visit.unit_id, "B26-03")
    assert (row.oscillator, row.trim, row.quantity) == ("left", "scale", "pivot")
    assert (row.value, row.standard_uncertainty) == (9.1, 0.05)
    assert row.taken_utc == visit.started_utc + timedelta(minutes=1)


def test_observations_come_oldest_first_and_only_the_latest_of_each_quantity(
    database: Database, begin_visit: BeginVisit
):
    with database.session() as session:
        visit = begin_visit(session)
        for minute in (3.0, 1.0, 2.0, 4.0):
            learn(session, visit, 10.0 + minute, minute=minute)
        learn(session, visit, 0.004, minute=0.5, quantity="gain")
        learn(session, visit, 0.03, minute=0.6, trim="base", quantity="gain")
    with database.reading() as session:
        assert values(session, [visit.product_revision_id], latest=2) == [0.004, 13.0, 14.0]
        assert values(session, [visit.product_revision_id]) == [0.004, 11.0, 12.0, 13.0, 14.0]


def test_a_batch_is_told_apart_from_the_others_and_from_units_of_no_known_batch(
    database: Database, begin_visit: BeginVisit
):
    with database.session() as session:
        first = begin_visit(session)
        learn(session, first, 9.0)
        learn(session, another_visit(session, first, "TR-0002-5", "B26-04"), 3.0, minute=2.0)
        learn(session, another_visit(session, first, "TR-0003-3", None), 5.0, minute=3.0)
    with database.reading() as session:
        revisions = [first.product_revision_id]
        assert values(session, revisions, "B26-03") == [9.0]
        assert values(session, revisions, "B26-04") == [3.0]
        assert values(session, revisions) == [9.0, 3.0, 5.0]
        assert values(session, [new_key()]) == []


def test_what_a_demonstration_taught_never_counts_for_real_units(database: Database, begin_visit: BeginVisit):
    with database.session() as session:
        visit = begin_visit(session)
        learn(session, visit, 9.0)
    with database.reading() as session:
        revisions = [visit.product_revision_id]
        assert observations_of(session, revisions, ["scale"], demonstration=False) == ()
        assert len(observations_of(session, revisions, ["scale"], demonstration=True)) == 1


def test_every_text_of_a_product_file_is_found_by_the_products_name(database: Database, begin_visit: BeginVisit):
    with database.session() as session:
        visit = begin_visit(session)
        later = get_or_add_product_revision(
            session,
            product_name="Demo oscillator",
            toml_text="law = 'other'\n",
            at_utc=visit.started_utc + timedelta(days=1),
        )
    with database.reading() as session:
        found = [each.id for each in revisions_of(session, "Demo oscillator")]
        assert found == [visit.product_revision_id, later.id]
        assert revisions_of(session, "nobody's product") == ()


def test_nothing_is_learned_from_a_visit_that_has_ended_or_never_was(database: Database, begin_visit: BeginVisit):
    with database.session() as session:
        visit = begin_visit(session)
        end_visit(session, visit.id, outcome="stopped", ended_utc=visit.started_utc + timedelta(minutes=5))
    with pytest.raises(Protected, match="ended"), database.session() as session:
        learn(session, visit, 9.0)
    visit.id = new_key()
    with pytest.raises(NotFound, match="no visit"), database.session() as session:
        learn(session, visit, 9.0)


@pytest.mark.parametrize(
    ("wrong", "error"),
    [
        ({"standard_uncertainty": 0.0}, Conflict),
        ({"standard_uncertainty": -0.1}, Conflict),
        ({"quantity": "colour"}, Conflict),
        ({"standard_uncertainty": float("inf")}, InvalidValue),
    ],
)
def test_an_observation_that_says_nothing_is_refused(
    database: Database, begin_visit: BeginVisit, wrong: dict[str, float], error: type[Exception]
):
    with database.session() as session:
        visit = begin_visit(session)
    with pytest.raises(error), database.session() as session:
        learn(session, visit, 9.0, **wrong)
    with database.reading() as session:
        assert values(session, [visit.product_revision_id]) == []


@pytest.mark.parametrize("batch", [None, "B26-03"])
def test_finding_what_was_learned_reads_no_whole_table_and_sorts_nothing(
    database: Database, begin_visit: BeginVisit, batch: str | None
):
    # https://www.sqlite.org/eqp.html: SEARCH goes by an index, SCAN reads everything, a temporary tree sorts
    with database.session() as session:
        visit = begin_visit(session)
        learn(session, visit, 9.0)
    asked: list[tuple[str, object]] = []
    with database.reading() as session:
        connection = session.connection()
        event.listen(connection, "before_cursor_execute", lambda *call: asked.append((call[2], call[3])), named=False)
        assert values(session, [visit.product_revision_id], batch) == [9.0]
        questions = list(asked)
        plans = [
            step[3]
            for statement, parameters in questions
            for step in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
        ]
    assert plans
    assert [step for step in plans if not step.startswith("SEARCH")] == []
    index = "ix_trim_observation_of_trim" if batch is None else "ix_trim_observation_of_batch"
    assert sum(index in step for step in plans) == len(questions)
