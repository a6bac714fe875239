"""What is asked of a record with a million visits goes by its keys: no large table is read from end to end."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import event, select
from sqlalchemy.engine import Engine

from db import history as asked
from db.batches import batch_record
from db.chained_session import with_keys
from db.models import Base, Finding, Unit, Visit
from db.questions import connection_of
from db.rejudging import findings_as_left, judged_visits, last_points, last_sweeps
from fixtures import demonstration_product
from rig.knowledge import learned_trims
from rig.product import load_product
from rig.production import FROM_TEXT

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from sqlalchemy.orm import Session

    from db.engine import Database

LARGE = ("visit", "finding", "point", "reading", "sweep", "move", "verdict", "tracking_fit", "unit", "trim_observation")


@pytest.fixture
def statements() -> Iterator[list[tuple[str, Any]]]:
    """Statements that are sent meanwhile, with what is put into them."""
    sent: list[tuple[str, Any]] = []

    def note(*arguments: Any) -> None:
        sent.append((arguments[2], arguments[3]))

    event.listen(Engine, "before_cursor_execute", note)
    yield sent
    event.remove(Engine, "before_cursor_execute", note)


def a_history(session: Session, code: str) -> None:
    asked.history(connection_of(session), session.scalars(select(Unit.serial).where(Unit.batch_code == code)).all()[0])


def a_batch(session: Session, code: str) -> None:
    batch_record(connection_of(session), code)


def judging_again(session: Session, code: str) -> None:
    connection = connection_of(session)
    judged_visits(connection, (code,))
    last_sweeps(connection, (code,))
    last_points(connection, (code,))
    findings_as_left(connection, (code,), decisions=FROM_TEXT, guarded="")


def what_earlier_units_taught(session: Session, code: str) -> None:
    learned_trims(session, load_product(demonstration_product()), code, demonstration=True)


def rows_that_a_link_covers(session: Session, code: str) -> None:
    table = Base.metadata.tables["finding"]
    keys = session.execute(
        select(Finding.visit_id, Finding.phase, Finding.characteristic, Finding.revision)
        .join(Visit, Visit.id == Finding.visit_id)
        .join(Unit, Unit.id == Visit.unit_id)
        .where(Unit.batch_code == code)
    ).all()
    wanted = [tuple(key) for key in keys[:20]]
    assert len(session.execute(select(table).where(with_keys(table, wanted))).all()) == len(wanted) > 0


@pytest.mark.parametrize("ask", [a_history, a_batch, judging_again, what_earlier_units_taught, rows_that_a_link_covers])
def test_no_large_table_is_read_from_end_to_end(
    history: Database, codes: tuple[str, ...], statements: list[tuple[str, Any]], ask: Callable[[Session, str], None]
):
    with history.reading() as session:
        ask(session, codes[0])
        sent = [each for each in statements if each[0].lstrip().startswith(("SELECT", "WITH"))]
        assert sent
        driver = session.connection().connection.cursor()
        for statement, given in sent:
            driver.execute(f"EXPLAIN QUERY PLAN {statement}", given)
            steps = [str(step[-1]) for step in driver.fetchall()]
            scanned = [step for step in steps if step.startswith("SCAN") and step.split()[1] in LARGE]
            assert not scanned, f"{scanned} in {statement}"


def test_no_keys_are_no_rows(history: Database):
    table = Base.metadata.tables["finding"]
    with history.reading() as session:
        assert session.execute(select(table).where(with_keys(table, []))).all() == []
