"""Visits that were interrupted: listed, and closed with a reason that stays."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from shutil import copyfile
from uuid import UUID, uuid4

import pytest
from click.testing import CliRunner

from db.engine import open_database
from db.errors import Protected
from db.history import FindingRow, UnitHistory, VerdictRow, VisitRow, history, unfinished_visits
from db.models import Sweep
from db.questions import connection_of
from drivers.dialect import LinkDialect, SourceDialect
from drivers.link import SerialOptions
from rig.bench_lock import Holder, Locks, lock_of_visit
from rig.cli import app
from rig.errors import BenchBusy, WrongInput
from rig.owed import Debt, is_owed, places
from rig.reports.history import history_lines

ROWS = Path(__file__).parent.parent / "db"
OPEN = """
INSERT INTO visit SELECT X'01A211934468743DABF7C3F331389FFF', unit_id, product_revision_id, bench_revision_id,
 'operator 1', 'adjust', '0.1.0', 1772611200000000, NULL, NULL, NULL, 1, NULL FROM visit LIMIT 1;
INSERT INTO sweep SELECT X'01A211934468743DABF7C3F331389FFE', X'01A211934468743DABF7C3F331389FFF', purpose, 0,
 started_utc, controls, note FROM sweep LIMIT 1;
INSERT INTO point SELECT X'01A211934468743DABF7C3F331389FFE', point_index, 1.0, 1.0, 2e-05, 1.0, 65.4, 3e-06, 0.1, 0.0,
 1772611200000000, 3, 0 FROM point WHERE point_index < 2;
