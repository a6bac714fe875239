"""Visits that were interrupted: listed, and closed with a reason that stays."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner

from db.engine import open_database
from db.errors import Protected
from db.history import history, unfinished_visits
from db.models import Sweep
from rig.cli import app
from rig.errors import WrongInput
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


@pytest.fixture
def url(tmp_path, monkeypatch):
    """A record with one finished visit of a unit, and one that was interrupted. All invented."""
    url = f"sqlite:///{tmp_path}/record.sqlite"
    monkeypatch.setenv("RIG_DATABASE_URL", url)
    open_database(url).close()
    with closing(sqlite3.connect(tmp_path / "record.sqlite")) as connection:
        connection.executescript((ROWS / "rows_at_r0001.sql").read_text(encoding="utf-8") + OPEN)
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
            told = history(session, SERIAL)
            assert unfinished_visits(session) == ()
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
        assert len(unfinished_visits(session)) == 1
