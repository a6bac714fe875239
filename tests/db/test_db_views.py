"""Views asked as any SQL tool would ask them: with nothing but sqlite3."""

import json
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

import pytest
from sqlalchemy.orm import Session

from db.engine import Database, open_database
from db.models import Finding, Move, Verdict, Visit
from db.returns import add_repair, add_return
from db.views import FINDINGS, KEYS, VIEWS, Kind


def came_and_went(session: Session, visit: Visit) -> None:
    """The unit of a visit comes back twice and is repaired once."""
    for days, reason, complaint in ((20, "drifts", 'sharp when "warm"'), (40, "out of tune", "")):
        at = visit.started_utc + timedelta(days=days)
        add_return(session, visit.unit_id, reason=reason, complaint=complaint, who="reception", received_utc=at)
    at = visit.started_utc + timedelta(days=21)
    add_repair(session, visit.unit_id, parts=["capacitor", "trim"], note="cleaned", who="operator 1", done_utc=at)


@pytest.fixture(scope="module")
def asked(
    tmp_path_factory: pytest.TempPathFactory,
    empty_record: Path,
    whole_visit: Callable[..., Visit],
    begin_visit: Callable[..., Visit],
    finding_of: Callable[..., Finding],
    move_of: Callable[..., Move],
) -> Iterator[tuple[sqlite3.Connection, Visit]]:
    """Three units: one that passed at once, one that failed and then passed, one on the bench now."""
    file = tmp_path_factory.mktemp("asked") / "record.sqlite"
    shutil.copyfile(empty_record, file)
    with open_database(f"sqlite:///{file}") as database:
        with database.session() as session:
            good = whole_visit(session, "TR-0001-7")
            corrected_from = session.query(Verdict).filter_by(visit_id=good.id).one()
            session.add(
                Verdict(
                    visit_id=good.id,
                    decision="conditional pass",
                    causes=["a 'loose' lead"],
                    reason="limit was mistyped",
                    corrects_verdict_id=corrected_from.id,
                    created_utc=good.started_utc + timedelta(hours=1),
                )
            )
            session.add(finding_of(good, value=0.95, decision="conditional pass", revision=1, note="limit mistyped"))
        with database.session() as session:
            bad = begin_visit(session, "TR-0002-5", day=1)
            session.add(move_of(bad, turns_estimate=9.0, outcome="left alone: sealed with varnish"))
            session.add(
                Verdict(
                    visit_id=bad.id,
                    decision="fail",
                    causes=["scale is out of travel", "noise"],
                    reason="scale",
                    created_utc=bad.started_utc,
                )
            )
        with database.session() as session:
            whole_visit(session, "TR-0002-5", day=2)
            begin_visit(session, "TR-0003-3", day=3)
            came_and_went(session, good)
    with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as connection:
        connection.row_factory = sqlite3.Row
        yield connection, good


def test_every_view_has_exactly_the_columns_that_are_told_of_it(asked: tuple[sqlite3.Connection, Visit]):
    connection, _ = asked
    there = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'view'")}
    assert there == {view.name for view in VIEWS}
    kinds = {Kind.TEXT: str, Kind.JSON: str, Kind.TIME: str, Kind.NUMBER: float, Kind.KEY: bytes}
    for view in VIEWS:
        rows = connection.execute(f"SELECT * FROM {view.name}").fetchall()
        assert rows, view.name
        assert rows[0].keys() == [each.name for each in view.columns]
        for row in rows:
            for each in view.columns:
                assert row[each.name] is None or isinstance(row[each.name], kinds.get(each.kind, int)), each


def test_what_stands_is_what_was_last_corrected(asked: tuple[sqlite3.Connection, Visit]):
    connection, good = asked
    verdict = connection.execute("SELECT * FROM v_verdict_standing WHERE serial = 'TR-0001-7'").fetchall()
    assert [(row["decision"], row["corrected"], json.loads(row["causes"])) for row in verdict] == [
        ("conditional pass", 1, ["a 'loose' lead"])
    ]
    findings = connection.execute(
        "SELECT phase, value, revision, note FROM v_finding_standing WHERE serial = 'TR-0001-7' ORDER BY phase"
    ).fetchall()
    assert [tuple(row) for row in findings] == [("as_found", 2.4, 0, None), ("as_left", 0.95, 1, "limit mistyped")]
    visit = connection.execute("SELECT * FROM v_visit WHERE visit_id = ?", (str(good.id),)).fetchone()
    assert (visit["decision"], visit["corrected"], visit["duration_s"]) == ("conditional pass", 1, 660.0)


def test_times_and_keys_read_the_same_as_elsewhere(asked: tuple[sqlite3.Connection, Visit]):
    connection, good = asked
    row = connection.execute("SELECT * FROM v_visit WHERE serial = 'TR-0001-7'").fetchone()
    assert datetime.fromisoformat(row["started_utc"]) == good.started_utc == datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
    assert datetime.fromtimestamp(row["started_unix_us"] / 1e6, UTC) == good.started_utc
    assert UUID(row["visit_id"]) == UUID(bytes=row["visit_key"]) == good.id


