"""What is written out is read by tools of others as it was, and no cell of it is run by a spreadsheet."""

from __future__ import annotations

import csv
import io
import json
import re
import sys
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from click.testing import CliRunner
from sqlalchemy import select

from db.engine import open_database
from db.exports import Choice, portions
from db.models import Finding, Move, Point, Unit, Verdict, Visit
from db.returns import add_repair, add_return
from db.views import POINTS, Kind, ViewColumn
from rig.cli import app
from rig.errors import WrongInput
from rig.exports import CsvWriter, Form, What, export, harmless, moment_of
from rig.reports.views import views_lines
from tests.paper.conftest import AWKWARD_SERIAL, FORMULA, LONG, NOTES

ALL = Choice()


@pytest.fixture(scope="module")
def database(kept):
    with open_database(kept.url) as opened:
        yield opened


def written(database, what: What, form: Form, choice: Choice = ALL, *, mark: bool = False) -> bytes:
    file = io.BytesIO()
    count = export(database, what, form, choice, file, mark=mark)
    data = file.getvalue()
    if form is Form.JSON_LINES:
        assert count == data.count(b"\n")
    return data


def undone(cell: str) -> str:
    """The text before it was made harmless."""
    return cell[1:] if cell.startswith("'") else cell


def test_csv_is_read_back_sign_for_sign_by_two_readers(database):
    data = written(database, What.FINDINGS, Form.CSV)
    rows = list(csv.DictReader(io.StringIO(data.decode("utf-8"), newline="")))
    awkward = [row for row in rows if undone(row["serial"]) == AWKWARD_SERIAL]
    assert [undone(row["note"]) for row in awkward] == [*NOTES, LONG]
    frame = pl.read_csv(io.BytesIO(data), infer_schema_length=None)
    assert frame.height == len(rows)
    assert frame["note"].to_list() == [row["note"] or None for row in rows]
    assert frame.schema["value"] == pl.Float64
    assert frame.filter(pl.col("serial").str.contains("1+1", literal=True))["value"].to_list() == [-1.5] * len(awkward)


def test_csv_is_that_of_rfc_4180(database):
    data = written(database, What.VISITS, Form.CSV)
    # RFC 4180, 2: CR LF after each record, a header, quotes around cells with breaks, quotes or commas, quotes doubled
    header, _, rest = data.partition(b"\r\n")
    assert header.decode().split(",")[:3] == ["visit_id", "serial", "product"]
    assert rest.endswith(b"\r\n")
    quoted = AWKWARD_SERIAL.replace('"', '""').encode()
    assert b"\"'" + quoted + b'"' in rest
    assert not data.startswith(b"\xef\xbb\xbf")
    assert written(database, What.VISITS, Form.CSV, mark=True) == b"\xef\xbb\xbf" + data


@pytest.mark.parametrize(
    ("cell", "made"),
    # OWASP, CSV Injection: cells that begin with = + - @ tab CR; numbers are not formulas
    [
        ("=1+1", "'=1+1"),
        ("+cmd|' /C calc'!A0", "'+cmd|' /C calc'!A0"),
        ("-2+3+cmd|' /C calc'!A0", "'-2+3+cmd|' /C calc'!A0"),
        ("@SUM(1)", "'@SUM(1)"),
        ("\t=1", "'\t'=1"),
        ("\r=1", "'\r'=1"),
        ("＝1+1", "'＝1+1"),
        ("-", "'-"),
        ("-1.5", "-1.5"),
        ("+3e-7", "+3e-7"),
        (-1.5, -1.5),
        (7, 7),
        (None, None),
        ("", ""),
        ("plain = text", "plain = text"),
        # a spreadsheet that splits at semicolons or tabs does so within a text as well
        ('Ann;=HYPERLINK("http://x")', 'Ann;\'=HYPERLINK("http://x")'),
        ("bench ; =1+1", "bench ; '=1+1"),
        ("a,@SUM(1);+1+cmd", "a,'@SUM(1);'+1+cmd"),
        ("a\t=1\r\n-1-1", "a\t'=1\r\n'-1-1"),
        ('Ann;"=1+1"', 'Ann;"\'=1+1"'),
        ("  =1+1", "  '=1+1"),
        ("=1;=2", "'=1;'=2"),
        ("a;＝1+1", "a;'＝1+1"),
        ("1.5;+2,-3e-7 ; -4", "1.5;+2,-3e-7 ; -4"),
        ("[1.0, -2.0]", "[1.0, -2.0]"),
        ('{"low": -1.5, "high": 2}', '{"low": -1.5, "high": 2}'),
        ("worn; see note = 3", "worn; see note = 3"),
    ],
)
def test_a_cell_that_would_be_run_is_made_harmless_and_a_number_stays_a_number(cell, made):
    assert harmless(cell) == made