"""
SERIAL = "TR-0001-7"
LYING = UUID("01a21193-4468-743d-abf7-c3f331389fff")
NOON = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def record(tmp_path_factory, empty_record):
    """A record with one finished visit of a unit, and one that was interrupted. All invented; to be copied."""
    path = tmp_path_factory.mktemp("lying") / "record.sqlite"
    copyfile(empty_record, path)
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript((ROWS / "rows_at_r0001.sql").read_text(encoding="utf-8") + OPEN)
    return path


@pytest.fixture
def url(tmp_path, monkeypatch, record):
    """A copy of that record, and nothing known of benches."""
    url = f"sqlite:///{copyfile(record, tmp_path / 'record.sqlite')}"
    monkeypatch.setenv("RIG_DATABASE_URL", url)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return url


def typed(*arguments):
    return CliRunner().invoke(app, arguments)


def test_an_interrupted_visit_is_listed_closed_with_a_reason_and_keeps_its_points(url):
    listed = json.loads(typed("visits", "--json").stdout)["unfinished"]
    assert [(each["serial"], each["points"], each["moves"]) for each in listed] == [(SERIAL, 2, 0)]
    assert f"{SERIAL}  begun 2026-03-04" in typed("visits").stdout
    outcome = typed("close", SERIAL, "--reason", "the power was cut", "--operator", "Eve")
    assert "2 points and 0 moves are kept" in outcome.stdout
    assert typed("visits").stdout == "No visit lies open.\n"
    with open_database(url) as database:
        with database.reading() as session:
            told = history(connection_of(session), SERIAL)
            assert unfinished_visits(connection_of(session)) == ()
        visit = told.visits[-1]
        assert (visit.outcome, visit.closed_because) == ("stopped", "the power was cut (Eve)")
        assert visit.verdict is None
        assert "  closed: the power was cut (Eve)" in history_lines(told)
        late = Sweep(visit_id=visit.visit_id, purpose="late", sequence=9, started_utc=visit.started_utc, controls={})
        with pytest.raises(Protected, match="the visit has ended"), database.session() as session:
            session.add(late)


def test_a_visit_is_not_closed_without_a_reason_and_a_unit_without_an_open_one_is_said(url):
    assert typed("close", SERIAL).exit_code == 2
    with pytest.raises(WrongInput, match="give one after --reason"):
        raise typed("close", SERIAL, "--reason", " ").exception
    with pytest.raises(WrongInput, match="No visit of NONE lies open: rig visits lists"):
        raise typed("close", "NONE", "--reason", "why").exception
    with open_database(url) as database, database.reading() as session:
        assert len(unfinished_visits(connection_of(session))) == 1


# A visit that runs


def test_a_visit_that_is_on_the_bench_is_listed_as_such_and_not_closed(url, tmp_path):
    with Locks(tmp_path / "bench.toml") as locks:
        locks.take_visit(LYING, SERIAL)
        said = typed("visits").stdout
        assert "on Bench A: on the bench now, in " in said
        assert "Scan such a unit" not in said
        assert json.loads(typed("visits", "--json").stdout)["unfinished"][0]["on_the_bench_now"]
        refused = typed("close", SERIAL, "--reason", "tidying up").exception
        assert isinstance(refused, BenchBusy)
        assert str(refused).startswith(f"The visit of {SERIAL} is on the bench now, in ")
        assert str(refused).endswith(": end it there; nothing was closed.")
        with (
            Locks(tmp_path / "other.toml") as others,
            pytest.raises(BenchBusy, match=f"visit of {SERIAL} is in use by"),
        ):
            others.take_visit(LYING, SERIAL)
    assert not lock_of_visit(LYING).exists()
    assert json.loads(typed("visits", "--json").stdout)["unfinished"][0]["on_the_bench_now"] is None
    assert "Closed without a verdict" in typed("close", SERIAL, "--reason", "tidying up").stdout


def test_a_visit_whose_program_was_killed_is_not_on_the_bench(url, tmp_path):
    lock = lock_of_visit(LYING)
    lock.parent.mkdir(parents=True)
    lock.touch()
    holder = Holder.here(tmp_path / "bench.toml")
    lock.with_suffix(".holder.json").write_text(json.dumps(asdict(holder)), encoding="utf-8")
    assert "0 moves are kept" in typed("visits").stdout
    assert "Closed without a verdict" in typed("close", SERIAL, "--reason", "killed").stdout


# A source that was left on


@pytest.mark.parametrize("command", [("visits",), ("close", SERIAL, "--reason", "killed")])
@pytest.mark.parametrize("elsewhere", [False, True], ids=["beside the bench file", "in the user's folder"])
def test_a_source_that_a_killed_program_left_on_is_named_before_its_visit(url, tmp_path, command, elsewhere):
    bench = tmp_path / "bench.toml"
    held = tmp_path / "state" / "trimrig" / "locks" / "address-1.holder.json"
    if not elsewhere:
        held.parent.mkdir(parents=True)
        held.write_text(json.dumps(asdict(Holder.here(bench))), encoding="utf-8")
    note = places(bench)[elsewhere]
    note.parent.mkdir(parents=True, exist_ok=True)
    note.write_text(json.dumps(a_note(bench)), encoding="utf-8")
    outcome = typed(*command)
    assert outcome.exit_code == 0
    assert outcome.stderr == f"The source of {bench} may still be on: rig bench safe {bench}\n"
    assert SERIAL in outcome.stdout
    assert is_owed(bench)


def a_note(bench):
    """What is owed by a program that was killed; its source is not reached any more."""
    debt = Debt("TCPIP::127.0.0.1::1::SOCKET", "\n", 0.3, SerialOptions(), LinkDialect(), SourceDialect(), None)
    return {"debt": asdict(debt), "by": asdict(Holder.here(bench))}


# The history of a visit that was interrupted


def a_finding(phase, value):
    return FindingRow(
        phase, "scale_error", 0, value, "cents", 0.4, 0.95, -1.0, 1.0, None, None, "guarded", "fail", None, NOON
    )  # fmt: skip


def told(purpose="adjust", moves=0, left=(), decision=None):
    verdicts = () if decision is None else (VerdictRow(uuid4(), decision, (), "why", None, NOON),)
    visit = VisitRow(
        uuid4(), "bench 1", "Eve", purpose, "1", NOON, None, None, None, True, None, verdicts,
        (a_finding("as_found", 12.5),), left, moves=moves,
    )  # fmt: skip
    lines = history_lines(UnitHistory(uuid4(), SERIAL, "DEMO", "2600", (visit,)))
    (row,) = (each.split() for each in lines if "scale error" in each)
    return row[2:4], lines[-1].strip()


def test_how_a_unit_was_left_is_not_said_where_it_was_turned_and_not_measured():
    unmeasured = " (one may have been under way): how it was left was not measured"
    assert told(moves=2) == (["12.500", "-"], f"interrupted after 2 finished moves{unmeasured}")
    assert told(moves=1) == (["12.500", "-"], f"interrupted after 1 finished move{unmeasured}")
    # a move is written when the tool leaves the trim: one that was under way is none yet
    assert told(moves=0) == (["12.500", "-"], f"interrupted after 0 finished moves{unmeasured}")
    assert told(moves=2, decision="no decision")[1] == "2 finished moves: how it was left was not measured"


def test_how_a_unit_was_left_is_what_was_measured_last():
    assert told(moves=2, left=(a_finding("as_left", 0.25),), decision="pass")[0] == ["12.500", "0.250"]
    # nothing was turned: it is left as it was found
    assert told("check", decision="fail")[0] == ["12.500", "12.500"]
    assert told("check")[0] == ["12.500", "12.500"]
    assert told(decision="fail")[0] == ["12.500", "12.500"]