def test_yield_by_batch_and_moves_per_trim(asked: tuple[sqlite3.Connection, Visit]):
    connection, _ = asked
    (row,) = connection.execute("SELECT * FROM v_yield_by_batch").fetchall()
    assert (row["units"], row["judged_visits"], row["passed_first"], row["passed_last"]) == (2, 3, 1, 2)
    assert (row["first_pass_yield"], row["final_yield"]) == (0.5, 1.0)
    (trim,) = connection.execute("SELECT * FROM v_moves_per_trim").fetchall()
    assert (trim["trim"], trim["visits"], trim["moves"], trim["mean_turns"]) == ("scale", 2, 2, 0.7)


def test_returns_repairs_and_causes_are_a_row_each(asked: tuple[sqlite3.Connection, Visit]):
    connection, _ = asked
    rows = connection.execute("SELECT * FROM v_return ORDER BY received_unix_us").fetchall()
    assert [(row["serial"], row["reason"], row["complaint"], row["who"]) for row in rows] == [
        ("TR-0001-7", "drifts", 'sharp when "warm"', "reception"),
        ("TR-0001-7", "out of tune", "", "reception"),
    ]
    assert [row["received_utc"][:10] for row in rows] == ["2026-03-22", "2026-04-11"]
    (repair,) = connection.execute("SELECT * FROM v_repair").fetchall()
    assert (repair["batch"], json.loads(repair["parts"]), repair["note"]) == (
        "B26-03",
        ["capacitor", "trim"],
        "cleaned",
    )
    assert UUID(repair["repair_id"]) == UUID(bytes=repair["repair_key"])
    causes = connection.execute("SELECT serial, place, cause, decision FROM v_cause ORDER BY serial, place").fetchall()
    # of the verdict that was corrected nothing stands, and one without causes has no row
    assert [tuple(row) for row in causes] == [
        ("TR-0001-7", 0, "a 'loose' lead", "conditional pass"),
        ("TR-0002-5", 0, "scale is out of travel", "fail"),
        ("TR-0002-5", 1, "noise", "fail"),
    ]


def test_the_latest_visit_of_each_unit(asked: tuple[sqlite3.Connection, Visit]):
    connection, _ = asked
    rows = connection.execute("SELECT serial, decision, visits FROM v_unit_latest ORDER BY serial").fetchall()
    assert [tuple(row) for row in rows] == [
        ("TR-0001-7", "conditional pass", 1),
        ("TR-0002-5", "pass", 2),
        ("TR-0003-3", None, 1),
    ]


def test_views_joined_by_their_key_and_asked_of_one_unit_search_and_do_not_scan(
    asked: tuple[sqlite3.Connection, Visit],
):
    connection, _ = asked
    assert KEYS[0] in FINDINGS.columns
    for question in (
        "SELECT f.value, m.trim FROM v_visit t JOIN v_finding_standing f ON f.visit_key = t.visit_key "
        "JOIN v_move m ON m.visit_key = t.visit_key WHERE t.serial = 'TR-0001-7'",
        "SELECT * FROM v_point WHERE visit_key = x'00'",
        "SELECT * FROM v_unit_latest WHERE serial = 'TR-0001-7'",
        "SELECT * FROM v_yield_by_batch WHERE batch = 'B26-03' AND product = 'Demo oscillator'",
    ):
        steps = [row["detail"] for row in connection.execute(f"EXPLAIN QUERY PLAN {question}")]
        assert [step for step in steps if step.startswith("SCAN") and step not in SMALL] == [], steps


SMALL = {"SCAN p", "SCAN b", "SCAN v_yield_by_batch"}
"""Products and benches are few, and what an aggregate leaves is one row a batch."""


def test_on_postgresql_every_view_reads_as_it_does_on_sqlite(
    migrated: str, database: Database, whole_visit: Callable[..., Visit], begin_visit: Callable[..., Visit]
):
    answers = []
    with open_database(migrated) as server:
        for each in (database, server):
            with each.session() as session:
                came_and_went(session, whole_visit(session, "TR-0001-7"))
                begun = begin_visit(session, "TR-0002-5", day=1)
                causes = ["scale is out of travel", 'a "loose" lead; Größe']
                session.add(
                    Verdict(
                        visit_id=begun.id, decision="fail", causes=causes, reason="scale", created_utc=begun.started_utc
                    )
                )
            with each.reading() as session:
                answers.append({view.name: session.execute(view.clause().select()).mappings().all() for view in VIEWS})
    for view in VIEWS:
        here, there = (
            # keys are made anew for each row
            sorted(
                repr([(name, value) for name, value in row.items() if not name.endswith(("_key", "_id"))])
                for row in one[view.name]
            )
            for one in answers
        )
        assert here == there != [], view.name