def test_no_cell_of_an_export_begins_like_a_formula_unless_it_is_a_number(database):
    for what in What:
        for row in csv.reader(io.StringIO(written(database, what, Form.CSV).decode(), newline="")):
            for cell in row:
                for part in re.split(r"[;,\t\r\n]", cell):
                    if part.strip()[:1] in tuple("=+-@"):
                        float(part.strip(' "]}'))


class Everything:
    """A view of two texts and a number, as an export writes it."""

    columns = (
        ViewColumn("who", Kind.TEXT, ""),
        ViewColumn("value", Kind.NUMBER, ""),
        ViewColumn("note", Kind.TEXT, ""),
    )


def test_a_text_that_was_made_harmless_stands_in_quotes_and_numbers_beside_it_do_not():
    file = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="", write_through=True)
    writer = CsvWriter.open(Everything, file, mark=False)
    writer.write([("bench ; =1+1", -1.5, None), ('Ann;=HYPERLINK("http://x")', 2, "a,b"), ("Ann", -1.5, None)])
    assert file.buffer.getvalue().decode().splitlines() == [
        "who,value,note",
        '"bench ; \'=1+1",-1.5,',
        '"Ann;\'=HYPERLINK(""http://x"")",2,"a,b"',
        "Ann,-1.5,",
    ]


def test_json_lines_keep_structure_and_texts(database):
    rows = [json.loads(line) for line in written(database, What.MOVES, Form.JSON_LINES).splitlines()]
    with database.reading() as session:
        kept_moves = session.scalars(select(Move).order_by(Move.visit_id, Move.sequence)).all()
    assert [(row["trim"], row["controls"], row["target_value"]) for row in rows] == [
        (each.trim, dict(each.controls), each.target_value) for each in kept_moves
    ]
    assert {row["demonstration"] for row in rows} == {True}
    findings = [json.loads(line) for line in written(database, What.FINDINGS, Form.JSON_LINES).splitlines()]
    assert FORMULA in {row["note"] for row in findings}


def test_parquet_has_types_and_the_very_numbers(database):
    frame = pl.read_parquet(io.BytesIO(written(database, What.POINTS, Form.PARQUET)))
    assert frame.schema["taken_utc"] == pl.Datetime("us", "UTC")
    assert frame.schema["revisit"] == pl.Boolean
    assert frame.schema["point"] == pl.Int64
    with database.reading() as session:
        points = {
            (each.taken_utc, each.frequency_hz, each.cv_v, each.revisit)
            for each in session.scalars(select(Point)).all()
        }
        count = len(session.scalars(select(Point.index)).all())
    columns = ("taken_utc", "frequency_hz", "cv_v", "revisit")
    assert set(frame.select(columns).iter_rows()) == points
    assert frame.height == count
    visits = pl.read_parquet(io.BytesIO(written(database, What.VISITS, Form.PARQUET)))
    assert AWKWARD_SERIAL in visits["serial"].to_list()


def test_parquet_without_its_library_is_one_sentence(database, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(WrongInput, match=r"pip install 'trimrig\[parquet\]'"):
        written(database, What.VISITS, Form.PARQUET)


def test_portions_are_small_and_leave_nothing_out(database):
    with database.session() as session:
        of = session.scalars(select(Visit)).first()
        product = session.get(Unit, of.unit_id).product_id
        for number in range(7):
            unit = Unit(serial=f"P{number}", product_id=product, batch_code="P")
            visit = Visit(
                unit_id=unit.id,
                product_revision_id=of.product_revision_id,
                bench_revision_id=of.bench_revision_id,
                operator="o",
                purpose="check",
                software_version="0",
                started_utc=of.started_utc + timedelta(days=number),
                demonstration=True,
            )
            session.add_all([unit, visit])
            session.add(
                Finding(
                    visit_id=visit.id,
                    phase="as_found",
                    characteristic="c",
                    value=float(number),
                    unit="cents",
                    expanded_uncertainty=None,
                    coverage_probability=None,
                    lower_limit=None,
                    upper_limit=None,
                    bound_low=None,
                    bound_high=None,
                    rule="r",
                    decision="pass",
                    created_utc=visit.started_utc,
                )
            )
    with database.reading() as session:
        sizes = [len(rows) for rows in portions(session, POINTS, ("sweep", "point"), ALL, at_once=1)]
    assert len(sizes) == 9
    batch = written(database, What.FINDINGS, Form.JSON_LINES, Choice(batch="P"))
    assert [json.loads(line)["value"] for line in batch.splitlines()] == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    since = Choice(
        batch="P", since_utc=of.started_utc + timedelta(days=5), product="Demonstration oscillator (invented)"
    )
    assert written(database, What.VISITS, Form.JSON_LINES, since).count(b"\n") == 2
    assert written(database, What.VISITS, Form.JSON_LINES, Choice(product="another")) == b""


def test_returns_and_repairs_are_chosen_by_the_moment_at_which_they_were_entered(database):
    first = datetime(2026, 3, 2, tzinfo=UTC)
    with database.session() as session:
        of = session.scalars(select(Visit).where(Visit.purpose != "check")).first()
        unit = Unit(serial="R1", product_id=session.get(Unit, of.unit_id).product_id, batch_code="R")
        session.add(unit)
        session.flush()
        for day in range(3):
            at = first + timedelta(days=day)
            add_return(session, unit.id, reason="drifts", complaint=f"=day {day}", who="reception", received_utc=at)
            add_repair(session, unit.id, parts=["trim"], note=f"day {day}", who="operator 1", done_utc=at)
    since = Choice(batch="R", since_utc=first + timedelta(days=1))
    back = list(csv.DictReader(io.StringIO(written(database, What.RETURNS, Form.CSV, since).decode(), newline="")))
    assert [row["complaint"] for row in back] == ["'=day 1", "'=day 2"]
    done = [json.loads(line) for line in written(database, What.REPAIRS, Form.JSON_LINES, since).splitlines()]
    assert [(row["note"], row["parts"], row["serial"]) for row in done] == [
        ("day 1", ["trim"], "R1"),
        ("day 2", ["trim"], "R1"),
    ]
    assert "repair_key" not in done[0]


def test_every_cause_of_a_verdict_that_stands_is_written(database):
    rows = [json.loads(line) for line in written(database, What.CAUSES, Form.JSON_LINES).splitlines()]
    with database.reading() as session:
        corrected = select(Verdict.corrects_verdict_id).where(Verdict.corrects_verdict_id.is_not(None))
        standing = session.scalars(select(Verdict).where(Verdict.id.not_in(corrected)).order_by(Verdict.visit_id))
        causes = [(str(each.visit_id), place, cause) for each in standing for place, cause in enumerate(each.causes)]
    assert [(row["visit_id"], row["place"], row["cause"]) for row in rows] == causes


def test_days_and_moments_are_taken_as_utc_unless_they_say_otherwise():
    assert moment_of("2026-03-02") == datetime(2026, 3, 2, tzinfo=UTC)
    assert moment_of("2026-03-02T08:00+02:00") == datetime(2026, 3, 2, 6, tzinfo=UTC)
    with pytest.raises(WrongInput, match="no day"):
        moment_of("yesterday")


def test_the_views_are_told_with_every_column():
    text = "\n".join(views_lines())
    for words in ("v_visit", "v_unit_latest", "v_yield_by_batch", "first_pass_yield", "microseconds since 1970"):
        assert words in text


def test_a_file_that_is_there_stays_when_an_export_is_refused(kept, monkeypatch, tmp_path):
    monkeypatch.setenv("RIG_DATABASE_URL", kept.url)
    there = tmp_path / "visits.parquet"
    there.write_bytes(b"as it was")
    monkeypatch.setitem(sys.modules, "pyarrow", None)

    def refused(*options):
        with pytest.raises(WrongInput):
            CliRunner().invoke(app, ["export", "--to", str(there), *options], catch_exceptions=False)

    refused("--format", "parquet")
    assert there.read_bytes() == b"as it was"
    assert list(tmp_path.iterdir()) == [there]
    for wrong in ("--what=everything", "--format=xls", "--to=", "--to=- --format=parquet"):
        refused(*wrong.split())
